package elastic

import (
	"math"
	"math/rand/v2"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
)

// drive drives a trip to its end and calls each, where set, every 10 ms.
func driven(t *testing.T, trip *Trip, each func(*Sim)) (*Sim, []bus.Frame) {
	t.Helper()
	s, err := New(trip)
	if err != nil {
		t.Fatal(err)
	}
	if each != nil {
		s.watch = func() { each(s) }
	}
	var out []bus.Frame
	for n := 0; ; n++ {
		frames, ok := s.Next()
		if !ok {
			return s, out
		}
		if n > 1_000_000 {
			t.Fatalf("%s: leg %d (%s) does not end", trip.Name, s.d.at, trip.Legs[s.d.at].Do)
		}
		out = append(out, frames...)
	}
}

// faulted returns the trip of a kind.
func faulted(t *testing.T, set drive.Set, vehicle int, kind string) *Trip {
	t.Helper()
	for _, x := range Faulted(set, vehicle, 0) {
		if x.Kind == kind {
			return x
		}
	}
	t.Fatalf("no trip %q", kind)
	return nil
}

// The converter's capacity and torque ratio at stall and its point of coupling
// are those of the polynomials of Kotwicki, SAE paper 820393 (values worked out
// by hand from the coefficients, which are from memory): 3.4325e-3 and
// 5.7656e-3 N·m s²/rad² at stall, so a torque ratio of 1.680; K = N/sqrt(T) of
// SAE J643 is then 163 rpm/sqrt(N·m); no torque passes at equal speeds.
func TestConverter(t *testing.T) {
	p := newPlant(car("test", ""))
	p.engine = 200
	pump, out := p.converter()
	if math.Abs(out/pump-1.680) > 0.001 {
		t.Errorf("torque ratio at stall %.4f, want 1.680", out/pump)
	}
	if k := p.engineRPM() / math.Sqrt(pump); math.Abs(k-163.0) > 0.2 {
		t.Errorf("K at stall %.2f, want 163.0", k)
	}
	p.turbine = 200
	if pump, out = p.converter(); math.Abs(pump) > 0.5 || math.Abs(out) > 0.5 {
		t.Errorf("%.2f and %.2f N·m at equal speeds, want none", pump, out)
	}
	last := 2.0
	for sr := 0.0; sr < 0.9; sr += 0.05 {
		p.turbine = 200 * sr
		pump, out = p.converter()
		if r := out / pump; r > last+1e-9 || r < 1 {
			t.Errorf("torque ratio %.3f at speed ratio %.2f, want it to fall to 1", r, sr)
		} else {
			last = r
		}
	}
}

// A vehicle that rolls in neutral slows by the road load of the textbooks,
// rolling resistance plus drag with air of 1.2 kg/m³: checked against the
// closed solution of m v' = -(a + b v²), v = sqrt(a/b) tan(...), to 2 %. The
// wheels' own inertia is left out there and is 1.5 % of the mass.
func TestCoastDown(t *testing.T) {
	v := car("test", "")
	p := newPlant(v)
	p.road = 30
	p.wheel = p.road / v.Body.WheelRadiusM
	p.gearOut = p.wheel * v.Box.Final
	const seconds = 20
	for range seconds * 1000 {
		p.step()
	}
	a, b := v.Body.MassKg*gravity*v.Body.Rolling, 0.6*v.Body.DragArea
	w := math.Sqrt(a * b)
	want := math.Sqrt(a/b) * math.Tan(math.Atan(30*math.Sqrt(b/a))-w/v.Body.MassKg*seconds)
	if math.Abs(30-p.road-(30-want)) > 0.02*(30-want) {
		t.Errorf("%.3f m/s after %d s, want %.3f", p.road, seconds, want)
	}
}

// The twisted shaft between gearset and wheel swings at the frequency of two
// inertias on a spring, sqrt(k (1/J1 + 1/J2)) (any textbook of vibration); the
// tyre is off the ground.
func TestShaftSwings(t *testing.T) {
	v := car("test", "")
	v.Body.TyrePerSlip, v.Body.ShaftNms, v.Body.MassKg = 0, 0, 1
	p := newPlant(v)
	p.linked, p.ratio = true, 1
	p.twist = 0.01
	crossings, last := 0, p.twist
	const seconds = 4
	for range seconds * 1000 {
		p.engine = p.turbine // the fluid carries nothing
		p.step()
		if (p.twist > 0) != (last > 0) {
			crossings++
		}
		last = p.twist
	}
	j1 := (0.02 + v.Box.TurbineInertia) * v.Box.Final * v.Box.Final
	want := math.Sqrt(v.Body.ShaftNmPerRad*(1/j1+1/v.Body.WheelInertia)) / (2 * math.Pi)
	if got := float64(crossings) / 2 / seconds; math.Abs(got-want) > 0.03*want {
		t.Errorf("%.2f Hz, want %.2f", got, want)
	}
}

// The ripple has the shape that was measured in recordings (see newRipple):
// power between 2 and 8 Hz, autocorrelation zero after 50 to 75 ms, least at 80
// to 120 ms, back above zero at about 200 ms, gusts.
func TestRippleShape(t *testing.T) {
	r := newRipple(rand.New(rand.NewPCG(1, 1)))
	var x []float64
	for k := range 400_000 {
		if y := r.step(); k%20 == 0 {
			x = append(x, y) // every 20 ms, as engine speed came
		}
	}
	n := float64(len(x))
	var2, fourth := 0.0, 0.0
	for _, v := range x {
		var2 += v * v / n
		fourth += v * v * v * v / n
	}
	if d := math.Sqrt(var2); d < 0.8 || d > 1.25 {
		t.Errorf("deviation %.2f, want 1", d)
	}
	if k := fourth / var2 / var2; k < 2.6 || k > 6.5 {
		t.Errorf("kurtosis %.2f, recorded 2.6 to 6.5", k)
	}
	at := func(ms int) float64 {
		lag, sum := ms/20, 0.0
		for i := lag; i < len(x); i++ {
			sum += x[i] * x[i-lag]
		}
		return sum / n / var2
	}
	if at(40) < 0 || at(80) > 0 {
		t.Errorf("autocorrelation %.2f at 40 ms and %.2f at 80 ms, recorded zero at 50 to 75", at(40), at(80))
	}
	if a := at(100); a > -0.35 || a < -0.85 {
		t.Errorf("autocorrelation %.2f at 100 ms, recorded -0.4 to -0.8", a)
	}
	if a := at(200); a < 0.05 || a > 0.6 {
		t.Errorf("autocorrelation %.2f at 200 ms, recorded 0.1 to 0.6", a)
	}
}

// One seed gives one drive; another, another.
func TestOneSeedOneDrive(t *testing.T) {
	trip := func(seed uint64) *Trip {
		x := Normal(drive.Tuning, 0, 0, 60)
		x.Seed = seed
		return x
	}
	_, a := driven(t, trip(7), nil)
	_, b := driven(t, trip(7), nil)
	_, c := driven(t, trip(8), nil)
	same := func(a, b []bus.Frame) bool {
		for i := range min(len(a), len(b)) {
			if a[i] != b[i] {
				return false
			}
		}
		return len(a) == len(b)
	}
	if !same(a, b) {
		t.Error("the same seed gave two drives")
	}
	if same(a, c) {
		t.Error("two seeds gave the same drive")
	}
	for i := 1; i < len(a); i++ {
		if a[i].At < a[i-1].At {
			t.Fatalf("frame %d goes back in time", i)
		}
	}
}

// What is injected is what the truth says: a clutch that is held lets go when
// it is said to, sound ones in a few tenths of a second, whatever the vehicle.
func TestTruthOfReleases(t *testing.T) {
	for _, set := range []drive.Set{drive.Tuning, drive.Scoring} {
		for k, v := range Vehicles(set) {
			s, _ := driven(t, faulted(t, set, k, "late"), nil)
			held, sound := 0, 0
			for _, r := range s.Truth().Releases {
				switch {
				case r.Reapplied || r.Reason != "stop" || r.Stalled || r.Parted == 0:
				case r.InjectedS > 0:
					held++
					if r.FreedS < r.InjectedS-0.02 || r.FreedS > r.InjectedS+0.25 {
						t.Errorf("%s at %.1f s: held for %.2f s, free after %.2f s", v.Name, r.Fell.Seconds(), r.InjectedS, r.FreedS)
					}
				default:
					sound++
					if r.FreedS < 0.02 || r.FreedS > 0.55 {
						t.Errorf("%s at %.1f s: sound, free after %.2f s", v.Name, r.Fell.Seconds(), r.FreedS)
					}
				}
			}
			if held < 5 || sound < 8 {
				t.Errorf("%s: %d held and %d sound releases, want 5 and 8", v.Name, held, sound)
			}
		}
	}
}

// Stalls are of both kinds, each where it was made; no key is one.
func TestTruthOfStalls(t *testing.T) {
	for k, v := range Vehicles(drive.Tuning) {
		s, _ := driven(t, faulted(t, drive.Tuning, k, "stall"), nil)
		holding, open := 0, 0
		for _, x := range s.Truth().Stalls {
			if x.Holding {
				holding++
			} else {
				open++
			}
		}
		if holding < 3 || open < 3 {
			t.Errorf("%s: %d stalls with the clutch holding and %d open, want 3 of each", v.Name, holding, open)
		}
	}
	s, _ := driven(t, faulted(t, drive.Tuning, 0, "keys"), nil)
	if n := len(s.Truth().Stalls); n != 0 {
		t.Errorf("%d stalls where keys were turned", n)
	}
	if n := len(s.Truth().KeyOffs); n < 9 {
		t.Errorf("%d key-offs, want 9", n)
	}
}

// A clutch that is held goes through shifts with the speeds together, and drags
// the engine under idle.
func TestHeldThroughShifts(t *testing.T) {
	through, dragged, long := 0, 0, 0.0
	for k, v := range Vehicles(drive.Tuning) {
		s, _ := driven(t, faulted(t, drive.Tuning, k, "dragging"), nil)
		tr := s.Truth()
		for _, r := range tr.Releases {
			if r.InjectedS == 0 || r.Parted == 0 {
				continue
			}
			for _, x := range tr.Shifts {
				if x.Begin > r.Fell && x.End < r.Parted {
					through++
				}
			}
			if r.TurbineMin < 0.8*v.Engine.IdleRPM {
				dragged++
			}
			long = math.Max(long, r.LagS)
		}
	}
	if through < 3 || dragged < 20 || long < 8 {
		t.Errorf("%d shifts with the clutch held, %d drags, longest hold %.1f s; want 3, 20 and 8 s", through, dragged, long)
	}
}

// Slip that grows from day to day does.
func TestTruthOfTrends(t *testing.T) {
	s, _ := driven(t, faulted(t, drive.Tuning, 0, "wearing"), nil)
	tr := s.Truth()
	if len(tr.Trends) != 1 || tr.Trends[0].RPMPerDay != wearPerDay {
		t.Fatalf("trends %v", tr.Trends)
	}
	if days := tr.End.Seconds() / 86400; days < 4.9 || days > 6 {
		t.Errorf("%.2f days, want 5", days)
	}
	var sum, seconds [7]float64
	for _, x := range tr.Slips {
		day := int(x.From.Seconds()/86400 + 0.01)
		d := (x.To - x.From).Seconds()
		sum[day] += d * x.Mean
		seconds[day] += d
	}
	first, last := sum[2]/seconds[2], sum[5]/seconds[5]
	if last < first+2*wearPerDay {
		t.Errorf("slip of %.0f rpm on the third day and %.0f on the sixth, want %d more a day", first, last, wearPerDay)
	}
	if seconds[5] < 60 {
		t.Errorf("%.0f s of slip on the sixth day, want 60", seconds[5])
	}
}

// Slip that is asked for on a grade is regulated: it stays about what is asked,
// and neither closes nor runs away in between.
func TestAskedSlipIsRegulated(t *testing.T) {
	for _, k := range []int{0, 3} {
		v := Vehicles(drive.Tuning)[k]
		settled, off := 0.0, 0.0
		_, _ = driven(t, faulted(t, drive.Tuning, k, "climb"), func(s *Sim) {
			if !s.c.hill || s.c.mode != modeSlip || s.c.modeS < 3 {
				return
			}
			settled += tick
			if math.Abs(s.p.slipRPM()-v.Clutch.HillRPM) > 0.8*v.Clutch.HillRPM {
				off += tick
			}
		})
		if settled < 15 || off > 0.1*settled {
			t.Errorf("%s: %.1f of %.0f s of slip that was asked for off by 80 %% of it; want 15 s and a tenth at most", v.Name, off, settled)
		}
	}
}
