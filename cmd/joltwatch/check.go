package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"text/tabwriter"
	"time"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

type checkCmd struct {
	Vehicle string  `required:"" placeholder:"FILE" help:"The vehicle file to check."`
	From    string  `placeholder:"LOG" help:"Check against a recording (a file or - for standard input) instead of the vehicle file's buses."`
	Store   string  `default:"." placeholder:"DIR" help:"Where the stay will be kept: its free room and speed are measured, and its clock is asked. Default: the current folder."`
	For     float64 `name:"for" default:"20" placeholder:"SECONDS" help:"How long to listen to a live bus without --drive. Default: ${default}."`
	Drive   bool    `help:"Guide a short drive: goes on until an apply, a shift and a stop were seen, or an interrupt. A passenger reads, never the driver."`
	JSON    bool    `name:"json" help:"Print one JSON object."`
}

func (c *checkCmd) Help() string {
	return `Run it before leaving the unit in a vehicle. It says which roles decode, whether
they are plausible together, what each detector can tell with them and how
finely, and whether the board is fit for a stay. Exit code 3 means that
something needs attention. CAN interfaces are set up first, as by joltwatch
prepare, which takes root.

` + cautions
}

// report is all that a check found; it is what --json prints.
type report struct {
	Vehicle   string       `json:"vehicle"`
	Seconds   float64      `json:"seconds"`
	Roles     []roleReport `json:"roles"`
	Plausible []remark     `json:"plausibility"`
	Buses     []busReport  `json:"buses"`
	Board     []remark     `json:"board"`
	Detectors []ability    `json:"detectors"`
	Drive     []driveStep  `json:"drive"`
	Attention int          `json:"needs_attention"`
}

// remark is one thing looked at.
type remark struct {
	What string `json:"what"`
	OK   bool   `json:"ok"`
	Says string `json:"says"`
}

type roleReport struct {
	Role    string  `json:"role"`
	Source  string  `json:"source"`
	Unit    string  `json:"unit"`
	RateHz  float64 `json:"rate_hz"`
	Samples uint64  `json:"samples"`
	NotOK   uint64  `json:"not_ok"`
	Min     float64 `json:"min"`
	Max     float64 `json:"max"`
	OK      bool    `json:"ok"`
	Says    string  `json:"says"`
}

type driveStep struct {
	Step string `json:"step"`
	Seen bool   `json:"seen"`
	Says string `json:"says"`
}

func (c *checkCmd) Run(h *host) error {
	settings := detect.DefaultSettings()
	file, err := vehicle.Load(c.Vehicle, &settings)
	if err != nil {
		return err
	}
	ready := map[string]error{}
	if c.From == "" {
		ready = setUp(file)
	}
	in, err := openInput(h, file, c.From, true)
	if err != nil {
		return err
	}
	defer in.Close()
	k, err := newChecker(h, file, settings)
	if err != nil {
		return err
	}
	guide := io.Discard
	if !c.JSON {
		guide = h.stdout
	}
	started := time.Now()
	switch {
	case c.Drive:
		fmt.Fprintln(guide, driveRecipe)
	case in.live:
		fmt.Fprintf(guide, "listening for %g s\n", c.For)
	}
	done := func() bool {
		if !in.live {
			return false
		}
		if c.Drive {
			return k.applied && k.shifted && k.stopped
		}
		return time.Since(started).Seconds() >= c.For
	}
	silent := false
	if c.Drive {
		k.told = func(step string) { fmt.Fprintf(guide, "seen: %s\n", step) }
	}
	err = pump(h.ctx, in, k.push, func() (time.Duration, error) {
		if done() {
			return 0, io.EOF
		}
		if in.live && !k.started && !silent && time.Since(started) > 5*time.Second {
			silent = true
			fmt.Fprintln(guide, "nothing heard yet: is the ignition on?")
		}
		return heartbeat / 4, nil
	})
	if err != nil && err != io.EOF {
		return err
	}
	r := k.report(file, in, c, ready)
	if c.JSON {
		if err := json.NewEncoder(h.stdout).Encode(r); err != nil {
			return err
		}
	} else {
		r.print(h.stdout)
	}
	if r.Attention > 0 {
		return cli.Attention(fmt.Errorf("%d things need attention before the unit is left in the vehicle", r.Attention))
	}
	return nil
}

const driveRecipe = `A short drive, in a safe place. A passenger reads this, never the driver.
  1. engine running, standing in gear, foot on the brake, 10 s
  2. pull away gently and hold about 50 km/h for 20 s   (an apply, shifts)
  3. let it roll, then brake gently to a standstill     (a stop)
Interrupt (Ctrl-C) to end early.`

// checker is the line with an eye on every sample.
type checker struct {
	line
	told                      func(string)
	applied, shifted, stopped bool

	min, max  [stream.NumRoles]float64
	seen      [stream.NumRoles]uint64
	first     bus.Micros
	last      bus.Micros
	started   bool
	bits      []uint64 // by bus
	frames    []uint64
	errors    []uint64
	dropped   []uint64
	bad       []uint64
	roadRatio spread // output speed over road speed
	together  spread // engine speed over turbine speed, reported closed
	gears     map[int]*spread
	idle      spread
	plan      *stream.Plan
	set       detect.Settings
}

func newChecker(h *host, file *vehicle.File, set detect.Settings) (*checker, error) {
	s, err := stream.New(file.Plan)
	if err != nil {
		return nil, err
	}
	k := &checker{plan: file.Plan, set: set, gears: map[int]*spread{}, told: func(string) {}}
	k.line = line{stream: s, log: h.log, findings: map[string]int{}, seen: k.finding}
	k.line.monitor = detect.New(set, file.Plan, k)
	n := max(len(file.Buses), 1)
	for _, p := range []*[]uint64{&k.bits, &k.frames, &k.errors, &k.dropped, &k.bad} {
		*p = make([]uint64, n)
	}
	return k, nil
}

func (k *checker) push(f *bus.Frame) error {
	if !k.started {
		k.first, k.started = f.At, true
	}
	k.last = max(k.last, f.At)
	if int(f.Bus) < len(k.bits) {
		switch f.Kind {
		case bus.Data, bus.Remote:
			k.frames[f.Bus]++
			k.bits[f.Bus] += frameBits(f)
		case bus.Reading, bus.Answer:
			k.frames[f.Bus]++
		case bus.Error:
			k.errors[f.Bus]++
		case bus.Notice:
			switch bus.NoticeCode(f.ID) {
			case bus.NoticeDropped:
				k.dropped[f.Bus] += uint64(f.Count())
			case bus.NoticeBadInput:
				k.bad[f.Bus] += uint64(f.Count())
			}
		}
	}
	k.count(f)
	k.stream.Push(f, k)
	return nil
}

// Sample shadows the line's to note the range of each role.
func (k *checker) Sample(s *stream.Sample) {
	if s.OK {
		if k.seen[s.Role] == 0 {
			k.min[s.Role], k.max[s.Role] = s.Value, s.Value
		}
		k.min[s.Role], k.max[s.Role] = min(k.min[s.Role], s.Value), max(k.max[s.Role], s.Value)
		k.seen[s.Role]++
	}
	k.line.Sample(s)
}

// Row shadows the line's to compare the speeds that should agree.
func (k *checker) Row(r *stream.Row) {
	if r.Has(stream.OutputSpeed, stream.VehicleSpeed) && r.V[stream.VehicleSpeed] > 15 {
		k.roadRatio.add(r.V[stream.OutputSpeed] / r.V[stream.VehicleSpeed])
	}
	if r.Has(stream.TurbineSpeed, stream.OutputSpeed, stream.Gear) && r.Derived&(1<<stream.TurbineSpeed) == 0 && r.V[stream.OutputSpeed] > 200 {
		g := int(r.V[stream.Gear])
		if g >= 1 && g < stream.GearShifting {
			s := k.gears[g]
			if s == nil {
				s = &spread{}
				k.gears[g] = s
			}
			s.add(r.V[stream.TurbineSpeed] / r.V[stream.OutputSpeed])
		}
	}
	if r.Has(stream.EngineSpeed, stream.TurbineSpeed) && r.Derived&(1<<stream.TurbineSpeed) == 0 && r.V[stream.TurbineSpeed] > 300 && stream.ReportedClosed(r) {
		k.together.add(r.V[stream.EngineSpeed] / r.V[stream.TurbineSpeed])
	}
	if r.Has(stream.EngineSpeed, stream.VehicleSpeed) && r.V[stream.VehicleSpeed] == 0 && r.V[stream.EngineSpeed] > 300 {
		k.idle.add(r.V[stream.EngineSpeed])
	}
	k.line.Row(r)
}

func (k *checker) finding(f *detect.Finding) {
	step := func(done *bool, name string) {
		if !*done {
			*done = true
			k.told(name)
		}
	}
	switch f.Kind {
	case detect.KindApply:
		step(&k.applied, "the clutch applied")
	case detect.KindShift:
		step(&k.shifted, "a shift")
	case detect.KindReleaseLag:
		step(&k.stopped, "a stop, and the clutch let go")
	}
}

// finest is how many steps of the histogram make a factor of e: 0.1 % each.
const finest = 1000

// spread is a histogram, from which a median and the share of values near it can
// be told in memory that the values' range bounds.
type spread struct {
	bins map[int]uint64
	n    uint64
}

func (s *spread) add(v float64) {
	if !(v > 0) {
		return
	}
	if s.bins == nil {
		s.bins = map[int]uint64{}
	}
	s.bins[int(math.Round(math.Log(v)*finest))]++
	s.n++
}

// median returns the middle value, and the share of values within 3 % of it.
func (s *spread) median() (v, near float64) {
	if s.n == 0 {
		return 0, 0
	}
	lo, hi := math.MaxInt, math.MinInt
	for b := range s.bins {
		lo, hi = min(lo, b), max(hi, b)
	}
	var sum uint64
	mid := lo
	for b := lo; b <= hi; b++ {
		if sum += s.bins[b]; 2*sum >= s.n {
			mid = b
			break
		}
	}
	var close uint64
	for b := mid - 3*finest/100; b <= mid+3*finest/100; b++ {
		close += s.bins[b]
	}
	return math.Exp(float64(mid) / finest), float64(close) / float64(s.n)
}

// setUp brings the vehicle's CAN interfaces up as the service does, and returns
// by the bus's name what stands against it.
func setUp(file *vehicle.File) map[string]error {
	out := map[string]error{}
	for i := range file.Buses {
		b := &file.Buses[i]
		if iface, ok := b.CANInterface(); ok {
			if _, err := kernel.prepare(iface, b); err != nil {
				out[b.Name] = err
			}
		}
	}
	return out
}

func (k *checker) report(file *vehicle.File, in *input, c *checkCmd, ready map[string]error) *report {
	r := &report{Vehicle: file.Label, Seconds: (k.last - k.first).Seconds()}
	if in.live { // also the silence counts
		r.Seconds = (in.now() - in.opened).Seconds()
	}
	r.Roles = k.roleReports(file)
	r.Plausible = k.plausibility()
	r.Buses = k.busReports(file, r.Seconds, ready)
	r.Board = board(k, in, c)
	r.Detectors = abilities(k.stream.Cover(), file.Plan, k.set)
	if c.Drive || !in.live {
		r.Drive = []driveStep{
			{"apply", k.applied, "the clutch closing after pulling away"},
			{"shift", k.shifted, "a shift with the clutch on"},
			{"stop", k.stopped, "a stop in which the release could be told"},
		}
	}
	for _, x := range r.Roles {
		r.Attention += attend(x.OK)
	}
	for _, list := range [][]remark{r.Plausible, r.Board} {
		for _, x := range list {
			r.Attention += attend(x.OK)
		}
	}
	for _, x := range r.Buses {
		r.Attention += attend(x.OK)
	}
	if c.Drive {
		for _, x := range r.Drive {
			r.Attention += attend(x.Seen)
		}
	}
	return r
}

func attend(ok bool) int {
	if ok {
		return 0
	}
	return 1
}

func (k *checker) roleReports(file *vehicle.File) []roleReport {
	var out []roleReport
	for _, c := range k.stream.Cover() {
		x := roleReport{Role: c.Role.String(), Unit: c.Role.Unit(), Samples: c.Samples, NotOK: c.NotOK,
			Min: round3(k.min[c.Role]), Max: round3(k.max[c.Role]), OK: true, Says: "decodes"}
		if p := c.Period.Seconds(); p > 0 {
			x.RateHz = math.Round(10/p) / 10
		}
		if s := file.Plan.Sources[x.Role]; c.Source >= 0 && c.Source < len(s) {
			x.Source = s[c.Source]
		}
		optional := file.BuiltIn && c.Role != stream.EngineSpeed
		lo, hi, bounded := plausible(c.Role)
		switch {
		case c.Samples == 0 && optional:
			x.Says = "built in, not on this bus"
		case c.Samples == 0:
			x.OK, x.Says = false, "never seen: check the message's identifier, the bus and the bit rate"
		case k.seen[c.Role] == 0 && optional:
			x.Says = "sent, but always as not available"
		case k.seen[c.Role] == 0:
			x.OK, x.Says = false, "always not available or out of range: check the signal's place and scale, or give another source"
		case bounded && (x.Min < lo || x.Max > hi):
			x.OK, x.Says = false, fmt.Sprintf("implausible: expected %g to %g %s; check scale and unit", lo, hi, x.Unit)
		case c.Role <= stream.TurbineSpeed && x.Min == x.Max && c.Samples > 50:
			x.OK, x.Says = false, "stuck: the same value throughout; is the engine running, and is this the signal?"
		case x.Min == x.Max && c.Samples > 50 && k.hadToChange(c.Role):
			x.OK, x.Says = false, "stuck: the same value throughout this drive; is this the signal?"
		case c.NotOK*2 > c.Samples:
			x.OK, x.Says = false, "not available more than half of the time"
		}
		out = append(out, x)
	}
	return out
}

// hadToChange reports whether what was seen of the drive cannot have left a role
// at one value.
func (k *checker) hadToChange(r stream.Role) bool {
	switch r {
	case stream.OutputSpeed, stream.VehicleSpeed, stream.Accelerator, stream.EngineTorque, stream.Acceleration:
		return k.applied || k.shifted || k.stopped
	case stream.ClutchPressureCommand, stream.ClutchPressure, stream.ClutchCommand, stream.LockupState:
		return k.applied || k.stopped
	case stream.Gear:
		return k.shifted
	}
	return false
}

// plausible is the range that a role keeps in a road vehicle (common practice,
// no source; wide on purpose, to catch a wrong scale and not a rare vehicle).
func plausible(r stream.Role) (lo, hi float64, ok bool) {
	switch r {
	case stream.EngineSpeed, stream.TurbineSpeed:
		return 0, 9000, true
	case stream.OutputSpeed:
		return 0, 12000, true
	case stream.VehicleSpeed:
		return 0, 250, true
	case stream.ClutchPressureCommand, stream.ClutchPressure:
		return 0, 2500, true
	case stream.Accelerator, stream.ClutchCommand:
		return 0, 100, true
	case stream.FluidTemperature:
		return -40, 160, true
	case stream.Acceleration:
		return -20, 20, true
	case stream.Grade:
		return -45, 45, true
	case stream.SupplyVoltage:
		return 6, 36, true
	}
	return 0, 0, false
}

func (k *checker) plausibility() []remark {
	var out []remark
	if k.roadRatio.n > 100 {
		v, near := k.roadRatio.median()
		says := fmt.Sprintf("output speed is %.1f rpm for 1 km/h in %.0f %% of the samples above 15 km/h", v, 100*near)
		ok := near > 0.7
		if want := k.plan.Facts.OutputPerKmh; want > 0 && math.Abs(v/want-1) > 0.05 {
			ok = false
			says += fmt.Sprintf("; the vehicle file says %.1f", want)
		}
		out = append(out, remark{"output against road speed", ok, says})
	}
	if k.together.n > 100 {
		v, near := k.together.median()
		out = append(out, remark{"engine against turbine", math.Abs(v-1) < 0.02 && near > 0.7,
			fmt.Sprintf("engine speed is %.2f of turbine speed in %.0f %% of the samples with the clutch reported closed", v, 100*near)})
	}
	for g := 1; g <= 24; g++ {
		s := k.gears[g]
		if s == nil || s.n < 100 {
			continue
		}
		v, near := s.median()
		says := fmt.Sprintf("turbine over output is %.3f in %.0f %% of the samples", v, 100*near)
		ok := near > 0.5
		if want := k.plan.Facts.Ratios[g]; want > 0 && math.Abs(v/want-1) > 0.03 {
			ok = false
			says += fmt.Sprintf("; the vehicle file says %.3f", want)
		}
		out = append(out, remark{fmt.Sprintf("ratio in gear %d", g), ok, says})
	}
	for _, l := range k.stream.Learned() {
		out = append(out, remark{"ratio learned", true, l.Text()})
	}
	if want := k.plan.Facts.IdleRPM; k.idle.n > 100 && want > 0 {
		v, _ := k.idle.median()
		out = append(out, remark{"idle speed", math.Abs(v/want-1) < 0.3, fmt.Sprintf("%.0f rpm at standstill; the vehicle file says idle is %.0f", v, want)})
	}
	return out
}

func (r *report) print(w io.Writer) {
	fmt.Fprintf(w, "%s: %.1f s of traffic\n\nRoles\n", r.Vehicle, r.Seconds)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, x := range r.Roles {
		if x.Samples == 0 {
			fmt.Fprintf(t, "  %s\t%s\t\t\t%s\n", flag(x.OK), x.Role, x.Says)
			continue
		}
		fmt.Fprintf(t, "  %s\t%s\t%.4g Hz\t%.4g … %.4g %s\t%s (%s)\n", flag(x.OK), x.Role, x.RateHz, x.Min, x.Max, x.Unit, x.Says, x.Source)
	}
	t.Flush()
	list := func(title string, rs []remark) {
		if len(rs) == 0 {
			return
		}
		fmt.Fprintf(w, "\n%s\n", title)
		for _, x := range rs {
			fmt.Fprintf(t, "  %s\t%s\t%s\n", flag(x.OK), x.What, x.Says)
		}
		t.Flush()
	}
	list("Together", r.Plausible)
	fmt.Fprintln(w, "\nBuses")
	for _, x := range r.Buses {
		fmt.Fprintf(t, "  %s\t%s\t%s\n", flag(x.OK), x.Bus, x.Says)
	}
	t.Flush()
	list("Board", r.Board)
	fmt.Fprintln(w, "\nDetectors, with these signals")
	for _, x := range r.Detectors {
		mark := "yes"
		if !x.Can {
			mark = "no"
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\n", mark, x.Kind, x.Says)
	}
	t.Flush()
	if len(r.Drive) > 0 {
		fmt.Fprintln(w, "\nSeen in this drive")
		for _, x := range r.Drive {
			seen := "yes"
			if !x.Seen {
				seen = "not yet"
			}
			fmt.Fprintf(t, "  %s\t%s\t%s\n", seen, x.Step, x.Says)
		}
		t.Flush()
	}
	fmt.Fprintln(w)
	if r.Attention == 0 {
		fmt.Fprintln(w, "Ready to be left in the vehicle.")
	}
	fmt.Fprintln(w, cautions)
}

func flag(ok bool) string {
	if ok {
		return "ok"
	}
	return "LOOK"
}

func round3(v float64) float64 { return math.Round(v*1000) / 1000 }
