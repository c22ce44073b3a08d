package detect

import (
	"math"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect/chain"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// moments plays rows 20 ms apart from 1 s on; each is what set makes of it so many
// seconds after the first.
func moments(seconds float64, set func(s float64, m *state.Moment), row func(m *state.Moment)) {
	for ms := 0; float64(ms) <= 1000*seconds; ms += 20 {
		at := bus.Micros(1_000_000 + 1000*ms)
		m := &state.Moment{Row: &stream.Row{At: at}, At: at, DtS: 0.02, Running: true}
		set(float64(ms)/1000, m)
		row(m)
	}
}

func put(m *state.Moment, role stream.Role, v float64) {
	m.Row.V[role], m.Row.Known = v, m.Row.Known|1<<role
	m.Row.Prev[role], m.Row.Next[role] = m.At, m.At
}

// The steps of an apply by hand: pressure rises 200 kPa/s and passes 250 kPa 1.25 s
// after the first row; slip stands at 300 rpm for a second and then falls 200 rpm/s,
// so that it has come down by 8 % after 0.12 s more.
func TestApplySteps(t *testing.T) {
	play := func(hold chain.Hold, slip func(s float64) float64) *applySteps {
		var a applySteps
		a.begin(hold)
		moments(2, func(s float64, m *state.Moment) {
			put(m, stream.ClutchPressure, 200*s)
			m.SlipRPM = slip(s)
		}, a.row)
		return &a
	}
	falls := func(s float64) float64 { return 300 - 200*max(0, s-1) }
	a := play(chain.Hold{Known: true, LowKPa: 240, HighKPa: 250}, falls)
	if s := (a.filled.At - bus.Second).Seconds(); !a.isFilled || math.Abs(s-1.26) > 0.021 || a.filled.Early > a.filled.At || a.filled.Late < a.filled.At {
		t.Errorf("filled %v: %+v", a.isFilled, a.filled)
	}
	if early, late := (a.touched.Early - bus.Second).Seconds(), (a.touched.Late - bus.Second).Seconds(); !a.touches || math.Abs(early-1) > 0.021 || math.Abs(late-1.14) > 0.021 {
		t.Errorf("touched %v: %+v", a.touches, a.touched)
	}
	if math.Abs(a.touchKPa-200) > 4.1 {
		t.Errorf("touched at %g kPa, want 200", a.touchKPa)
	}
	a = play(chain.Hold{}, func(float64) float64 { return 300 })
	if a.isFilled || a.touches {
		t.Errorf("filled %v, touched %v without a pressure that holds and with slip that stands", a.isFilled, a.touches)
	}
	var f Finding
	a.describe(&f)
	if len(f.Instants) != 0 {
		t.Errorf("instants of what was not seen: %+v", f.Instants)
	}
}

// What left its usual relation while it slipped, by hand: it held 400 kPa with
// 150 N·m and slips with 300 kPa and 120 N·m, the turbine's speed standing for 3 s
// while the engine's moves.
func TestSlipCause(t *testing.T) {
	var held heldWith
	moments(20, func(_ float64, m *state.Moment) {
		put(m, stream.ClutchPressure, 400)
		put(m, stream.EngineTorque, 150)
	}, held.row)
	var x slipWith
	moments(4, func(s float64, m *state.Moment) {
		put(m, stream.ClutchPressure, 300)
		put(m, stream.EngineTorque, 120)
		m.EngineRPM, m.TurbineRPM = 1500+50*s, 1400+50*max(0, s-3)
	}, func(m *state.Moment) { x.add(m, m.DtS) })
	var f Finding
	x.describe(&f, &held)
	for name, want := range map[string][2]float64{"pressure_mean_kpa": {300, 0.1}, "pressure_hold_kpa": {400, 0.1}, "torque_mean_nm": {120, 0.5},
		"torque_hold_nm": {150, 1}, "speed_stood_s": {3, 0.05}} {
		if got, ok := f.Get(name); !ok || math.Abs(got-want[0]) > want[1] {
			t.Errorf("%s is %g (%v), want %g", name, got, ok, want[0])
		}
	}
	// Both speeds on the move, and no pressure: nothing stood, and it is said to lack.
	x, f = slipWith{}, Finding{}
	moments(4, func(s float64, m *state.Moment) { m.EngineRPM, m.TurbineRPM = 1500+50*s, 1400+50*s },
		func(m *state.Moment) { x.add(m, m.DtS) })
	x.describe(&f, &heldWith{})
	if stood, _ := f.Get("speed_stood_s"); stood != 0 || len(f.MissingInputs) != 1 || f.MissingInputs[0] != "clutch_pressure" {
		t.Errorf("stood %g s, missing %v", stood, f.MissingInputs)
	}
	if _, ok := f.Get("torque_mean_nm"); ok {
		t.Error("a torque that was not on the bus")
	}
}

// The capacity factor at launch by hand, K = N/√T of SAE J643: 1600 rpm with 100 N·m
// is 160; a one-way clutch that does not hold takes the engine to 1600 rpm with
// 64 N·m, K 200, a quarter more.
func TestLaunchCapacity(t *testing.T) {
	launch := func(d *launches, nm, pedal float64) {
		moments(2, func(s float64, m *state.Moment) {
			m.HasSlip, m.HasKmh, m.Kmh = true, true, 16*s
			m.EngineRPM, m.TurbineRPM = 1600, 150*s
			put(m, stream.Accelerator, pedal)
			put(m, stream.EngineTorque, nm)
		}, d.row)
	}
	share := func(d *launches) (float64, bool) {
		var f Finding
		d.describe(&f)
		return f.Get("launch_capacity_share")
	}
	var d launches
	for range launchFewest + launchLatest - 1 {
		launch(&d, 100, 20)
	}
	if _, ok := share(&d); ok {
		t.Errorf("a usual capacity of %d launches", len(d.last))
	}
	launch(&d, 100, 20)
	if k := d.last[0]; math.Abs(k-160) > 0.01 {
		t.Errorf("K is %g, want 160", k)
	}
	if x, ok := share(&d); !ok || math.Abs(x-1) > 0.01 {
		t.Errorf("share %g (%v) of a converter that did not change", x, ok)
	}
	launch(&d, 64, 20)
	launch(&d, 64, 20)
	if x, ok := share(&d); !ok || math.Abs(x-1.25) > 0.01 {
		t.Errorf("share %g (%v), want 1.25", x, ok)
	}
	n := len(d.last)
	launch(&d, 100, 3)
	launch(&d, 10, 20)
	if len(d.last) != n {
		t.Error("creeping without pedal, or with next to no torque, counts as a launch")
	}
	for range 2 * launchesKept {
		launch(&d, 100, 20)
	}
	if len(d.last) != launchesKept {
		t.Errorf("%d launches are kept, want %d", len(d.last), launchesKept)
	}
}

// The mean duty while closed, by hand: 60 % for a second and 70 % for another; what it
// was before the clutch opened is forgotten.
func TestClosedWithDuty(t *testing.T) {
	var b before
	b.begin()
	moments(4, func(s float64, m *state.Moment) {
		m.HasLevel = true
		switch {
		case s < 1:
			m.State, m.Level = state.Closed, 90
		case s < 2:
			m.State = state.Open
		case s < 3:
			m.State, m.Level = state.Closed, 60
		default:
			m.State, m.Level = state.Closed, 70
		}
	}, b.row)
	var f Finding
	b.describe(&f, b.now.at, math.NaN())
	if x, ok := f.Get("closed_with_percent"); !ok || math.Abs(x-65) > 0.5 {
		t.Errorf("%g %% (%v), want 65", x, ok)
	}
	if _, ok := f.Get("closed_with_kpa"); ok {
		t.Error("a pressure is told, and there was none")
	}
}

// Output over road speed by hand: 40 rpm per km/h, 42 in the stretch, 5 % off; of a
// usual value that was not seen for long enough nothing is said.
func TestRoadRatio(t *testing.T) {
	off := func(usualS float64) (float64, bool) {
		var r roadRatio
		at := func(kmh float64) func(float64, *state.Moment) {
			return func(_ float64, m *state.Moment) { m.HasKmh, m.Kmh = true, kmh }
		}
		moments(usualS, at(50), func(m *state.Moment) { r.row(m, 2000, false) })
		moments(20, at(10), func(m *state.Moment) { r.row(m, 900, false) }) // too slow to count
		r.begin()
		moments(2, at(50), func(m *state.Moment) { r.row(m, 2100, true) })
		var f Finding
		r.describe(&f)
		return f.Get("output_off_road_percent")
	}
	if x, ok := off(30); !ok || math.Abs(x-5) > 0.1 {
		t.Errorf("%g %% off (%v), want 5", x, ok)
	}
	if x, ok := off(roadRatioS - 1); ok {
		t.Errorf("%g %% off a usual value of %g s", x, roadRatioS-1)
	}
}
