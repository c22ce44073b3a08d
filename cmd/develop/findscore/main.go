// Findscore runs the signal search on drives of invented vehicles whose layouts
// are scrambled, and compares what it proposes with the truth. The search sees
// the frames only.
//
//	go run ./cmd/develop/findscore -seeds 100
//
// Exit code 3: an aim was missed.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"time"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/cmd/internal/cli"
	"joltwatch/stream"
	"joltwatch/stream/find"

	"golang.org/x/sync/errgroup"
)

// scored are the roles looked for, in the order of the table.
var scored = []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed, stream.VehicleSpeed, stream.Gear, stream.Accelerator, stream.Brake}

// outcome of one drive.
type outcome struct {
	Seed    uint64
	Vehicle string
	Seconds float64
	IDs     int
	Took    float64
	First   map[string]bool    // the right field is in first place
	Listed  map[string]bool    // the right field is among the proposals
	Scale   map[string]float64 // proposed over true value
	Said    map[string]string
	// Claims are the roles called found, Wrong those of them that are another
	// signal's.
	Claims, Wrong int
}

func main() {
	seeds := flag.Int("seeds", 100, "how many drives")
	from := flag.Uint64("from", 1, "the first seed")
	answers := flag.Bool("answers", true, "with the answers to standard requests that every car gives")
	verbose := flag.Bool("v", false, "say each miss")
	flag.Parse()
	cli.Tool("findscore", func(context.Context) error {
		met, err := score(*from, *seeds, *answers, *verbose)
		if err == nil && !met {
			err = cli.Attention(errors.New("an aim is missed"))
		}
		return err
	})
}

// score prints both tables and returns whether all aims are met.
func score(from uint64, seeds int, answers, verbose bool) (bool, error) {
	out, err := eachOf(seeds, func(i int) (outcome, error) { return run(from+uint64(i), answers) })
	if err != nil {
		return false, err
	}
	met := table(out, answers, verbose)
	right, err := unlikes(from, max(seeds/5, 2), verbose)
	return met && right, err
}

// eachOf makes n things, as many at once as there are processors.
func eachOf[T any](n int, do func(i int) (T, error)) ([]T, error) {
	all := make([]T, n)
	var g errgroup.Group
	g.SetLimit(runtime.NumCPU())
	for i := range all {
		g.Go(func() (err error) {
			all[i], err = do(i)
			return err
		})
	}
	return all, g.Wait()
}

// vehicleOf is the vehicle that a seed takes.
func vehicleOf(seed uint64) string {
	vehicles := slices.Sorted(slices.Values(append(drive.Tuning.Vehicles(), drive.Scoring.Vehicles()...)))
	return vehicles[seed%uint64(len(vehicles))]
}

// run drives one seed and scores the search on it.
func run(seed uint64, answers bool) (outcome, error) {
	o := outcome{Seed: seed, Vehicle: vehicleOf(seed),
		First: map[string]bool{}, Listed: map[string]bool{}, Scale: map[string]float64{}, Said: map[string]string{}}
	sc := drive.Recipe(o.Vehicle, seed)
	sc.NoLog, sc.NoTrace = true, true
	r, err := drive.Scramble(sc, seed, answers)
	if err != nil {
		return o, fmt.Errorf("seed %d: %w", seed, err)
	}
	s := find.NewSurvey(find.Options{})
	ids := map[uint32]bool{}
	for i := range r.Frames {
		s.Add(&r.Frames[i])
		if r.Frames[i].Kind == bus.Data {
			ids[r.Frames[i].ID] = true
		}
	}
	o.Seconds, o.IDs = s.Duration().Seconds(), len(ids)
	t := time.Now()
	res := s.Analyse(nil)
	o.Took = time.Since(t).Seconds()
	for _, role := range scored {
		name := role.String()
		m, sig := truth(r.Layout, role)
		x := res.Role(role)
		o.Said[name] = fmt.Sprintf("truth %03X %d|%d big %v x %g", m.ID, sig.Start, sig.Length, sig.BigEndian, sig.Scale)
		if x == nil || len(x.Proposals) == 0 {
			o.Said[name] += "; nothing proposed: " + x.Why
			continue
		}
		if x.Found {
			o.Claims++
			o.Wrong++ // until it proves right
		}
		for i, p := range x.Proposals {
			k, same := compare(r.Frames, m, sig, &p)
			if role == stream.VehicleSpeed && !same {
				// Any sender of the road speed, or of a wheel's, will do.
				k, same = compareRoad(r, &p)
			}
			if i == 0 {
				o.Said[name] += fmt.Sprintf("; first %v %v x %g fit %.0f found %v", p.ID, p.Field, p.Scale, p.Fit, x.Found)
			}
			if !same {
				continue
			}
			o.Listed[name] = true
			if i == 0 && x.Found {
				o.First[name] = true
				o.Wrong--
				o.Scale[name] = k
				if role == stream.Gear || role == stream.Brake {
					o.Scale[name] = 1
				}
			}
			break
		}
	}
	return o, nil
}

// truth is where the role is in the layout.
func truth(l *drive.Layout, role stream.Role) (*drive.Message, *drive.Signal) {
	for i := range l.Messages {
		m := &l.Messages[i]
		for k := range m.Signals {
			if s := &m.Signals[k]; s.Role == role && !s.Unmapped {
				return m, s
			}
		}
	}
	return nil, nil
}

// compareRoad is compare with whatever carries the road speed at the
// proposal's place.
func compareRoad(r *drive.Result, p *find.Proposal) (ratio float64, same bool) {
	for i := range r.Layout.Messages {
		m := &r.Layout.Messages[i]
		if m.ID != p.ID.ID {
			continue
		}
		for k := range m.Signals {
			if s := &m.Signals[k]; s.Role == stream.VehicleSpeed || s.Role == stream.NumRoles && s.Filler == drive.FillerWheel {
				if ratio, same = compare(r.Frames, m, s, p); same {
					return ratio, true
				}
			}
		}
	}
	return 0, false
}

// compare decodes the frames of the true message with the truth and with the
// proposal. It returns proposed over true value in the mean of the upper half,
// and whether the proposal is the same quantity: the ratio holds throughout.
func compare(frames []bus.Frame, m *drive.Message, sig *drive.Signal, p *find.Proposal) (ratio float64, same bool) {
	field := drive.Field{Start: uint8(p.Field.Start), Length: uint8(p.Field.Length), BigEndian: p.Field.BigEndian}
	if p.ID.ID != m.ID || p.ID.Extended != m.Extended || p.Mux != nil || !sig.Overlaps(field) {
		return 0, false
	}
	right := decoder(m, stream.Signal{Name: "right", Role: stream.EngineSpeed, Start: uint16(sig.Start), Length: sig.Length,
		BigEndian: sig.BigEndian, Signed: sig.Signed, Scale: sig.Scale, Offset: sig.Offset, RawMax: math.Ldexp(1, 60)})
	proposed := decoder(m, stream.Signal{Name: "proposed", Role: stream.EngineSpeed, Start: uint16(p.Field.Start), Length: uint8(p.Field.Length),
		BigEndian: p.Field.BigEndian, Signed: p.Field.Signed, Scale: p.Scale, Offset: p.Offset, RawMax: math.Ldexp(1, 60)})
	var x, y []float64
	most := 0.0
	for i := range frames {
		f := &frames[i]
		if f.Kind != bus.Data || f.ID != m.ID {
			continue
		}
		a, _ := right.Decode(f)
		if len(a) == 0 {
			continue
		}
		v := a[0].Value
		b, _ := proposed.Decode(f)
		if len(b) == 0 {
			continue
		}
		x, y = append(x, v), append(y, b[0].Value)
		most = math.Max(most, v)
	}
	var sx, sy float64
	for i := range x {
		if x[i] > most/2 {
			sx += x[i]
			sy += y[i]
		}
	}
	if sx == 0 || sy == 0 {
		return 0, false
	}
	ratio = sy / sx
	off := 0
	for i := range x {
		if math.Abs(y[i]/ratio-x[i]) > 0.02*most+math.Abs(p.Scale/ratio) {
			off++
		}
	}
	return ratio, off*100 < len(x)
}

func decoder(m *drive.Message, s stream.Signal) *stream.Decoder {
	d, err := stream.NewDecoder(&stream.Plan{Buses: []string{"can0"}, Messages: []stream.Message{{Name: "m", ID: m.ID, Extended: m.Extended, SourceAddress: -1, Signals: []stream.Signal{s}}}})
	if err != nil {
		fmt.Fprintf(os.Stderr, "findscore: %v\n", err)
		os.Exit(1)
	}
	return d
}

// table prints the score and returns whether the aims are met.
func table(out []outcome, answers, verbose bool) bool {
	var seconds, took, ids float64
	low, high := math.MaxInt, 0
	for _, o := range out {
		seconds += o.Seconds
		took += o.Took
		ids += float64(o.IDs)
		low, high = min(low, o.IDs), max(high, o.IDs)
	}
	n := len(out)
	with := "with answers to standard requests"
	if !answers {
		with = "without any answers"
	}
	fmt.Printf("%d drives of %.0f s in the mean, %d to %d identifiers, %s; %.1f s of analysis a drive\n\n", n, seconds/float64(n), low, high, with, took/float64(n))
	fmt.Printf("| role | in first place | listed | scale within 1 %% | all of first right |\n|---|---|---|---|---|\n")
	met := true
	for _, role := range scored {
		name := role.String()
		first, listed, scale := 0, 0, 0
		for _, o := range out {
			if o.First[name] {
				first++
				if math.Abs(o.Scale[name]-1) <= 0.01 {
					scale++
				}
			}
			if o.Listed[name] {
				listed++
			}
		}
		fmt.Printf("| %s | %d of %d | %d | %d of %d | %d %% |\n", name, first, n, listed, scale, first, 100*scale/n)
		switch role {
		case stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed:
			met = met && 100*first >= 95*n && (!answers || 100*scale >= 95*n)
		}
	}
	all, made, wrong := 0, 0, 0
	for _, o := range out {
		if o.First["engine_speed"] && o.First["turbine_speed"] && o.First["output_speed"] {
			all++
		}
		made, wrong = made+o.Claims, wrong+o.Wrong
	}
	fmt.Printf("\nengine, turbine and output speed all three in first place: %d of %d drives\n", all, n)
	fmt.Printf("wrong claims in these: %d of %d\n", wrong, made)
	met = met && float64(wrong) <= mostWrong*float64(made)
	if verbose {
		for _, o := range out {
			for _, role := range scored {
				name := role.String()
				if !o.First[name] || math.Abs(o.Scale[name]-1) > 0.01 {
					fmt.Printf("seed %d (%s) %s: first %v listed %v scale %.4f: %s\n", o.Seed, o.Vehicle, name, o.First[name], o.Listed[name], o.Scale[name], o.Said[name])
				}
			}
		}
	}
	return met
}
