package main

import (
	"fmt"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

// ability is what one detector can tell with the signals that are there.
type ability struct {
	Kind string `json:"kind"`
	Can  bool   `json:"can"`
	// FinenessS is the width of the interval that the sample times leave, in
	// seconds; 0 where that means nothing.
	FinenessS float64 `json:"fineness_s,omitempty"`
	Says      string  `json:"says"`
}

// abilities judges each detector by the periods that were observed.
func abilities(cover []stream.RoleCover, plan *stream.Plan, set detect.Settings) []ability {
	period := map[stream.Role]float64{}
	for _, c := range cover {
		if c.Samples > c.NotOK && c.Period > 0 {
			period[c.Role] = c.Period.Seconds()
		}
	}
	has := func(r stream.Role) bool { return period[r] > 0 }
	derived := false
	turbine := period[stream.TurbineSpeed]
	if turbine == 0 && has(stream.Gear) && len(plan.Facts.Ratios) > 0 {
		turbine, derived = max(period[stream.OutputSpeed], period[stream.VehicleSpeed]), true
		if has(stream.OutputSpeed) {
			turbine = period[stream.OutputSpeed]
		}
	}
	slip := has(stream.EngineSpeed) && turbine > 0
	speeds := max(period[stream.EngineSpeed], turbine)
	moving := has(stream.VehicleSpeed) || has(stream.OutputSpeed)
	command, commandName := 0.0, ""
	for _, r := range []stream.Role{stream.ClutchPressureCommand, stream.ClutchCommand, stream.LockupState} {
		if has(r) {
			command, commandName = period[r], r.String()
			break
		}
	}
	note := ""
	if derived {
		note = "; turbine speed worked out from the gear's ratio: wider limits, fewer stops observable"
	}
	no := func(kind, why string) ability { return ability{Kind: kind, Says: why} }
	yes := func(kind string, fine float64, says string) ability {
		return ability{Kind: kind, Can: true, FinenessS: round3(fine), Says: says}
	}
	const noSlip = "not observable: needs engine_speed and turbine_speed, or gear with ratios and a shaft or road speed"
	var out []ability
	switch {
	case !slip:
		out = append(out, no(detect.KindReleaseLag, noSlip))
	case command > 0:
		out = append(out, yes(detect.KindReleaseLag, speeds+command, fmt.Sprintf("to %.2g s, from %s%s", speeds+command, commandName, note)))
	default:
		out = append(out, yes(detect.KindReleaseLag, speeds, fmt.Sprintf("upper bounds only, to %.2g s: no command is known%s", speeds, note)))
	}
	onSlip := func(kind, says string, needs ...stream.Role) {
		switch {
		case !slip:
			out = append(out, no(kind, noSlip))
			return
		case !moving:
			out = append(out, no(kind, "not observable: needs vehicle_speed or output_speed"))
			return
		}
		for _, r := range needs {
			if !has(r) {
				out = append(out, no(kind, "not observable: needs "+r.String()))
				return
			}
		}
		out = append(out, yes(kind, speeds, says+note))
	}
	asked := "asked and unasked told apart by " + commandName
	if command == 0 {
		asked = "asked and unasked cannot be told apart: no command is known"
	}
	onSlip(detect.KindHillSlip, asked)
	onSlip("lockup-fraction", fmt.Sprintf("slip every %.2g s", speeds))
	onSlip(detect.KindApply, fmt.Sprintf("to %.2g s", speeds))
	onSlip(detect.KindShift, fmt.Sprintf("to %.2g s", speeds), stream.Gear)
	onSlip(detect.KindOpenUnderDrive, "with the gear held", stream.Gear)
	if derived {
		out = append(out, no(detect.KindGearsetSlip, "not observable: turbine speed is worked out from the ratio"))
	} else {
		onSlip(detect.KindGearsetSlip, "by the ratio seen", stream.Gear, stream.OutputSpeed)
	}
	fastest, of := 0.0, stream.NumRoles
	for _, r := range []stream.Role{stream.Acceleration, stream.TurbineSpeed, stream.EngineSpeed} {
		if p := period[r]; p > 0 && (fastest == 0 || p < fastest) {
			fastest, of = p, r
		}
	}
	low, _ := set.Shudder.Band()
	switch {
	case fastest == 0:
		out = append(out, no(detect.KindShudder, "not observable: needs acceleration or a shaft speed"))
	case 0.4/fastest < 2*low: // less than an octave of the band can be seen
		out = append(out, no(detect.KindShudder, fmt.Sprintf("not observable at %.3g Hz: the slowest shudder looked for is %.3g Hz", 1/fastest, low)))
	default:
		out = append(out, yes(detect.KindShudder, 0, fmt.Sprintf("up to %.3g Hz, from %s", 0.4/fastest, of)))
	}
	switch {
	case has(stream.Acceleration):
		out = append(out, yes(detect.KindJolt, period[stream.Acceleration], "from acceleration"))
	case has(stream.OutputSpeed):
		out = append(out, yes(detect.KindJolt, period[stream.OutputSpeed], "from output_speed: coarse"))
	case has(stream.VehicleSpeed):
		out = append(out, yes(detect.KindJolt, period[stream.VehicleSpeed], "from vehicle_speed: very coarse"))
	default:
		out = append(out, no(detect.KindJolt, "not observable: needs acceleration or a shaft or road speed"))
	}
	mark := "by joltwatch mark"
	if has(stream.DriverMark) {
		mark = "by the driver_mark role, or joltwatch mark"
	}
	out = append(out, yes(detect.KindMark, 0, mark), yes(detect.KindBusFault, 0, "always"), yes(detect.KindRoleStale, 0, "always"))
	return out
}

// frameBits is the length of a frame on the wire in bits, with the interframe
// space and without stuff bits (ISO 11898-1: a classical base frame has 44
// bits and its data, an extended one 64, and 3 bits of space follow). FD frames
// are counted like classical ones of their length: too long where the bit rate
// switches, so the load is an upper figure then.
func frameBits(f *bus.Frame) uint64 {
	bits := uint64(47)
	if f.Flags&bus.Extended != 0 {
		bits = 67
	}
	if f.Kind == bus.Data {
		bits += 8 * uint64(f.Len)
	}
	return bits
}
