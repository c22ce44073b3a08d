package drive

import (
	"fmt"
	"slices"

	"joltwatch/stream"
)

// Instrumented are vehicles of the set whose clutch pressure is on the bus, for
// what cannot be told without it.
func Instrumented(set Set) []string {
	if set == Tuning {
		return []string{"van"}
	}
	return []string{"crewbus"}
}

// crewbus is the minibus of a fleet that also reports the clutch's pressure.
func crewbus() *Vehicle {
	v := minibus()
	v.Name, v.MassKg = "crewbus", v.MassKg+350
	v.Clutch.VentLag, v.Clutch.TouchKPa = v.Clutch.VentLag*0.8, v.Clutch.TouchKPa*1.1
	v.Layout.Messages = append(v.Layout.Messages, Message{Name: "Actuator", ID: 0x1D8, Len: 4, PeriodMs: 25, JitterUs: 500, LatencyUs: 1300,
		Signals: []Signal{{Name: "ClutchPressureActual", Field: Field{7, 16, true}, Scale: 0.25, Unit: "kPa", Role: stream.ClutchPressure, Noise: 2, MaxRaw: 0xFAFF}}})
	return v
}

// ofRelease are the faults of a release with how strong they are, each of one
// cause.
var ofRelease = []struct {
	cause    Cause
	kind     string
	from, to float64
}{
	{CausePlates, "release-late", 0.9, 1.8},
	{CauseOil, "oil-slow", 5, 10},
	{CauseValve, "valve-slow", 0.9, 1.8},
	{CauseCommand, "command-late", 1, 2},
	{CauseCommand, "brake-late", 1, 2},
}

// Causes returns one drive for each cause on each of the vehicles: round n of
// them. Most of its stops are sound, so that the vehicle's habit is known.
func Causes(set Set, n int) []Case {
	var out []Case
	for k, vehicle := range append(set.Vehicles(), Instrumented(set)...) {
		if set == Tuning && k >= len(set.Vehicles()) {
			break // in both lists
		}
		v, err := VehicleByName(vehicle)
		if err != nil {
			continue
		}
		add := func(kind string, i int, make func(*random) []Step) {
			sc := Scenario{Vehicle: vehicle, Seed: set.seed(20000 + 1000*n + 50*k + i), FluidC: 65, NoTrace: true}
			sc.Name = fmt.Sprintf("cause-%s-%d/%s", kind, n, vehicle)
			sc.Steps = make(newRandom(sc.Seed, 78))
			out = append(out, Case{Name: sc.Name, Kind: kind, Scenario: sc})
		}
		for i, x := range ofRelease {
			add(x.kind, i, func(r *random) []Step {
				return faulted(r, 14, func() Fault { return Fault{Kind: x.kind, ForS: 20, Value: r.between(x.from, x.to)} })
			})
		}
		add("apply-late", 5, func(r *random) []Step {
			return faulted(r, 14, func() Fault { return Fault{Kind: "apply-late", ForS: 40, Value: r.between(1, 2)} })
		})
		add("idle-stall", 10, func(r *random) []Step {
			return faulted(r, 4, func() Fault { return Fault{Kind: "idle-stall", ForS: 25} })
		})
		add("one-way", 11, func(r *random) []Step {
			s := town(r, 14)
			s[15].Fault = &Fault{Kind: "one-way", Value: 3}
			return s
		})
		add("lining", 12, func(r *random) []Step {
			return pulls(v, func() Fault { return Fault{Kind: "unasked-slip", AtS: 30, ForS: 25, Value: r.between(50, 120)} })
		})
		add("gearset", 13, func(r *random) []Step {
			return pulls(v, func() Fault { return Fault{Kind: "gearset-slip", AtS: 30, ForS: 12, Value: r.between(60, 160)} })
		})
		add("artefact", 14, func(r *random) []Step {
			return pulls(v, func() Fault { return Fault{Kind: "stuck", On: v.Layout.Shafts(), AtS: 12, ForS: 35} })
		})
	}
	return out
}

// faulted is a town with so many sound blocks first, and then one in two with a
// fault that begins as it stops.
func faulted(r *random, sound int, fault func() Fault) []Step {
	s := town(r, sound+16)
	for k := sound; k < sound+16; k += 2 {
		f := fault()
		s[2+2*k].Fault = &f
		s[2+2*k].ForS += 8
	}
	return s
}

// pulls are long pulls under load, some of them with a fault.
func pulls(v *Vehicle, fault func() Fault) []Step {
	kmh := 88.0
	if v.MassKg > 8000 {
		kmh = 68
	}
	s := []Step{{Do: "start", ForS: 3, Grade: new(0.5)}}
	for k := range 8 {
		s = append(s, Step{Do: "drive", ToKmh: 0.5 * kmh, Accel: 0.9, ForS: 25})
		x := Step{Do: "drive", ToKmh: kmh, Accel: 0.6, ForS: 65}
		if k >= 3 {
			f := fault()
			x.Fault = &f
		}
		s = append(s, x)
	}
	return append(s, Step{Do: "stop", Accel: 1.2, ForS: 4}, Step{Do: "off", ForS: 6})
}

// Shafts names the message that carries the turbine's speed, or the engine's.
func (l *Layout) Shafts() string {
	for _, role := range []stream.Role{stream.TurbineSpeed, stream.EngineSpeed} {
		for i := range l.Messages {
			if slices.ContainsFunc(l.Messages[i].Signals, func(s Signal) bool { return s.Role == role }) {
				return l.Messages[i].Name
			}
		}
	}
	return ""
}
