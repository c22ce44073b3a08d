package detect_test

import (
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

// catch keeps what a monitor says.
type catch struct {
	findings    []detect.Finding
	percentiles [][]detect.Percentile
	account     *detect.Account
	accounts    func(*detect.Account) // nil, or takes each
}

func (c *catch) Finding(f *detect.Finding, p []detect.Percentile) {
	if !detect.Declared(f) {
		panic("a finding that its spec does not declare: " + f.Kind + " " + f.Class.String())
	}
	noteEmitted(f)
	c.findings = append(c.findings, *f)
	c.percentiles = append(c.percentiles, p)
}
func (c *catch) Account(a *detect.Account) {
	c.account = a
	if c.accounts != nil {
		c.accounts(a)
	}
}

func (c *catch) of(kind string) []detect.Finding {
	var out []detect.Finding
	for _, f := range c.findings {
		if f.Kind == kind {
			out = append(out, f)
		}
	}
	return out
}

// classes are those of the findings of a kind.
func (c *catch) classes(kind string) []detect.Class {
	var out []detect.Class
	for _, f := range c.of(kind) {
		out = append(out, f.Class)
	}
	return out
}

// hand feeds a monitor with rows made by hand, one every 20 ms.
type hand struct {
	t    testing.TB
	m    *detect.Monitor
	plan *stream.Plan
	got  *catch
	at   bus.Micros
	// what the next rows hold
	engine, turbine, kmh, pedal, command float64
	gear                                 float64
	hasCommand, hasPedal                 bool
	duty                                 bool // the command is a duty in %, not a pressure
	step                                 bus.Micros
	tol                                  float64
	mute                                 []stream.Role // not in the rows
	beside                               map[stream.Role]float64
	row                                  stream.Row
	sample                               [1]stream.Sample
}

func newHand(t testing.TB, set detect.Settings, roles ...stream.Role) *hand {
	p := &stream.Plan{Facts: stream.Facts{IdleRPM: 700, Ratios: map[int]float64{1: 4, 2: 2.4, 3: 1.5}, OutputPerKmh: 25}}
	for _, r := range roles {
		p.Messages = append(p.Messages, stream.Message{Signals: []stream.Signal{{Role: r}}})
	}
	h := &hand{t: t, plan: p, got: &catch{}, step: 20_000, engine: 700, hasPedal: true, gear: 3}
	for _, r := range roles {
		h.duty = h.duty || r == stream.ClutchCommand
		h.hasCommand = h.hasCommand || h.duty || r == stream.ClutchPressureCommand
	}
	h.m = detect.New(set, p, h.got)
	return h
}

// run makes rows for some seconds; each may change the values, given the
// seconds since the start of the run.
func (h *hand) run(seconds float64, change func(s float64)) {
	from := h.at
	for (h.at - from).Seconds() < seconds {
		h.at += h.step
		if change != nil {
			change((h.at - from).Seconds())
		}
		r := &h.row
		*r = stream.Row{At: h.at}
		put := func(role stream.Role, v float64) {
			r.Known |= 1 << role
			r.V[role] = v
			r.Prev[role], r.Next[role] = h.at, h.at
		}
		put(stream.EngineSpeed, h.engine)
		put(stream.TurbineSpeed, h.turbine)
		put(stream.VehicleSpeed, h.kmh)
		put(stream.Gear, h.gear)
		if h.hasPedal {
			put(stream.Accelerator, h.pedal)
		}
		if h.hasCommand {
			by := stream.ClutchPressureCommand
			if h.duty {
				by = stream.ClutchCommand
			}
			put(by, h.command)
			h.sample[0] = stream.Sample{At: h.at, Role: by, OK: true, Value: h.command}
			h.m.Samples(h.sample[:])
		}
		if h.tol > 0 {
			r.Derived |= 1 << stream.TurbineSpeed
			r.Tol[stream.TurbineSpeed] = h.tol
		}
		for role, v := range h.beside {
			put(role, v)
		}
		for _, x := range h.mute {
			r.Known &^= 1 << x
		}
		h.m.Row(r)
	}
}

// drive takes the vehicle to 60 km/h in gear 3 with the clutch closed.
func (h *hand) drive() {
	h.engine, h.turbine, h.kmh, h.pedal, h.command = 700, 0, 0, 0, 0
	h.run(3, nil)
	h.pullAway()
	h.command = h.holding()
	h.run(0.4, func(s float64) { h.engine = h.turbine + 200*(1-s/0.4) })
	h.run(5, func(s float64) { h.engine = h.turbine })
}

// holding is a command at which the clutch holds.
func (h *hand) holding() float64 {
	if h.duty {
		return 80
	}
	return 400
}

// pullAway takes the vehicle to 60 km/h with the clutch open.
func (h *hand) pullAway() {
	h.run(5, func(s float64) {
		h.pedal = 20
		h.kmh = 12 * s
		h.turbine = h.kmh * 37.5
		h.engine = max(h.turbine+200, 1000)
	})
}

// halt brings the vehicle to a stop in 4 s with the clutch open.
func (h *hand) halt() {
	h.pedal = 0
	from := h.turbine
	h.run(4, func(s float64) {
		h.turbine = max(0, from*(1-s/4))
		h.kmh = h.turbine / 37.5
		h.command = 0
		h.engine = 700
	})
}

// stop slows down at 300 rpm/s of the turbine, with the command falling after
// 4 s and the speeds apart a lag later.
func (h *hand) stop(lag float64) {
	const fall = 4.0
	from := h.turbine
	h.pedal = 0
	h.run(8.5, func(s float64) {
		h.turbine = max(0, from-300*s)
		h.kmh = h.turbine / 37.5
		h.command = h.holding()
		if s > fall {
			h.command = 0
		}
		switch {
		case s <= fall+lag:
			h.engine = h.turbine
		default:
			// Parted, the engine returns to idle.
			h.engine += (700 - h.engine) * 0.1
		}
	})
	h.run(3, nil)
}

func (h *hand) only(kind string) detect.Finding {
	h.t.Helper()
	fs := h.got.of(kind)
	if len(fs) != 1 {
		h.t.Fatalf("%d findings of %s, expected one: %+v", len(fs), kind, fs)
	}
	return fs[0]
}

func get(t testing.TB, f *detect.Finding, name string) float64 {
	t.Helper()
	v, ok := f.Get(name)
	if !ok {
		t.Fatalf("%s has no %s: %v", f.Kind, name, f.Measures)
	}
	return v
}

func TestReleaseLagIsMeasured(t *testing.T) {
	for _, c := range []struct {
		lag   float64
		class string
	}{{0.1, "normal"}, {0.3, "normal"}, {0.7, "late"}, {1.2, "late"}} {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		h.drive()
		h.stop(c.lag)
		h.m.Flush()
		f := h.only(detect.KindReleaseLag)
		if f.Class.String() != c.class {
			t.Errorf("lag %.1f s: class %s, expected %s", c.lag, f.Class, c.class)
		}
		if lag := get(t, &f, "lag_s"); math.Abs(lag-c.lag) > 0.040 {
			t.Errorf("lag %.3f s, expected %.3f", lag, c.lag)
		}
		if lo, hi := get(t, &f, "lag_min_s"), get(t, &f, "lag_max_s"); lo > c.lag || hi < c.lag {
			t.Errorf("lag %.3f s outside [%.3f, %.3f]", c.lag, lo, hi)
		}
		if a := h.got.account; a.Stops != 1 || a.StopsObserved != 1 || !a.Ended {
			t.Errorf("%d stops, %d observed, ended %v", a.Stops, a.StopsObserved, a.Ended)
		}
	}
}

// With the turbine below idle and the speeds still together the engine is
// dragged down; where they stay together until it dies, that is a stall.
func TestDraggingAndStall(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
	h.drive()
	h.stop(2.7) // the turbine has then fallen to 540
	f := h.only(detect.KindReleaseLag)
	if f.Class != detect.ReleaseDragging {
		t.Errorf("class %s, expected dragging", f.Class)
	}
	h = newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
	h.drive()
	h.stop(9)
	h.m.Flush()
	f = h.only(detect.KindReleaseLag)
	if f.Class != detect.ReleaseStall {
		t.Errorf("class %s, expected stall", f.Class)
	}
}

// A state that is reported after the plates have let go, in a gear change that is told
// just then, hides no engine that was drawn below idle before: the speeds had parted by
// the time the state fell. One that follows an open converter at idle is none.
func TestDraggingBeforeAReportedState(t *testing.T) {
	// The gear is told with the separation, or once the speeds are off each other.
	for _, x := range []struct{ parted, geared float64 }{{6.1, 0}, {6.1, 0.05}, {3, 0}} {
		parted, h := x.parted, newHand(t, detect.DefaultSettings(), stream.LockupState)
		told := func(v float64) {
			h.beside = map[stream.Role]float64{stream.LockupState: v}
			h.m.Samples([]stream.Sample{{At: h.at, Role: stream.LockupState, OK: true, Value: v}})
		}
		told(stream.LockupOpen)
		h.drive()
		told(stream.LockupClosed)
		h.run(5, func(s float64) {
			h.turbine = 2250 + 100*math.Sin(s)
			h.engine = h.turbine
			told(stream.LockupClosed)
		})
		from := h.turbine
		h.pedal = 0
		h.run(9, func(s float64) {
			h.turbine = max(0, from-300*s)
			h.kmh = h.turbine / 37.5
			if s <= parted {
				h.engine = h.turbine
			} else {
				h.engine += (700 - h.engine) * 0.1
			}
			if s > parted+x.geared {
				h.gear = 2
			}
			if s > parted+0.15 {
				told(stream.LockupOpen)
			} else {
				told(stream.LockupClosed)
			}
		})
		h.run(3, func(float64) { told(stream.LockupOpen) })
		h.m.Flush()
		dragging := false
		for _, c := range h.got.classes(detect.KindReleaseLag) {
			dragging = dragging || c == detect.ReleaseDragging
		}
		if want := parted > 5.5; dragging != want {
			t.Errorf("parted after %g s, the gear %g s later: %v, want dragging %v", parted, x.geared, h.got.classes(detect.KindReleaseLag), want)
		}
	}
}

// An engine that stops itself at a standstill, long after the speeds have
// parted, has not stalled, and the drive goes on.
func TestStopStartIsNoStall(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
	h.plan.Facts.StopStart = true
	h.drive()
	h.stop(0.1)
	h.run(20, func(float64) { h.engine = 0 })
	h.run(3, func(float64) { h.engine = 700 })
	h.m.Flush()
	if f := h.only(detect.KindReleaseLag); f.Class != detect.Normal {
		t.Errorf("class %s, expected normal", f.Class)
	}
	if h.got.account.Drive != 1 {
		t.Errorf("drive %d: the engine's own stop has ended the drive", h.got.account.Drive)
	}
}

// In a stop with the clutch open all along, the turbine passes through engine
// speed. That crossing is no closed clutch, and no release.
func TestZeroCrossingIsNotClosed(t *testing.T) {
	for _, command := range []bool{true, false} {
		var roles []stream.Role
		if command {
			roles = append(roles, stream.ClutchPressureCommand)
		}
		h := newHand(t, detect.DefaultSettings(), roles...)
		h.engine, h.kmh, h.gear = 700, 0, 3
		h.run(5, nil)
		h.run(5, func(s float64) { h.pedal, h.kmh, h.turbine, h.engine = 20, 8*s, 300*s, 300*s+300 })
		h.pedal = 0
		h.run(8, func(s float64) {
			h.turbine = max(0, 1500-200*s)
			h.kmh = h.turbine / 37.5
			h.engine += (700 - h.engine) * 0.02
		})
		h.run(2, nil)
		h.m.Flush()
		if fs := h.got.of(detect.KindReleaseLag); len(fs) != 0 {
			t.Errorf("command known %v: %+v", command, fs)
		}
		a := h.got.account
		if a.ClosedS+a.CoastS+a.PartialS > 0.3 {
			t.Errorf("command known %v: %.2f s engaged of %.2f", command, a.ClosedS+a.CoastS+a.PartialS, a.MovingS)
		}
	}
}

// Without any command the lag is an upper bound from the last certain instant,
// and the lag itself is not given.
func TestNoCommandGivesAnUpperBound(t *testing.T) {
	h := newHand(t, detect.DefaultSettings())
	h.drive()
	h.stop(0.7)
	h.m.Flush()
	f := h.only(detect.KindReleaseLag)
	if _, ok := f.Get("lag_s"); ok {
		t.Error("a lag without any command")
	}
	if hi := get(t, &f, "lag_max_s"); hi < 0.7 {
		t.Errorf("upper bound %.3f s is below the truth", hi)
	}
	if get(t, &f, "lag_min_s") != 0 {
		t.Error("a lower bound without any command")
	}
	if len(f.MissingInputs) == 0 || f.MissingInputs[0] != "clutch_pressure_command" {
		t.Errorf("missing inputs %v", f.MissingInputs)
	}
	if f.Class != detect.Normal {
		t.Errorf("class %s: whether it was late cannot be known", f.Class)
	}
}

// A turbine that stands still at the release tells nothing: the stop is not
// observed, and nothing is claimed.
func TestUnobservableReleaseIsNotClaimed(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
	h.drive()
	h.pedal = 0
	h.command = 0
	h.run(1.5, nil) // together by chance, at constant speed
	h.run(4, func(s float64) { h.engine = max(700, h.turbine-400*s) })
	h.run(6, func(s float64) { h.turbine = max(0, 2250-400*s); h.kmh = h.turbine / 37.5 })
	h.m.Flush()
	if fs := h.got.of(detect.KindReleaseLag); len(fs) != 0 {
		t.Errorf("%+v", fs)
	}
	for _, c := range h.got.account.Opportunities {
		if c.Kind == detect.KindReleaseLag && (c.Seen != 1 || c.Observable != 0 || c.Hits != 0) {
			t.Errorf("opportunities %+v", c)
		}
	}
}

// A release counts as observed where a later one would have been recognised: in
// an ordinary stop it would, and where the turbine stands still it would not.
func TestReleaseIsObservedByItsOwnTest(t *testing.T) {
	for _, moving := range []bool{true, false} {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		h.drive()
		if moving {
			h.stop(0.1)
		} else {
			h.pedal, h.command = 0, 0
			h.run(0.1, nil)
			h.run(10, func(s float64) { h.engine = max(700, h.turbine-400*s) })
		}
		h.m.Flush()
		x := h.got.account.ReleaseTrials
		want := detect.ReleaseTrials{Releases: 1}
		if moving {
			want = detect.ReleaseTrials{Releases: 1, LaterHalfS: 1, Later1S: 1, Later2S: 1}
		}
		if x != want {
			t.Errorf("turbine moving %v: %+v, expected %+v", moving, x, want)
		}
	}
}

// Zero slip held under the pedal is a closed clutch, without any command and
// without the turbine moving; slip of an open converter is not.
func TestCruiseProvesAClosedClutch(t *testing.T) {
	for _, slip := range []float64{0, 25} {
		h := newHand(t, detect.DefaultSettings())
		h.kmh, h.pedal = 80, 15
		h.turbine, h.engine = 2000, 2000+slip
		h.run(60, nil)
		h.m.Flush()
		a := h.got.account
		if closed := a.ClosedS > 55; closed != (slip == 0) {
			t.Errorf("slip %.0f rpm: closed for %.1f of %.1f s", slip, a.ClosedS, a.MovingS)
		}
	}
}

// A cruise takes no more for closed than its own time: that a converter had been open
// before it stays unknown.
func TestCruiseTakesItsOwnTimeOnly(t *testing.T) {
	h := newHand(t, detect.DefaultSettings())
	h.kmh, h.pedal = 80, 60
	h.turbine, h.engine = 2000, 2200
	h.run(30, nil)
	for range 10 {
		h.pedal, h.engine = 15, 2000
		h.run(3, nil)
		h.pedal = 0
		h.run(1, nil)
	}
	h.m.Flush()
	if a := h.got.account; a.UnknownS < 28 {
		t.Errorf("unknown for %.1f s, closed for %.1f s: 30 s with 200 rpm of slip", a.UnknownS, a.ClosedS)
	}
}

// Where neither command nor gear is known, slip that dies away is an apply or a shift.
func TestSlipThatDiesAway(t *testing.T) {
	for _, least := range []float64{2, 90} {
		h := newHand(t, detect.DefaultSettings())
		h.mute = []stream.Role{stream.Gear}
		h.drive()
		h.pedal = 40
		h.run(6, func(s float64) { h.turbine += 1; h.engine = h.turbine; h.kmh = h.turbine / 37.5 })
		h.run(4.5, func(s float64) { h.engine = h.turbine + least + (190-least)*(1-s/4.5) })
		h.run(3, func(s float64) { h.engine = h.turbine })
		h.m.Flush()
		if n := len(h.got.of(detect.KindHillSlip)); n > 0 != (least > 50) {
			t.Errorf("down to %g rpm: told %d times", least, n)
		}
	}
}

// An engine that was let go long before comes back to its idle as the turbine falls, and
// below it: that is no clutch that drags.
func TestEngineComingToIdleDragsNothing(t *testing.T) {
	h := newHand(t, detect.DefaultSettings())
	h.drive()
	h.pedal = 0
	from := h.turbine
	h.run(4.5, func(s float64) { h.turbine = from - 310*s; h.kmh, h.engine = h.turbine/37.5, h.turbine-80*min(s, 1) })
	h.run(1.1, func(s float64) { h.turbine = from - 310*(4.5+s); h.kmh, h.engine = h.turbine/37.5, h.turbine+4*s-3 })
	at, engine := h.turbine, h.engine
	h.run(3, func(s float64) {
		h.turbine = max(0, at-310*s)
		h.kmh, h.engine = h.turbine/37.5, min(700, engine+200*s)
	})
	h.m.Flush()
	for _, f := range h.got.of(detect.KindReleaseLag) {
		if f.Class != detect.Normal {
			t.Errorf("%s: %+v", f.Class, f.Measures)
		}
	}
}

// Slip that the command asked for, and slip that it did not.
func TestHillSlipAskedAndUnasked(t *testing.T) {
	for _, c := range []struct {
		command float64
		class   string
	}{{330, "asked"}, {400, "unasked"}, {430, "unasked"}} {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		h.drive()
		h.pedal = 40
		h.run(5, nil)
		h.command = c.command
		h.run(8, func(s float64) { h.engine = h.turbine + min(100, 200*s) })
		h.command = 400
		h.run(3, func(s float64) { h.engine = h.turbine })
		h.m.Flush()
		f := h.only(detect.KindHillSlip)
		if f.Class.String() != c.class {
			t.Errorf("command %v kPa: class %s, expected %s", c.command, f.Class, c.class)
		}
		if mean := get(t, &f, "slip_mean_rpm"); math.Abs(mean-97.4) > 3 {
			t.Errorf("mean slip %.1f rpm, expected 97.4", mean)
		}
	}
	// Without any command it stays open which it was.
	h := newHand(t, detect.DefaultSettings())
	h.drive()
	h.pedal = 40
	h.run(6, func(s float64) { h.turbine += 1; h.engine = h.turbine; h.kmh = h.turbine / 37.5 })
	h.run(8, func(s float64) { h.engine = h.turbine + min(100, 200*s) })
	h.run(3, func(s float64) { h.engine = h.turbine })
	h.m.Flush()
	if f := h.only(detect.KindHillSlip); f.Class.String() != "unknown" {
		t.Errorf("class %s without a command", f.Class)
	}
}

// A controller that keeps a little slip under load tells the clutch as much as that
// takes: more than held it with less. It is the same load with no less command that
// shows a clutch which no longer carries it.
func TestSlipRegulatedByLoad(t *testing.T) {
	for _, c := range []struct {
		pedal, command float64
		class          string
	}{{40, 200, "asked"}, {60, 260, "asked"}, {20, 200, "unasked"}, {20, 140, "unasked"}} {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		h.command = 300 // in overrun it is held with more
		h.drive()
		h.pedal = 20
		h.command = 140
		h.run(8, nil)
		h.pedal, h.command = c.pedal, c.command
		h.run(8, func(s float64) { h.engine = h.turbine + min(35, 200*s) })
		h.pedal, h.command = 20, 140
		h.run(3, func(s float64) { h.engine = h.turbine })
		h.m.Flush()
		if f := h.only(detect.KindHillSlip); f.Class.String() != c.class {
			t.Errorf("%v kPa at %v %% of pedal: class %s, want %s", c.command, c.pedal, f.Class, c.class)
		}
	}
}

// A lining that grips and slips takes the slip under the limit for most of a second:
// that is one stretch. What is half of the limit or less on the whole is none.
func TestSlipThatComesAndGoes(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      int
	}{{10, 34, 1}, {0, 34, 0}, {9, 17, 0}} {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		h.drive()
		h.pedal = 40
		h.run(5, nil)
		h.run(12, func(s float64) {
			h.engine = h.turbine + c.high
			if math.Mod(s, 2.4) > 1.5 {
				h.engine = h.turbine + c.low
			}
		})
		h.run(3, func(s float64) { h.engine = h.turbine })
		h.m.Flush()
		n := len(h.got.of(detect.KindHillSlip))
		if n != c.want {
			t.Errorf("slip of %g and %g rpm: told %d times, want %d", c.low, c.high, n, c.want)
		}
	}
}

// Without a command the speeds that go from one gear to the other together tell a clutch
// that closed just before; an open one does not follow. Plates that slip may be either:
// seen, and not observable.
func TestShiftTellsThatTheClutchWasOn(t *testing.T) {
	for _, c := range []struct {
		slip         float64
		want, untold int
	}{{0, 1, 0}, {180, 0, 1}, {420, 0, 0}} {
		h := newHand(t, detect.DefaultSettings())
		h.engine, h.gear = 700, 2
		h.run(3, nil)
		slip := 200.0
		drive := func(from, by float64) func(s float64) {
			return func(s float64) {
				h.pedal, h.turbine = 20, from+by*s
				h.kmh = h.turbine / 37.5 * h.gear / 2
				h.engine = max(h.turbine+slip, 1000)
			}
		}
		h.run(5, drive(0, 360))
		was := slip
		h.run(0.3, func(s float64) { slip = was + (c.slip-was)*s/0.3; drive(1800, 360)(s) })
		h.run(0.35, drive(1908, -1500))
		h.gear = 3
		h.run(3, drive(1383, 150))
		h.m.Flush()
		if n := len(h.got.of(detect.KindShift)); n != c.want {
			t.Errorf("slip of %g rpm: told %d times, want %d", c.slip, n, c.want)
		}
		for _, o := range h.got.account.Opportunities {
			if o.Kind == detect.KindShift && int(o.Seen-o.Observable) != c.untold {
				t.Errorf("slip of %g rpm: %d seen, %d observable", c.slip, o.Seen, o.Observable)
			}
		}
	}
}

// Where only the gear is told, and before the command falls, the shift opened it still.
func TestShiftOpensAfterTheGearIsTold(t *testing.T) {
	for _, c := range []struct {
		least float64
		class string
	}{{0, "opened"}, {300, "normal"}} {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		h.drive()
		h.pedal, h.gear = 40, 2
		h.run(4, nil)
		h.gear = 3
		h.run(0.1, nil)
		h.command = c.least
		h.run(0.5, func(s float64) { h.engine = h.turbine + 300*min(1, 4*s) })
		h.command = 400
		h.run(3, func(s float64) { h.engine = h.turbine + max(0, 300-600*s) })
		h.m.Flush()
		of := h.got.of(detect.KindShift)
		if n := len(of); n == 0 || of[n-1].Class.String() != c.class {
			t.Errorf("command down to %v kPa: %v, want %s", c.least, of, c.class)
		}
	}
}

// Regulated slip under little load is what an open converter has too: the bounds of the
// lockup fraction leave it open. Under load they do not.
func TestLittleLoadLeavesTheFractionOpen(t *testing.T) {
	edge := func(pedal float64) float64 {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		h.drive()
		h.pedal = pedal
		h.command = 330
		h.run(10, func(s float64) { h.engine = h.turbine + min(40, 100*s) })
		h.m.Flush()
		return h.got.account.EdgeS
	}
	if more := edge(15) - edge(40); more < 8 || more > 10.5 {
		t.Errorf("%.1f s more are left open under little load, want about 10", more)
	}
}

func TestAccountAddsUp(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
	h.drive()
	h.stop(0.1)
	h.m.Flush()
	a := h.got.account
	sum := a.ClosedS + a.PartialS + a.CoastS + a.OpenS + a.UnknownS
	if math.Abs(sum-a.MovingS) > 0.01 || a.MovingS < 15 {
		t.Errorf("states add up to %.3f s of %.3f moving", sum, a.MovingS)
	}
	by := map[string]float64{}
	for _, b := range a.Bands {
		by[b.Of] += b.Closed + b.Partial + b.Coast + b.Open + b.Unknown
	}
	for _, of := range []string{"gear", "speed_kmh", "temperature_c"} {
		if math.Abs(by[of]-a.MovingS) > 0.02 {
			t.Errorf("bands of %s add up to %.3f s of %.3f", of, by[of], a.MovingS)
		}
	}
}

func TestMarkIsKept(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
	h.drive()
	n := bus.NewNotice(h.at, 0, bus.NoticeMark, 1)
	h.m.Notice(&n)
	n = bus.NewNotice(h.at+bus.Second, 0, bus.NoticeMark, 1)
	h.m.Notice(&n) // the same press
	f := h.only(detect.KindMark)
	if !f.Keep || f.Severity < 0.5 {
		t.Errorf("keep %v, severity %v", f.Keep, f.Severity)
	}
}

// The vehicle's own normal survives being written and read, and the same
// values give the same bytes.
func TestHistoryRoundTrip(t *testing.T) {
	make := func() *hand {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		for range 3 {
			h.drive()
			h.stop(0.1)
		}
		h.m.Flush()
		return h
	}
	a, b := make(), make()
	kept := a.m.History()
	if string(kept) != string(b.m.History()) {
		t.Error("the same drive gives other bytes")
	}
	c := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
	if err := c.m.LoadHistory(kept); err != nil {
		t.Fatal(err)
	}
	if string(c.m.History()) != string(kept) {
		t.Error("history changes by being read")
	}
	c.drive()
	c.stop(0.3)
	found := false
	for i, f := range c.got.findings {
		if f.Kind == detect.KindReleaseLag {
			found = true
			if p := c.got.percentiles[i]; len(p) != 1 || p[0].Measure != "lag_s" || p[0].N != 3 || p[0].Share != 1 {
				t.Errorf("place %+v, expected above all 3", p)
			}
		}
	}
	if !found {
		t.Error("no release")
	}
	for _, bad := range []string{"{", `{"version":9}`, `{"version":1,"of":[{"measure":"lag_s","sketch":"AAAA"}]}`} {
		if err := c.m.LoadHistory([]byte(bad)); err == nil {
			t.Errorf("%q was taken for a history", bad)
		}
	}
	if string(c.m.History()) == "" || c.m.LoadHistory(nil) != nil {
		t.Error("an empty history is no error")
	}
}

// A night between two rows ends the drive where it was last heard of.
func TestLongGapEndsTheDrive(t *testing.T) {
	h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
	h.drive()
	last := h.at
	var ends []detect.Account
	h.at += 8 * 3600 * bus.Second
	h.run(0.02, nil)
	ends = append(ends, *h.got.account)
	h.run(12, nil)
	h.m.Flush()
	if !ends[0].Ended || ends[0].Drive != 1 || ends[0].End != last {
		t.Errorf("drive %d ended %v at %d, expected the first at %d", ends[0].Drive, ends[0].Ended, ends[0].End, last)
	}
	if a := h.got.account; a.Drive != 2 || a.EngineOnS > 13 {
		t.Errorf("drive %d of %.1f s, expected the second of 12", a.Drive, a.EngineOnS)
	}
}

// What is not asked for falls silent, and that is no finding; what falls silent
// while it is asked for is one, and so is another bus's.
func TestNothingIsStaleThatIsNotAsked(t *testing.T) {
	for _, tt := range []struct {
		name  string
		match stream.Match
		code  bus.NoticeCode
		on    uint8
		want  int
	}{
		{"paused", stream.MatchAnswer, bus.NoticeNotAsking, 0, 0},
		{"asked", stream.MatchAnswer, bus.NoticeAsking, 0, 1},
		{"another bus", stream.MatchAnswer, bus.NoticeNotAsking, 1, 1},
		{"broadcast", stream.MatchID, bus.NoticeNotAsking, 0, 1},
	} {
		set := detect.DefaultSettings()
		p := &stream.Plan{Facts: stream.Facts{IdleRPM: 700}}
		for _, r := range []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.VehicleSpeed} {
			p.Messages = append(p.Messages, stream.Message{Signals: []stream.Signal{{Role: r}}})
		}
		p.Messages = append(p.Messages, stream.Message{Match: tt.match, Signals: []stream.Signal{{Role: stream.ClutchPressureCommand}}})
		h := &hand{t: t, plan: p, got: &catch{}, step: 20_000, engine: 700, gear: 3, hasCommand: true}
		h.m = detect.New(set, p, h.got)
		h.drive()
		h.hasCommand = false
		n := bus.NewNotice(h.at, tt.on, tt.code, 0)
		h.m.Notice(&n)
		h.run(20, nil)
		n = bus.NewNotice(h.at, tt.on, bus.NoticeAsking, 0)
		h.m.Notice(&n)
		h.run(3, nil)
		h.hasCommand = true
		h.run(5, nil)
		h.m.Flush()
		if got := len(h.got.of(detect.KindRoleStale)); got != tt.want {
			t.Errorf("%s: %d findings, want %d", tt.name, got, tt.want)
		}
	}
}

// What fell silent before asking paused is told, as long as it was until then.
func TestSilenceBeforeAPauseIsTold(t *testing.T) {
	p := &stream.Plan{Facts: stream.Facts{IdleRPM: 700}}
	for _, r := range []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.VehicleSpeed} {
		p.Messages = append(p.Messages, stream.Message{Signals: []stream.Signal{{Role: r}}})
	}
	p.Messages = append(p.Messages, stream.Message{Match: stream.MatchAnswer, Signals: []stream.Signal{{Role: stream.ClutchPressureCommand}}})
	h := &hand{t: t, plan: p, got: &catch{}, step: 20_000, engine: 700, gear: 3, hasCommand: true}
	h.m = detect.New(detect.DefaultSettings(), p, h.got)
	h.drive()
	h.hasCommand = false
	h.run(10, nil)
	n := bus.NewNotice(h.at, 0, bus.NoticeNotAsking, 0)
	h.m.Notice(&n)
	h.run(20, nil)
	h.m.Flush()
	f := h.only(detect.KindRoleStale)
	if long, _ := f.Get("duration_s"); math.Abs(long-10) > 0.5 {
		t.Errorf("%g s, want 10", long)
	}
}

// A regulated command that drifts over a fifth of the highest is no release, be
// the levels learned by then or not.
func TestRegulatedCommandDriftsLow(t *testing.T) {
	for _, learned := range []bool{false, true} {
		h := newHand(t, detect.DefaultSettings(), stream.ClutchPressureCommand)
		h.run(8, nil) // in gear at a standstill
		h.drive()
		if learned {
			h.run(30, nil)
		}
		regulated := func(s float64) {
			h.command = max(60, 400-60*s)
			h.engine = h.turbine + min(30, 20*s)
		}
		h.run(20, regulated)
		h.run(20, func(s float64) { h.command = 70 + 30*math.Sin(s) })
		h.stop(0.1)
		h.m.Flush()
		if n := len(h.got.of(detect.KindReleaseLag)); n != 1 {
			t.Errorf("learned %v: %d releases found, expected that of the stop", learned, n)
		}
		if n := len(h.got.of(detect.KindApply)); n > 1 {
			t.Errorf("learned %v: %d applies found, expected the one before the cruise", learned, n)
		}
		if a := h.got.account; a.PartialS < 35 {
			t.Errorf("learned %v: partial for %.1f s, expected the 40 s that slip was regulated", learned, a.PartialS)
		}
	}
}
