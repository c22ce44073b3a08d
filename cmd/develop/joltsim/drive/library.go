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
	r := route{rnd: rnd, heavy: v.MassKg > 8000, left: seconds}
	r.add(Step{Do: "start", ForS: rnd.between(2, 8), Grade: new(0.0)})
	for r.left > 0 {
		switch part := rnd.n(10); {
		case part < 6:
			r.town()
		case part < 8:
			r.country()
		case part < 9:
			r.motorway()
		default:
			r.oddity()
		}
	}
	r.add(Step{Do: "stop", Accel: 1, ForS: 3}, Step{Do: "off", ForS: 8})
	return r.steps
}

// route draws the parts of a drive in which nothing is wrong.
type route struct {
	rnd   *random
	heavy bool
	steps []Step
	left  float64 // s of driving
}

func (r *route) add(s ...Step) { r.steps = append(r.steps, s...) }

// pull is an acceleration in m/s² when pulling away.
func (r *route) pull() float64 {
	if r.heavy {
		return r.rnd.between(0.4, 0.7)
	}
	return r.rnd.between(0.7, 1.6)
}

func (r *route) town() {
	rnd := r.rnd
	for k := 2 + rnd.n(5); k > 0; k-- {
		kmh := []float64{28, 32, 40, 48, 50, 52, 58}[rnd.n(7)]
		dur := rnd.between(12, 50)
		r.add(Step{Do: "drive", ToKmh: kmh, Accel: r.pull(), ForS: dur, Grade: new(rnd.between(-1.5, 2))})
		if rnd.n(3) == 0 {
			to := kmh - rnd.between(8, 18)
			r.add(Step{Do: "drive", ToKmh: to, Accel: rnd.between(0.5, 1.3), ForS: rnd.between(5, 20)})
			r.left -= 15
		}
		if rnd.n(6) == 0 {
			r.add(Step{Do: "lift", ToKmh: 22, ForS: rnd.between(3, 9)})
			r.left -= 6
		}
		wait := rnd.between(1, 14)
		r.add(Step{Do: "stop", Accel: rnd.between(0.7, 2.2), ForS: wait})
		r.left -= dur + wait + 15
	}
}

func (r *route) country() {
	rnd := r.rnd
	kmh := rnd.between(62, 92)
	if r.heavy {
		kmh = rnd.between(55, 80)
	}
	for k := 1 + rnd.n(3); k > 0; k-- {
		dur := rnd.between(30, 120)
		r.add(Step{Do: "drive", ToKmh: kmh + rnd.between(-9, 9), Accel: r.pull(), ForS: dur, Grade: new(rnd.between(-2.5, 2.5))})
		r.left -= dur
	}
	if rnd.n(2) == 0 {
		r.add(Step{Do: "lift", ToKmh: 45, ForS: rnd.between(5, 15)})
		r.left -= 10
	}
	wait := rnd.between(1, 10)
	r.add(Step{Do: "stop", Accel: rnd.between(0.8, 1.8), ForS: wait})
	r.left -= wait + 15
}

func (r *route) motorway() {
	rnd := r.rnd
	kmh := rnd.between(98, 118)
	if r.heavy {
		kmh = rnd.between(80, 88)
	}
	for k := 2 + rnd.n(4); k > 0; k-- {
		dur := rnd.between(30, 120)
		grade := rnd.between(-1.5, 1.5)
		if rnd.n(3) == 0 && !r.heavy {
			grade = rnd.between(2, 4)
		}
		r.add(Step{Do: "drive", ToKmh: kmh + rnd.between(-8, 8), Accel: rnd.between(0.3, 0.9), ForS: dur, Grade: new(grade)})
		r.left -= dur
	}
	r.add(Step{Do: "drive", ToKmh: 50, Accel: 1, ForS: 25, Grade: new(0.0)},
		Step{Do: "stop", Accel: rnd.between(0.9, 1.6), ForS: 4})
	r.left -= 40
}

// oddity rolls up in neutral, parks, turns the key off and on, or brings a full
// pedal and a hard stop.
func (r *route) oddity() {
	rnd := r.rnd
	took := 40.0
	switch rnd.n(4) {
	case 0:
		r.add(Step{Do: "drive", ToKmh: 50, Accel: r.pull(), ForS: 20, Grade: new(0.0)},
			Step{Do: "neutral", ForS: rnd.between(3, 8), PedalPct: float64(rnd.n(2)) * 12},
			Step{Do: "stop", Accel: 1.2, ForS: 3})
	case 1:
		r.add(Step{Do: "drive", ToKmh: 14, Accel: 0.6, ForS: 8, Grade: new(0.0)},
			Step{Do: "stop", Accel: 0.9, ForS: 1},
			Step{Do: "reverse", ToKmh: 5, ForS: rnd.between(4, 9)})
		took = 30
	case 2:
		r.add(Step{Do: "stop", Accel: 1.2, ForS: 2},
			Step{Do: "off", ForS: rnd.between(5, 40)},
			Step{Do: "start", ForS: 3, Grade: new(0.0)})
		took = 30
	case 3:
		r.add(Step{Do: "pedal", PedalPct: rnd.between(60, 95), ToKmh: 60, ForS: 20, Grade: new(0.0)},
			Step{Do: "drive", ToKmh: 60, Accel: 1, ForS: 15},
			Step{Do: "stop", Accel: rnd.between(2.5, 4.5), ForS: 3})
	}
	r.left -= took
}

// town returns n blocks from stop to stop.
func town(rnd *random, n int) []Step { return townOf(n)(rnd) }

// cruise returns a steady drive at a speed for a time, and back.
func cruise(kmh, seconds, grade float64) []Step {
	return []Step{
		{Do: "start", ForS: 3, Grade: new(0.0)},
		{Do: "drive", ToKmh: kmh, Accel: 0.9, ForS: 50},
		{Do: "drive", ToKmh: kmh, Accel: 0.5, ForS: seconds, Grade: new(grade)},
		{Do: "drive", ToKmh: kmh, Accel: 0.5, ForS: 30, Grade: new(0.0)},
		{Do: "drive", ToKmh: 45, Accel: 1, ForS: 30},
		{Do: "stop", Accel: 1.2, ForS: 4},
		{Do: "off", ForS: 6},
	}
}

// Library returns the set's scenarios: every behaviour that is normal and every
// fault at graded severity, on each of the set's vehicles.
func Library(set Set) []Case {
	l := library{set: set}
	l.onEach(l.normal, l.clutchFaults, l.otherFaults, l.signalTrouble)
	l.onEach(l.lateAtTimes) // came later: a case's seed goes by its place
	return l.cases
}

// onEach adds the kinds of cases on each of the set's vehicles.
func (l *library) onEach(kinds ...func()) {
	for _, vehicle := range l.set.Vehicles() {
		var err error
		if l.v, err = VehicleByName(vehicle); err != nil {
			continue
		}
		for _, add := range kinds {
			add()
		}
	}
}

// library gathers the cases of one vehicle after another.
type library struct {
	set   Set
	v     *Vehicle
	cases []Case
}

// add adds a case on the vehicle at hand. Cases draw their steps from their own seed.
func (l *library) add(kind string, grade float64, steps func(*random) []Step, change func(*Scenario)) {
	sc := Scenario{Vehicle: l.v.Name, Seed: l.set.seed(10000 + len(l.cases) + 1), FluidC: 60}
	name := kind
	if grade != 0 {
		name = fmt.Sprintf("%s-%g", kind, grade)
	}
	sc.Name = name + "/" + l.v.Name
	sc.Steps = steps(newRandom(sc.Seed, 78))
	if change != nil {
		change(&sc)
	}
	l.cases = append(l.cases, Case{Name: sc.Name, Kind: kind, Grade: grade, Scenario: sc})
}

func (l *library) motorwayKmh() float64 {
	if l.v.MassKg > 8000 {
		return 84
	}
	return 108
}

func fault(f ...Fault) func(*Scenario) {
	return func(sc *Scenario) { sc.Faults = append(sc.Faults, f...) }
}

func townOf(n int) func(*random) []Step {
	return parts(n, func(r *random, _ int) []Step {
		return []Step{{Do: "drive", ToKmh: r.between(32, 54), Accel: r.between(0.6, 1.1), ForS: r.between(14, 26)},
			{Do: "stop", Accel: r.between(0.8, 1.9), ForS: r.between(4, 7)}}
	})
}

func cruiseOf(kmh, s, grade float64) func(*random) []Step {
	return func(*random) []Step { return cruise(kmh, s, grade) }
}

// parts starts the engine, drives n parts, and stops it.
func parts(n int, part func(r *random, k int) []Step) func(*random) []Step {
	return func(r *random) []Step {
		steps := []Step{{Do: "start", ForS: 3, Grade: new(0.0)}}
		for k := range n {
			steps = append(steps, part(r, k)...)
		}
		return append(steps, Step{Do: "off", ForS: 6})
	}
}

// normal is behaviour that is normal.
func (l *library) normal() {
	l.add("town", 0, townOf(12), nil)
	l.add("mixed", 0, func(r *random) []Step { return normalSteps(r, l.v.Name, 900) }, nil)
	l.add("hill-steep", 0, cruiseOf(l.motorwayKmh(), 60, 3), nil)
	l.add("hill-slight", 0, cruiseOf(l.motorwayKmh(), 60, 1.2), nil)
	// So slow that second gear has some way to go.
	slow := 1150 / (l.v.Ratios[1] * l.v.OutputPerKmh())
	l.add("second-gear", 0, parts(5, func(r *random, _ int) []Step {
		return []Step{{Do: "drive", ToKmh: slow, Accel: 0.9, ForS: 14},
			{Do: "pedal", PedalPct: r.between(48, 62), ToKmh: 2.2 * slow, ForS: 14},
			{Do: "drive", ToKmh: 40, Accel: 1, ForS: 12}, {Do: "stop", Accel: 1.2, ForS: 4}}
	}), nil)
	l.add("neutral", 0, parts(4, func(r *random, k int) []Step {
		return []Step{{Do: "drive", ToKmh: 50, Accel: 1, ForS: 25},
			{Do: "neutral", ForS: r.between(4, 12), PedalPct: float64(k%2) * 15}, {Do: "stop", Accel: 1.1, ForS: 4}}
	}), nil)
	l.add("reverse", 0, parts(3, func(*random, int) []Step {
		return []Step{{Do: "reverse", ToKmh: 6, ForS: 6}, {Do: "drive", ToKmh: 30, Accel: 0.8, ForS: 15},
			{Do: "stop", Accel: 1, ForS: 3}}
	}), nil)
	l.add("towing", 0, func(r *random) []Step { return normalSteps(r, l.v.Name, 500) },
		func(sc *Scenario) { sc.LoadKg = 0.45 * l.v.MassKg })
	l.add("ice", 0, func(r *random) []Step {
		s := town(r, 8)
		s[0].Friction = new(0.12)
		return s
	}, nil)
	l.add("cold", 0, townOf(8), func(sc *Scenario) { sc.FluidC = 2 })
	l.add("keys", 0, func(r *random) []Step {
		var s []Step
		for range 4 {
			s = append(s, Step{Do: "start", ForS: 3, Grade: new(0.0)}, Step{Do: "drive", ToKmh: 42, Accel: 0.9, ForS: 25},
				Step{Do: "stop", Accel: 1.3, ForS: 3}, Step{Do: "off", ForS: 20})
		}
		return s
	}, nil)
	l.add("downhill", 0, cruiseOf(0.8*l.motorwayKmh(), 90, -4), nil)
}

// lateAtTimes is a drive in which some releases are late and most are not.
func (l *library) lateAtTimes() {
	l.add("late-at-times", 1, townOf(30), fault(Fault{Kind: "release-late", AtS: 600, ForS: 120, Value: 1},
		Fault{Kind: "release-late", AtS: 900, ForS: 120, Value: 1}))
}

// clutchFaults are releases that come late or not wholly, and slip, graded.
func (l *library) clutchFaults() {
	for _, lag := range []float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.55, 0.65, 0.8, 1, 1.5, 2, 3} {
		l.add("release-late", lag, townOf(10), fault(Fault{Kind: "release-late", Value: lag}))
	}
	for _, share := range []float64{0.06, 0.12, 0.25} {
		nm := share * l.v.maxTorque(1500)
		l.add("release-drag", float64(int(nm)), townOf(8), fault(Fault{Kind: "release-drag", Value: float64(int(nm))}))
	}
	for _, rpm := range []float64{20, 50, 100, 200, 400} {
		kmh, grade := 0.8*l.motorwayKmh(), 0.6
		if rpm >= 200 {
			// So much slip takes so much torque, or the converter alone
			// carries it with less.
			kmh, grade = 0.5*l.motorwayKmh(), 5
		}
		l.add("unasked-slip", rpm, cruiseOf(kmh, 90, grade), fault(Fault{Kind: "unasked-slip", AtS: 75, ForS: 40, Value: rpm}))
	}
}

// otherFaults are what shakes, slips in the gearset, or goes wrong in applies, and
// pushes of the body.
func (l *library) otherFaults() {
	for _, hz := range []float64{4, 7, 10, 14} {
		nm := 0.10 * l.v.maxTorque(1500)
		l.add("shudder", hz, cruiseOf(0.6*l.motorwayKmh(), 90, 1), fault(Fault{Kind: "shudder", AtS: 45, ForS: 60, Value: nm, Hz: hz}))
	}
	l.add("misfire", 8, cruiseOf(0.6*l.motorwayKmh(), 90, 1), fault(Fault{Kind: "misfire", AtS: 70, ForS: 40, Value: 0.2 * l.v.maxTorque(1500), Hz: 8}))
	for _, s := range []float64{0.15, 0.3, 0.6} {
		l.add("flare", s, townOf(8), fault(Fault{Kind: "flare", Value: s}))
	}
	for _, rpm := range []float64{60, 200} {
		l.add("gearset-slip", rpm, cruiseOf(0.6*l.motorwayKmh(), 90, 0.6), fault(Fault{Kind: "gearset-slip", AtS: 75, ForS: 30, Value: rpm}))
	}
	for _, rpm := range []float64{60, 150} {
		l.add("partial-apply", rpm, townOf(6), fault(Fault{Kind: "partial-apply", Value: rpm}))
	}
	for _, lag := range []float64{1, 2.5} {
		l.add("slow-apply", lag, townOf(6), fault(Fault{Kind: "slow-apply", Value: lag}))
	}
	l.add("jolt", 0, func(r *random) []Step {
		s := town(r, 6)
		for i, push := range map[int]float64{1: -3, 5: 3, 9: -4} {
			s[i].ForS += 12
			s[i].Fault = &Fault{Kind: "jolt", AtS: s[i].ForS - 4, ForS: 1, Value: push}
		}
		return s
	}, nil)
}

func (l *library) signalTrouble() {
	m := l.v.Layout.Messages
	l.add("dropout", 0, townOf(8), fault(Fault{Kind: "dropout", On: m[0].Name, AtS: 40, ForS: 3}, Fault{Kind: "dropout", On: m[1].Name, AtS: 80, ForS: 12},
		Fault{Kind: "dropout", On: m[0].Name, AtS: 130, ForS: 20}))
	l.add("not-available", 0, townOf(6), fault(Fault{Kind: "not-available", On: m[0].Name, AtS: 50, ForS: 30}))
	l.add("stuck", 0, townOf(6), fault(Fault{Kind: "stuck", On: m[1].Name, AtS: 60, ForS: 20}))
	l.add("noise", 3, townOf(10), func(sc *Scenario) { sc.NoiseFactor = 3 })
	l.add("coarse", 8, townOf(10), func(sc *Scenario) { sc.CoarseFactor = 8 })
	l.add("slow-rate", 2.5, townOf(10), func(sc *Scenario) { sc.RateFactor = 2.5 })
	l.add("late-noise", 0.8, townOf(10), func(sc *Scenario) {
		sc.NoiseFactor = 2.5
		sc.Faults = []Fault{{Kind: "release-late", Value: 0.8}}
	})
	l.add("late-coarse", 0.8, townOf(10), func(sc *Scenario) {
		sc.CoarseFactor = 6
		sc.Faults = []Fault{{Kind: "release-late", Value: 0.8}}
	})
	l.add("frames-lost", 0, townOf(5), fault(Fault{Kind: "frames-lost", AtS: 50, ForS: 1, Value: 40}, Fault{Kind: "error-frames", AtS: 70, ForS: 1, Value: 25}))
	l.add("bus-off", 0, townOf(5), fault(Fault{Kind: "bus-off", AtS: 60, ForS: 4}, Fault{Kind: "silent", AtS: 100, ForS: 9}, Fault{Kind: "down", AtS: 140, ForS: 5}))
	l.add("clock-jump", 0, townOf(5), fault(Fault{Kind: "clock-jump", AtS: 60, ForS: 1, Value: 3600}))
	if len(l.v.Layout.Buses) > 1 {
		l.add("misaligned", 30, townOf(10), func(sc *Scenario) {
			layout := l.v.Layout.withOther(0, newRandom(1, 1))
			layout.Offset = []int64{0, 30000}
			sc.layout = &layout
		})
	}
}
