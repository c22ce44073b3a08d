package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/cmd/develop/joltsim/elastic"
	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"

	"github.com/rs/zerolog"
)

var readyEvery = flag.Int("ready.every", 11, "try one in so many of the wrong files and logs")

// wrong is one mistake in the vehicle file, its definitions or the recording.
type wrong struct {
	class, name string
	layout      func(*drive.Layout) bool // false: nothing there to change
	facts       func(*drive.Vehicle)
	text        func(string) string
	frames      func([]bus.Frame) []bus.Frame
}

// seenOf is what came of a drive: findings and figures, each in one line.
type seenOf struct {
	lines map[string]int
	bad   map[string]int // kinds and classes that the customer would hear of
	ready bool
	says  []string
}

// findings takes the checker's place as the monitor's listener.
type findings struct {
	*checker
	seen *seenOf
}

func (f *findings) Finding(x *detect.Finding, p []detect.Percentile) {
	f.seen.lines[fmt.Sprintf("%s %s %.1f %v", x.Kind, x.Class, x.Start.Seconds(), x.Measures)]++
	switch x.Class {
	case detect.ReleaseLate, detect.ReleaseDragging, detect.ReleaseStall, detect.HillUnasked:
		f.seen.bad[x.Kind+" "+x.Class.String()]++
	}
	f.checker.Finding(x, p)
}

func (f *findings) Account(a *detect.Account) {
	if a.Ended {
		text, _ := json.Marshal([]any{a.Drive, a.Stops, a.StopsObserved, a.Opportunities, math.Round(a.MovingS),
			math.Round(a.ClosedS), math.Round(a.PartialS), math.Round(a.OpenS), math.Round(a.UnknownS)})
		f.seen.lines["account "+string(text)]++
	}
	f.checker.Account(a)
}

// readyDrive is a short drive with everything that a check asks for, and with
// one release that comes 1.6 s late.
func readyDrive(t *testing.T, v *drive.Vehicle) *drive.Result {
	t.Helper()
	flat, pull := 0.0, 1.0
	if v.MassKg > 8000 {
		pull = 0.6
	}
	sc := drive.Scenario{Name: "ready/" + v.Name, Vehicle: v.Name, Seed: 4711, FluidC: 70, NoLog: true, NoTrace: true,
		Steps: []drive.Step{{Do: "start", ForS: 5, Grade: &flat}}}
	for i, kmh := range []float64{34, 52, 46, 75, 40, 50} {
		stop := drive.Step{Do: "stop", Accel: 0.8 + 0.2*float64(i%3), ForS: 6}
		if i == 4 {
			stop.Fault = &drive.Fault{Kind: "release-late", Value: 1.6, ForS: 25}
		}
		sc.Steps = append(sc.Steps, drive.Step{Do: "drive", ToKmh: kmh, Accel: pull, ForS: 24 + kmh/4}, stop)
	}
	sc.Steps = append(sc.Steps, drive.Step{Do: "off", ForS: 6})
	r, err := drive.Run(sc)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// tried runs the check on a drive with something wrong, or nothing.
func tried(t *testing.T, r *drive.Result, w wrong) (*seenOf, bool) {
	t.Helper()
	l, v, frames := copyLayout(r.Layout), *r.Vehicle, r.Frames
	if w.layout != nil && !w.layout(l) {
		return nil, false
	}
	if w.facts != nil {
		v.Ratios = slices.Clone(v.Ratios)
		w.facts(&v)
	}
	if w.frames != nil {
		frames = w.frames(slices.Clone(frames))
	}
	dir := t.TempDir()
	texts, names := l.DBC(v.Name)
	toml := l.VehicleTOML(&v, names)
	if w.text != nil {
		changed := w.text(toml)
		if changed == toml {
			return nil, false
		}
		toml = changed
	}
	for i, text := range append(texts, toml) {
		if err := os.WriteFile(filepath.Join(dir, append(names, "vehicle.toml")[i]), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	out := &seenOf{lines: map[string]int{}, bad: map[string]int{}}
	set := detect.DefaultSettings()
	file, err := vehicle.Load(filepath.Join(dir, "vehicle.toml"), &set)
	if err != nil {
		out.says = []string{err.Error()}
		return out, true
	}
	k, err := newChecker(&host{log: zerolog.Nop()}, file, set)
	if err != nil {
		t.Fatal(err)
	}
	k.monitor = detect.New(set, file.Plan, &findings{k, out})
	for i := range frames {
		if err := k.push(&frames[i]); err != nil {
			t.Fatal(err)
		}
	}
	k.stream.Flush(k)
	k.monitor.Flush()
	rep := k.judge(file, (k.last - k.first).Seconds(), nil, true)
	out.ready, out.says = rep.Attention == 0, rep.complaints()
	return out, true
}

// complaints are the sentences of what needs attention.
func (r *report) complaints() []string {
	var out []string
	for _, x := range r.Roles {
		if !x.OK {
			out = append(out, x.Role+": "+x.Says)
		}
	}
	for _, x := range r.Plausible {
		if !x.OK {
			out = append(out, x.What+": "+x.Says)
		}
	}
	for _, x := range r.Buses {
		if !x.OK {
			out = append(out, x.Bus+": "+x.Says)
		}
	}
	for _, x := range r.Drive {
		if !x.Seen && !x.Hidden {
			out = append(out, x.Step+": not seen")
		}
	}
	return out
}

func copyLayout(l *drive.Layout) *drive.Layout {
	c := *l
	c.Messages, c.Bitrate = slices.Clone(l.Messages), slices.Clone(l.Bitrate)
	for i := range c.Messages {
		c.Messages[i].Signals = slices.Clone(c.Messages[i].Signals)
	}
	return &c
}

// signalOf returns the signal of a role, or nil.
func signalOf(l *drive.Layout, r stream.Role) *drive.Signal {
	for i := range l.Messages {
		for k := range l.Messages[i].Signals {
			if s := &l.Messages[i].Signals[k]; s.Role == r && !s.Unmapped {
				return s
			}
		}
	}
	return nil
}

// change makes a mistake of what f does to a role's signal.
func change(class string, r stream.Role, what string, f func(*drive.Signal)) wrong {
	return wrong{class: class, name: r.String() + " " + what, layout: func(l *drive.Layout) bool {
		s := signalOf(l, r)
		if s == nil || l.J1939 {
			return false
		}
		f(s)
		return true
	}}
}

var (
	speedRoles = []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed, stream.VehicleSpeed}
	// neededRoles are those without which a detector cannot work or tell apart.
	neededRoles = []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed, stream.VehicleSpeed, stream.Gear,
		stream.ClutchPressureCommand, stream.LockupState, stream.Accelerator}
	commandRoles = []stream.Role{stream.ClutchPressureCommand, stream.ClutchPressure, stream.LockupState}
)

// wrongs are the mistakes, class by class.
func wrongs() []wrong {
	var out []wrong
	add := func(w ...wrong) { out = append(out, w...) }
	for _, r := range neededRoles {
		add(change("needed role removed", r, "removed", func(s *drive.Signal) { s.Unmapped = true }))
	}
	for _, p := range [][2]stream.Role{{stream.EngineSpeed, stream.TurbineSpeed}, {stream.TurbineSpeed, stream.OutputSpeed},
		{stream.EngineSpeed, stream.OutputSpeed}, {stream.OutputSpeed, stream.VehicleSpeed}, {stream.EngineSpeed, stream.VehicleSpeed}} {
		add(swapped("two speeds swapped", p[0], p[1]))
	}
	add(swapped("pressure and command swapped", stream.ClutchPressure, stream.ClutchPressureCommand))
	for _, r := range speedRoles {
		for _, k := range []float64{2, 0.5, 4, 0.25, 10, 0.1, 0.621, 1.609, 3.6, 1 / 3.6, 32 / 1.8, 1.8 / 32} {
			add(change("one speed scaled", r, fmt.Sprintf("times %.3g", k), func(s *drive.Signal) { s.Scale *= k }))
		}
	}
	for _, r := range commandRoles[:2] {
		for _, k := range []float64{10, 0.1, 6.895, 1 / 6.895} {
			add(change("pressure scaled", r, fmt.Sprintf("times %.3g", k), func(s *drive.Signal) { s.Scale *= k }))
		}
	}
	for _, r := range neededRoles {
		for _, d := range []int{-8, -1, 1, 8} {
			add(change("start bit", r, fmt.Sprintf("moved by %d", d), func(s *drive.Signal) { s.Start = uint8(max(int(s.Start)+d, 0)) }))
		}
		add(change("length", r, "one bit short", func(s *drive.Signal) { s.Length = max(s.Length-1, 1) }))
		add(change("length", r, "one bit long", func(s *drive.Signal) { s.Length++ }))
	}
	for _, r := range append(slices.Clone(speedRoles), stream.ClutchPressureCommand) {
		add(change("byte order", r, "the other way", flipOrder))
		add(change("sign", r, "signed", func(s *drive.Signal) { s.Signed, s.MaxRaw = true, 0 }))
	}
	for _, r := range commandRoles[:2] {
		add(change("command inverted", r, "inverted", func(s *drive.Signal) { s.Offset, s.Scale = 600, -s.Scale }))
	}
	add(change("command inverted", stream.LockupState, "inverted", func(s *drive.Signal) { s.Codes = map[int]int64{0: 2, 1: 1, 2: 0} }))
	add(change("reversed states", stream.Gear, "counted from the top", func(s *drive.Signal) { s.Codes = turnedGears(s.Codes) }))
	add(change("reversed states", stream.Gear, "one too high", func(s *drive.Signal) { s.Codes = movedGears(s.Codes, 1) }))
	add(change("reversed states", stream.Gear, "one too low", func(s *drive.Signal) { s.Codes = movedGears(s.Codes, -1) }))
	add(sharing()...)
	add(factsWrong()...)
	add(logsWrong()...)
	return out
}

func flipOrder(s *drive.Signal) {
	if s.BigEndian {
		s.Start = s.Start/8*8 + 7 - (s.Length-1)%8
		if s.Length > 8 {
			s.Start = s.Start / 8 * 8
		}
	} else {
		s.Start = s.Start/8*8 + min(7, s.Start%8+(s.Length-1)%8)
	}
	s.BigEndian = !s.BigEndian
}

func turnedGears(codes map[int]int64) map[int]int64 {
	top := 0
	for g := range codes {
		if g < stream.GearShifting {
			top = max(top, g)
		}
	}
	out := maps.Clone(codes)
	for g := 1; g <= top; g++ {
		out[g] = codes[top+1-g]
	}
	return out
}

// movedGears says gear g+by where the gearbox says g.
func movedGears(codes map[int]int64, by int) map[int]int64 {
	out := map[int]int64{}
	for g, raw := range codes {
		if g >= 1 {
			g += by
		}
		if _, twice := out[g]; !twice || g != 0 {
			out[g] = raw
		}
	}
	return out
}

func swapped(class string, a, b stream.Role) wrong {
	return wrong{class: class, name: a.String() + " and " + b.String(), layout: func(l *drive.Layout) bool {
		x, y := signalOf(l, a), signalOf(l, b)
		if x == nil || y == nil || l.J1939 {
			return false
		}
		x.Role, y.Role = b, a
		return true
	}}
}

// sharing points one role at another's signal.
func sharing() []wrong {
	var out []wrong
	for _, p := range [][2]stream.Role{{stream.TurbineSpeed, stream.EngineSpeed}, {stream.EngineSpeed, stream.TurbineSpeed},
		{stream.OutputSpeed, stream.TurbineSpeed}, {stream.TurbineSpeed, stream.OutputSpeed}, {stream.ClutchPressure, stream.ClutchPressureCommand},
		{stream.ClutchPressureCommand, stream.ClutchPressure}, {stream.VehicleSpeed, stream.OutputSpeed}, {stream.Accelerator, stream.EngineTorque}} {
		out = append(out, wrong{class: "two roles on one signal", name: p[0].String() + " reads " + p[1].String(), text: func(toml string) string {
			a, b := signalLine(toml, p[0]), signalLine(toml, p[1])
			if a == "" || b == "" {
				return toml
			}
			return strings.Replace(toml, a, b, 1)
		}})
	}
	return out
}

// signalLine is the line of a vehicle file that says what a role's signal is.
func signalLine(toml string, r stream.Role) string {
	_, rest, ok := strings.Cut(toml, fmt.Sprintf("name = %q\n", r.String()))
	if !ok {
		return ""
	}
	line, _, _ := strings.Cut(rest, "\n")
	return line
}

func factsWrong() []wrong {
	var out []wrong
	add := func(class, name string, f func(*drive.Vehicle)) {
		out = append(out, wrong{class: class, name: name, facts: f})
	}
	add("ratios", "in the wrong order", func(v *drive.Vehicle) { slices.Reverse(v.Ratios) })
	add("ratios", "one gear up", func(v *drive.Vehicle) { v.Ratios = append([]float64{v.Ratios[0] * 1.5}, v.Ratios...) })
	add("ratios", "one gear down", func(v *drive.Vehicle) { v.Ratios = v.Ratios[1:] })
	for _, k := range []float64{0.5, 1.2, 2} {
		add("ratios", fmt.Sprintf("times %g", k), func(v *drive.Vehicle) {
			for i := range v.Ratios {
				v.Ratios[i] *= k
			}
		})
	}
	for _, k := range []float64{0.5, 0.7, 1.3, 1.6, 2} {
		add("wrong idle", fmt.Sprintf("times %g", k), func(v *drive.Vehicle) { v.IdleRPM = math.Round(v.IdleRPM * k) })
	}
	for _, k := range []float64{0.621, 1.609, 1.2, 3.6} {
		add("road constant", fmt.Sprintf("times %g", k), func(v *drive.Vehicle) { v.FinalDrive *= k })
	}
	return append(out,
		wrong{class: "bit rate", name: "500", text: func(s string) string { return strings.Replace(s, "bitrate = 500000", "bitrate = 500", 1) }},
		wrong{class: "bit rate", name: "250", text: func(s string) string { return strings.Replace(s, "bitrate = 250000", "bitrate = 250", 1) }})
}

// logsWrong are recordings in which time is not time.
func logsWrong() []wrong {
	times := func(f func(i int, at, last bus.Micros) bus.Micros) func([]bus.Frame) []bus.Frame {
		return func(frames []bus.Frame) []bus.Frame {
			last := frames[len(frames)-1].At
			for i := range frames {
				frames[i].At = f(i, frames[i].At, last)
			}
			return frames
		}
	}
	const class = "log reversed, standing or doubled"
	return []wrong{
		{class: class, name: "lines in reverse", frames: func(f []bus.Frame) []bus.Frame { slices.Reverse(f); return f }},
		{class: class, name: "time in reverse", frames: func(f []bus.Frame) []bus.Frame {
			f = times(func(_ int, at, last bus.Micros) bus.Micros { return last - at })(f)
			slices.Reverse(f)
			return f
		}},
		{class: class, name: "time stands", frames: times(func(int, bus.Micros, bus.Micros) bus.Micros { return 1000 })},
		{class: class, name: "twice in a row", frames: func(f []bus.Frame) []bus.Frame { return append(f, f...) }},
		{class: class, name: "each line twice", frames: func(f []bus.Frame) []bus.Frame {
			out := make([]bus.Frame, 0, 2*len(f))
			for _, x := range f {
				out = append(out, x, x)
			}
			return out
		}},
		{class: class, name: "jumps by three days", frames: times(func(i int, at, last bus.Micros) bus.Micros {
			if at > last/2 {
				return at + 3*86400*bus.Second
			}
			return at
		})},
		{class: class, name: "milliseconds as seconds", frames: times(func(_ int, at, _ bus.Micros) bus.Micros { return at * 1000 })},
		{class: class, name: "seconds as milliseconds", frames: times(func(_ int, at, _ bus.Micros) bus.Micros { return at / 1000 })},
	}
}

// share counts, for one class, what the wrong files and logs did.
type share struct{ tried, harmful, caught int }

// TestReady makes every mistake on every simulated vehicle. One is harmful where
// a finding or a figure differs from the right file's; at least 97 % of those are
// not ready, none that is ready hides a late release, and every right file is
// ready. make readyscore tries them all.
// slowOnBoards leaves out what replays hundreds of drives where -short asks for
// it: an emulated processor takes a quarter of an hour, and the stores that a
// replay leaves are compared there byte by byte.
func slowOnBoards(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("short: replays hundreds of drives")
	}
}

func TestReady(t *testing.T) {
	slowOnBoards(t)
	classes := map[string]*share{}
	var missed, hidden []string
	n := 0
	for _, v := range drive.Vehicles() {
		r := readyDrive(t, v)
		right, _ := tried(t, r, wrong{})
		if !right.ready {
			t.Errorf("%s: the right file is not ready: %q", v.Name, right.says)
		}
		for _, w := range wrongs() {
			if n++; n%*readyEvery != 0 {
				continue
			}
			got, ok := tried(t, r, w)
			if !ok {
				continue
			}
			c := classes[w.class]
			if c == nil {
				c = &share{}
				classes[w.class] = c
			}
			c.tried++
			if maps.Equal(got.lines, right.lines) {
				continue
			}
			c.harmful++
			if !got.ready {
				c.caught++
				continue
			}
			missed = append(missed, fmt.Sprintf("%s: %s: %s", v.Name, w.class, w.name))
			for bad := range right.bad {
				if got.bad[bad] == 0 {
					hidden = append(hidden, fmt.Sprintf("%s: %s: %s hides %s", v.Name, w.class, w.name, bad))
				}
			}
		}
	}
	judgeReady(t, classes, missed, hidden)
}

func judgeReady(t *testing.T, classes map[string]*share, missed, hidden []string) {
	t.Helper()
	names := slices.Collect(maps.Keys(classes))
	part := func(c *share) float64 { return float64(c.caught) / float64(max(c.harmful, 1)) }
	slices.SortFunc(names, func(a, b string) int {
		if d := part(classes[a]) - part(classes[b]); d != 0 {
			return int(math.Copysign(1, d))
		}
		return strings.Compare(a, b)
	})
	var all share
	t.Logf("%-36s %6s %8s %7s", "class", "tried", "harmful", "caught")
	for _, n := range names {
		c := classes[n]
		all.tried, all.harmful, all.caught = all.tried+c.tried, all.harmful+c.harmful, all.caught+c.caught
		if c.harmful > 0 {
			t.Logf("%-36s %6d %8d %5.0f %%", n, c.tried, c.harmful, 100*part(c))
		} else {
			t.Logf("%-36s %6d %8d       -", n, c.tried, c.harmful)
		}
	}
	t.Logf("%-36s %6d %8d %5.1f %%", "all", all.tried, all.harmful, 100*part(&all))
	for _, m := range missed {
		t.Logf("missed: %s", m)
	}
	for _, h := range hidden {
		t.Errorf("false all-clear: %s", h)
	}
	if part(&all) < 0.97 {
		t.Errorf("%.1f %% of the harmful ones are caught, want 97", 100*part(&all))
	}
}

// A worn vehicle is wired as it should be: whatever happens in a drive, physics
// says nothing against the right file.
func TestReadySaysNothingAgainstRightFiles(t *testing.T) {
	slowOnBoards(t)
	n := 0
	for _, set := range []drive.Set{drive.Tuning, drive.Scoring} {
		for _, c := range drive.Library(set) {
			if n++; n%(4**readyEvery) != 0 && *readyEvery > 1 {
				continue
			}
			if c.Kind == "frames-lost" || c.Kind == "not-available" {
				continue // the one is the computer's, the other no right file where a code reads as a number
			}
			sc := c.Scenario
			sc.NoLog, sc.NoTrace = true, true
			r, err := drive.Run(sc)
			if err != nil {
				t.Fatal(err)
			}
			got, _ := tried(t, r, wrong{})
			for _, s := range got.says {
				if !strings.HasSuffix(s, ": not seen") {
					t.Errorf("%s: %s", c.Name, s)
				}
			}
		}
	}
}

// Vehicles whose physics the proofs were not made with: their right files are ready
// too, after ten minutes of ordinary driving.
func TestReadyOnTheSecondFamily(t *testing.T) {
	slowOnBoards(t)
	for _, set := range []drive.Set{drive.Tuning, drive.Scoring} {
		for k, v := range elastic.Vehicles(set) {
			if *readyEvery > 1 && k%4 != 0 {
				continue
			}
			trip := elastic.Normal(set, k, 3, 600)
			sim, err := elastic.New(trip)
			if err != nil {
				t.Fatal(err)
			}
			var frames []bus.Frame
			for {
				f, ok := sim.Next()
				if !ok {
					break
				}
				frames = append(frames, f...)
			}
			texts, names, toml := v.Files(sim.Layout())
			dir := t.TempDir()
			for i, text := range append(texts, toml) {
				if err := os.WriteFile(filepath.Join(dir, append(names, "vehicle.toml")[i]), []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			settings := detect.DefaultSettings()
			file, err := vehicle.Load(filepath.Join(dir, "vehicle.toml"), &settings)
			if err != nil {
				t.Fatal(err)
			}
			c, err := newChecker(&host{log: zerolog.Nop()}, file, settings)
			if err != nil {
				t.Fatal(err)
			}
			for i := range frames {
				if err := c.push(&frames[i]); err != nil {
					t.Fatal(err)
				}
			}
			c.stream.Flush(c)
			c.monitor.Flush()
			if rep := c.judge(file, (c.last - c.first).Seconds(), nil, true); rep.Attention > 0 {
				t.Errorf("%s: %q", v.Name, rep.complaints())
			}
		}
	}
}
