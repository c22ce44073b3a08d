package drive

import "fmt"

// Set keeps what thresholds were chosen with apart from what they are scored
// on: other vehicles and other seeds.
type Set uint8

// The two sets.
const (
	Tuning Set = iota
	Scoring
)

// Vehicles returns the names of the set's vehicles.
func (s Set) Vehicles() []string {
	if s == Tuning {
		return []string{"van", "hatch", "saloon"}
	}
	return []string{"minibus", "pickup", "lorry", "estate"}
}

// seed spreads n over numbers that the sets do not share.
func (s Set) seed(n int) uint64 { return uint64(s)<<40 + 0x51ed<<16 + uint64(n)*7919 }

// Case is one scenario of the library.
type Case struct {
	// Name is "what/vehicle"; Kind the what, Grade its severity.
	Name     string
	Kind     string
	Grade    float64
	Scenario Scenario
}

// Normal returns a drive of about the given length in which nothing is wrong:
// town, country road and motorway in turn, with stops, hills, cold starts and
// now and then neutral, reverse and the key.
func Normal(set Set, vehicle string, n int, seconds float64) Scenario {
	rnd := newRandom(set.seed(n), 77)
	sc := Scenario{Name: fmt.Sprintf("normal-%d/%s", n, vehicle), Vehicle: vehicle, Seed: set.seed(n), FluidC: rnd.between(30, 85)}
	if n%9 == 4 {
		sc.FluidC = rnd.between(5, 30)
	}
	sc.Steps = normalSteps(rnd, vehicle, seconds)
	return sc
}

// normalSteps returns the steps of a drive in which nothing is wrong.
func normalSteps(rnd *random, vehicle string, seconds float64) []Step {
	v, err := VehicleByName(vehicle)
	if err != nil {
		return nil
	}
	heavy := v.MassKg > 8000
	pull := func() float64 { // m/s² when pulling away
		if heavy {
			return rnd.between(0.4, 0.7)
		}
		return rnd.between(0.7, 1.6)
	}
	var steps []Step
	add := func(s Step) { steps = append(steps, s) }
	left := seconds
	spend := func(s float64) { left -= s }
	add(Step{Do: "start", ForS: rnd.between(2, 8), Grade: pct(0)})
	for left > 0 {
		switch part := rnd.n(10); {
		case part < 6: // town
			for k := 2 + rnd.n(5); k > 0; k-- {
				kmh := []float64{28, 32, 40, 48, 50, 52, 58}[rnd.n(7)]
				dur := rnd.between(12, 50)
				add(Step{Do: "drive", ToKmh: kmh, Accel: pull(), ForS: dur, Grade: pct(rnd.between(-1.5, 2))})
				if rnd.n(3) == 0 {
					to := kmh - rnd.between(8, 18)
					add(Step{Do: "drive", ToKmh: to, Accel: rnd.between(0.5, 1.3), ForS: rnd.between(5, 20)})
					spend(15)
				}
				if rnd.n(6) == 0 {
					add(Step{Do: "lift", ToKmh: 22, ForS: rnd.between(3, 9)})
					spend(6)
				}
				wait := rnd.between(1, 14)
				add(Step{Do: "stop", Accel: rnd.between(0.7, 2.2), ForS: wait})
				spend(dur + wait + 15)
			}
		case part < 8: // country road
			kmh := rnd.between(62, 92)
			if heavy {
				kmh = rnd.between(55, 80)
			}
			for k := 1 + rnd.n(3); k > 0; k-- {
				dur := rnd.between(30, 120)
				add(Step{Do: "drive", ToKmh: kmh + rnd.between(-9, 9), Accel: pull(), ForS: dur, Grade: pct(rnd.between(-2.5, 2.5))})
				spend(dur)
			}
			if rnd.n(2) == 0 {
				add(Step{Do: "lift", ToKmh: 45, ForS: rnd.between(5, 15)})
				spend(10)
			}
			wait := rnd.between(1, 10)
			add(Step{Do: "stop", Accel: rnd.between(0.8, 1.8), ForS: wait})
			spend(wait + 15)
		case part < 9: // motorway
			kmh := rnd.between(98, 118)
			if heavy {
				kmh = rnd.between(80, 88)
			}
			for k := 2 + rnd.n(4); k > 0; k-- {
				dur := rnd.between(30, 120)
				grade := rnd.between(-1.5, 1.5)
				if rnd.n(3) == 0 && !heavy {
					grade = rnd.between(2, 4)
				}
				add(Step{Do: "drive", ToKmh: kmh + rnd.between(-8, 8), Accel: rnd.between(0.3, 0.9), ForS: dur, Grade: pct(grade)})
				spend(dur)
			}
			add(Step{Do: "drive", ToKmh: 50, Accel: 1, ForS: 25, Grade: pct(0)})
			add(Step{Do: "stop", Accel: rnd.between(0.9, 1.6), ForS: 4})
			spend(40)
		default:
			switch rnd.n(4) {
			case 0: // rolls up in neutral
				add(Step{Do: "drive", ToKmh: 50, Accel: pull(), ForS: 20, Grade: pct(0)})
				add(Step{Do: "neutral", ForS: rnd.between(3, 8), PedalPct: float64(rnd.n(2)) * 12})
				add(Step{Do: "stop", Accel: 1.2, ForS: 3})
				spend(40)
			case 1: // parks
				add(Step{Do: "drive", ToKmh: 14, Accel: 0.6, ForS: 8, Grade: pct(0)})
				add(Step{Do: "stop", Accel: 0.9, ForS: 1})
				add(Step{Do: "reverse", ToKmh: 5, ForS: rnd.between(4, 9)})
				spend(30)
			case 2: // key off and on
				add(Step{Do: "stop", Accel: 1.2, ForS: 2})
				add(Step{Do: "off", ForS: rnd.between(5, 40)})
				add(Step{Do: "start", ForS: 3, Grade: pct(0)})
				spend(30)
			case 3: // full pedal and a hard stop
				add(Step{Do: "pedal", PedalPct: rnd.between(60, 95), ToKmh: 60, ForS: 20, Grade: pct(0)})
				add(Step{Do: "drive", ToKmh: 60, Accel: 1, ForS: 15})
				add(Step{Do: "stop", Accel: rnd.between(2.5, 4.5), ForS: 3})
				spend(40)
			}
		}
	}
	add(Step{Do: "stop", Accel: 1, ForS: 3})
	add(Step{Do: "off", ForS: 8})
	return steps
}

// town returns n blocks from stop to stop.
func town(rnd *random, n int) []Step {
	steps := []Step{{Do: "start", ForS: 3, Grade: pct(0)}}
	for k := 0; k < n; k++ {
		kmh := rnd.between(32, 54)
		steps = append(steps,
			Step{Do: "drive", ToKmh: kmh, Accel: rnd.between(0.6, 1.1), ForS: rnd.between(14, 26)},
			Step{Do: "stop", Accel: rnd.between(0.8, 1.9), ForS: rnd.between(4, 7)})
	}
	return append(steps, Step{Do: "off", ForS: 6})
}

// cruise returns a steady drive at a speed for a time, and back.
func cruise(kmh, seconds, grade float64) []Step {
	return []Step{
		{Do: "start", ForS: 3, Grade: pct(0)},
		{Do: "drive", ToKmh: kmh, Accel: 0.9, ForS: 50},
		{Do: "drive", ToKmh: kmh, Accel: 0.5, ForS: seconds, Grade: pct(grade)},
		{Do: "drive", ToKmh: kmh, Accel: 0.5, ForS: 30, Grade: pct(0)},
		{Do: "drive", ToKmh: 45, Accel: 1, ForS: 30},
		{Do: "stop", Accel: 1.2, ForS: 4},
		{Do: "off", ForS: 6},
	}
}

// Library returns the set's scenarios: every behaviour that is normal and every
// fault at graded severity, on each of the set's vehicles.
func Library(set Set) []Case {
	var out []Case
	n := 0
	for _, vehicle := range set.Vehicles() {
		v, err := VehicleByName(vehicle)
		if err != nil {
			continue
		}
		motorway := 108.0
		if v.MassKg > 8000 {
			motorway = 84
		}
		// Cases draw their steps from their own seed.
		add := func(kind string, grade float64, steps func(*random) []Step, change func(*Scenario)) {
			n++
			sc := Scenario{Vehicle: vehicle, Seed: set.seed(10000 + n), FluidC: 60}
			name := kind
			if grade != 0 {
				name = fmt.Sprintf("%s-%g", kind, grade)
			}
			sc.Name = name + "/" + vehicle
			sc.Steps = steps(newRandom(sc.Seed, 78))
			if change != nil {
				change(&sc)
			}
			out = append(out, Case{Name: sc.Name, Kind: kind, Grade: grade, Scenario: sc})
		}
		fault := func(f Fault) func(*Scenario) {
			return func(sc *Scenario) { sc.Faults = append(sc.Faults, f) }
		}
		townOf := func(n int) func(*random) []Step { return func(r *random) []Step { return town(r, n) } }
		cruiseOf := func(kmh, s, grade float64) func(*random) []Step {
			return func(*random) []Step { return cruise(kmh, s, grade) }
		}

		// Normal behaviour.
		add("town", 0, townOf(12), nil)
		add("mixed", 0, func(r *random) []Step { return normalSteps(r, vehicle, 900) }, nil)
		add("hill-steep", 0, cruiseOf(motorway, 60, 3), nil)
		add("hill-slight", 0, cruiseOf(motorway, 60, 1.2), nil)
		add("second-gear", 0, func(r *random) []Step {
			s := []Step{{Do: "start", ForS: 3, Grade: pct(0)}}
			for k := 0; k < 5; k++ {
				// So slow that second gear has some way to go.
				slow := 1150 / (v.Ratios[1] * v.OutputPerKmh())
				s = append(s, Step{Do: "drive", ToKmh: slow, Accel: 0.9, ForS: 14},
					Step{Do: "pedal", PedalPct: r.between(48, 62), ToKmh: 2.2 * slow, ForS: 14},
					Step{Do: "drive", ToKmh: 40, Accel: 1, ForS: 12}, Step{Do: "stop", Accel: 1.2, ForS: 4})
			}
			return append(s, Step{Do: "off", ForS: 6})
		}, nil)
		add("neutral", 0, func(r *random) []Step {
			s := []Step{{Do: "start", ForS: 3, Grade: pct(0)}}
			for k := 0; k < 4; k++ {
				s = append(s, Step{Do: "drive", ToKmh: 50, Accel: 1, ForS: 25},
					Step{Do: "neutral", ForS: r.between(4, 12), PedalPct: float64(k%2) * 15}, Step{Do: "stop", Accel: 1.1, ForS: 4})
			}
			return append(s, Step{Do: "off", ForS: 6})
		}, nil)
		add("reverse", 0, func(r *random) []Step {
			s := []Step{{Do: "start", ForS: 3, Grade: pct(0)}}
			for k := 0; k < 3; k++ {
				s = append(s, Step{Do: "reverse", ToKmh: 6, ForS: 6}, Step{Do: "drive", ToKmh: 30, Accel: 0.8, ForS: 15},
					Step{Do: "stop", Accel: 1, ForS: 3})
			}
			return append(s, Step{Do: "off", ForS: 6})
		}, nil)
		add("towing", 0, func(r *random) []Step { return normalSteps(r, vehicle, 500) },
			func(sc *Scenario) { sc.LoadKg = 0.45 * v.MassKg })
		add("ice", 0, func(r *random) []Step {
			s := town(r, 8)
			s[0].Friction = pct(0.12)
			return s
		}, nil)
		add("cold", 0, townOf(8), func(sc *Scenario) { sc.FluidC = 2 })
		add("keys", 0, func(r *random) []Step {
			var s []Step
			for k := 0; k < 4; k++ {
				s = append(s, Step{Do: "start", ForS: 3, Grade: pct(0)}, Step{Do: "drive", ToKmh: 42, Accel: 0.9, ForS: 25},
					Step{Do: "stop", Accel: 1.3, ForS: 3}, Step{Do: "off", ForS: 20})
			}
			return s
		}, nil)
		add("downhill", 0, cruiseOf(0.8*motorway, 90, -4), nil)

		// Faults of the clutch, graded.
		for _, lag := range []float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.55, 0.65, 0.8, 1, 1.5, 2, 3} {
			add("release-late", lag, townOf(10), fault(Fault{Kind: "release-late", Value: lag}))
		}
		for _, share := range []float64{0.06, 0.12, 0.25} {
			nm := share * v.maxTorque(1500)
			add("release-drag", float64(int(nm)), townOf(8), fault(Fault{Kind: "release-drag", Value: float64(int(nm))}))
		}
		for _, rpm := range []float64{20, 50, 100, 200, 400} {
			kmh, grade := 0.8*motorway, 0.6
			if rpm >= 200 {
				// So much slip takes so much torque, or the converter alone
				// carries it with less.
				kmh, grade = 0.5*motorway, 5
			}
			add("unasked-slip", rpm, cruiseOf(kmh, 90, grade), fault(Fault{Kind: "unasked-slip", AtS: 75, ForS: 40, Value: rpm}))
		}
		for _, hz := range []float64{4, 7, 10, 14} {
			nm := 0.10 * v.maxTorque(1500)
			add("shudder", hz, cruiseOf(0.6*motorway, 90, 1), fault(Fault{Kind: "shudder", AtS: 45, ForS: 60, Value: nm, Hz: hz}))
		}
		add("misfire", 8, cruiseOf(0.6*motorway, 90, 1), fault(Fault{Kind: "misfire", AtS: 70, ForS: 40, Value: 0.2 * v.maxTorque(1500), Hz: 8}))
		for _, s := range []float64{0.15, 0.3, 0.6} {
			add("flare", s, townOf(8), fault(Fault{Kind: "flare", Value: s}))
		}
		for _, rpm := range []float64{60, 200} {
			add("gearset-slip", rpm, cruiseOf(0.6*motorway, 90, 0.6), fault(Fault{Kind: "gearset-slip", AtS: 75, ForS: 30, Value: rpm}))
		}
		for _, rpm := range []float64{60, 150} {
			add("partial-apply", rpm, townOf(6), fault(Fault{Kind: "partial-apply", Value: rpm}))
		}
		for _, lag := range []float64{1, 2.5} {
			add("slow-apply", lag, townOf(6), fault(Fault{Kind: "slow-apply", Value: lag}))
		}
		add("jolt", 0, func(r *random) []Step {
			s := town(r, 6)
			for i, push := range map[int]float64{1: -3, 5: 3, 9: -4} {
				s[i].ForS += 12
				s[i].Fault = &Fault{Kind: "jolt", AtS: s[i].ForS - 4, ForS: 1, Value: push}
			}
			return s
		}, nil)

		// Trouble with the signals.
		m := v.Layout.Messages
		add("dropout", 0, townOf(8), func(sc *Scenario) {
			sc.Faults = []Fault{{Kind: "dropout", On: m[0].Name, AtS: 40, ForS: 3}, {Kind: "dropout", On: m[1].Name, AtS: 80, ForS: 12},
				{Kind: "dropout", On: m[0].Name, AtS: 130, ForS: 20}}
		})
		add("not-available", 0, townOf(6), fault(Fault{Kind: "not-available", On: m[0].Name, AtS: 50, ForS: 30}))
		add("stuck", 0, townOf(6), fault(Fault{Kind: "stuck", On: m[1].Name, AtS: 60, ForS: 20}))
		add("noise", 3, townOf(10), func(sc *Scenario) { sc.NoiseFactor = 3 })
		add("coarse", 8, townOf(10), func(sc *Scenario) { sc.CoarseFactor = 8 })
		add("slow-rate", 2.5, townOf(10), func(sc *Scenario) { sc.RateFactor = 2.5 })
		add("late-noise", 0.8, townOf(10), func(sc *Scenario) {
			sc.NoiseFactor = 2.5
			sc.Faults = []Fault{{Kind: "release-late", Value: 0.8}}
		})
		add("late-coarse", 0.8, townOf(10), func(sc *Scenario) {
			sc.CoarseFactor = 6
			sc.Faults = []Fault{{Kind: "release-late", Value: 0.8}}
		})
		add("frames-lost", 0, townOf(5), func(sc *Scenario) {
			sc.Faults = []Fault{{Kind: "frames-lost", AtS: 50, ForS: 1, Value: 40}, {Kind: "error-frames", AtS: 70, ForS: 1, Value: 25}}
		})
		add("bus-off", 0, townOf(5), func(sc *Scenario) {
			sc.Faults = []Fault{{Kind: "bus-off", AtS: 60, ForS: 4}, {Kind: "silent", AtS: 100, ForS: 9}, {Kind: "down", AtS: 140, ForS: 5}}
		})
		add("clock-jump", 0, townOf(5), fault(Fault{Kind: "clock-jump", AtS: 60, ForS: 1, Value: 3600}))
		if len(v.Layout.Buses) > 1 {
			add("misaligned", 30, townOf(10), func(sc *Scenario) {
				l := v.Layout.withOther(0, newRandom(1, 1))
				l.Offset = []int64{0, 30000}
				sc.layout = &l
			})
		}
	}
	return out
}
