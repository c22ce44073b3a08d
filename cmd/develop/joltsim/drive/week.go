package drive

import "fmt"

// Week returns the scenario of a long stay: so many driving hours shared out
// over so many key cycles within seven days, normal driving with now and then
// a fault of the clutch, and the trouble that a recorder meets (adapter
// unplugged, bus-off, lost frames, error frames, clock jumps, silent
// messages). Run it with New and Next: it is far too long for Run.
func Week(vehicle string, seed uint64, hours float64, keys int) (Scenario, error) {
	v, err := VehicleByName(vehicle)
	if err != nil {
		return Scenario{}, err
	}
	rnd := newRandom(seed, 90)
	sc := Scenario{Name: fmt.Sprintf("week-%d/%s", seed, vehicle), Vehicle: vehicle, Seed: seed,
		StartUnix: 1760000400, FluidC: 20, NoLog: true, NoTrace: true}
	pause := (7*24 - hours) * 3600 / float64(keys)
	if pause < 20 {
		pause = 20
	}
	troubles := []Fault{
		{Kind: "release-late", ForS: 120, Value: 0.9},
		{Kind: "down", ForS: 40},
		{Kind: "release-late", ForS: 120, Value: 1.6},
		{Kind: "bus-off", ForS: 6},
		{Kind: "unasked-slip", ForS: 60, Value: 120},
		{Kind: "clock-jump", ForS: 1, Value: 7200},
		{Kind: "release-drag", ForS: 120, Value: 0.12 * v.maxTorque(1500)},
		{Kind: "frames-lost", ForS: 1, Value: 60},
		{Kind: "clock-jump", ForS: 1, Value: -86400},
		{Kind: "shudder", ForS: 60, Value: 0.1 * v.maxTorque(1500), Hz: 9},
		{Kind: "error-frames", ForS: 1, Value: 30},
		{Kind: "dropout", ForS: 20, On: v.Layout.Messages[0].Name},
		{Kind: "flare", ForS: 120, Value: 0.4},
		{Kind: "silent", ForS: 15},
	}
	for k := range keys {
		steps := normalSteps(rnd, vehicle, hours*3600/float64(keys)*rnd.between(0.6, 1.4))
		steps = withoutKeys(steps)
		if len(steps) > 4 {
			f := troubles[k%len(troubles)]
			steps[2+rnd.n(len(steps)-4)].Fault = &f
		}
		if k%10 == 5 && len(steps) > 6 {
			i := 3 + rnd.n(len(steps)-5)
			steps = append(steps[:i], append([]Step{{Do: "mark"}}, steps[i:]...)...)
		}
		steps[len(steps)-1].ForS = pause * rnd.between(0.5, 1.5)
		sc.Steps = append(sc.Steps, steps...)
	}
	return sc, nil
}

// withoutKeys drops key cycles inside a drive; the last one stays.
func withoutKeys(steps []Step) []Step {
	var out []Step
	for i, s := range steps {
		if i > 0 && i < len(steps)-1 && (s.Do == "off" || s.Do == "start") {
			continue
		}
		out = append(out, s)
	}
	return out
}
