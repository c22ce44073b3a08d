package elastic

import (
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/stream"
)

// wiring says what a vehicle puts on its bus. A period of 0 leaves a message
// out.
type wiring struct {
	base                                 uint32 // first identifier
	engineMs, shaftMs, controlMs, roadMs int
	noTurbine, output                    bool
	command                              stream.Role // or NumRoles for none
	state                                bool
	acceleration                         bool
	noTorque                             bool
	roadScale                            float64 // km/h a bit
	speedScale                           float64 // rpm a bit
	deadRPM                              float64 // shaft sensors read 0 below
	gears                                int
}

func le(start, length uint8) drive.Field { return drive.Field{Start: start, Length: length} }

func gearCodes(gears int) map[int]int64 {
	m := map[int]int64{stream.GearNeutral: 0, stream.GearReverse: 14, stream.GearPark: 15}
	for g := 1; g <= gears; g++ {
		m[g] = int64(g)
	}
	return m
}

func states() map[int]int64 {
	return map[int]int64{stream.LockupOpen: 0, stream.LockupPartial: 1, stream.LockupClosed: 2}
}

func oneBus(m []drive.Message) drive.Layout {
	return drive.Layout{Buses: []string{"can0"}, Bitrate: []int{500000}, Offset: []int64{0}, DriftPPM: []float64{0}, Messages: m}
}

// layout lays the signals out.
func (w wiring) layout() drive.Layout {
	const shaftNoise, engineNoise = 0.6, 0.5
	engine := drive.Message{Name: "Crank", ID: w.base, Len: 8, PeriodMs: w.engineMs, JitterUs: 500, LatencyUs: 900, Signals: []drive.Signal{
		{Name: "CrankSpeed", Field: le(0, 16), Scale: w.speedScale, Unit: "rpm", Role: stream.EngineSpeed, Noise: engineNoise, MaxRaw: 0xFAFF},
		{Name: "Pedal", Field: le(32, 8), Scale: 0.5, Unit: "%", Role: stream.Accelerator, MaxRaw: 0xFA},
		{Name: "BrakePedal", Field: le(40, 1), Scale: 1, Role: stream.Brake},
	}}
	if !w.noTorque {
		engine.Signals = append(engine.Signals, drive.Signal{Name: "CrankTorque", Field: le(16, 16), Scale: 0.1, Offset: -1000, Unit: "Nm",
			Role: stream.EngineTorque, Noise: 2, MaxRaw: 0xFAFF})
	}
	shafts := drive.Message{Name: "Shafts", ID: w.base + 0x31, Len: 8, PeriodMs: w.shaftMs, JitterUs: 600, LatencyUs: 1400, Signals: []drive.Signal{
		{Name: "GearSelected", Field: le(48, 4), Scale: 1, Role: stream.Gear, Codes: gearCodes(w.gears)},
	}}
	if !w.noTurbine {
		shafts.Signals = append(shafts.Signals, drive.Signal{Name: "InputShaft", Field: le(0, 16), Scale: w.speedScale, Unit: "rpm",
			Role: stream.TurbineSpeed, Noise: shaftNoise, DeadBelow: w.deadRPM, MaxRaw: 0xFAFF})
	}
	if w.output {
		shafts.Signals = append(shafts.Signals, drive.Signal{Name: "OutputShaft", Field: le(16, 16), Scale: w.speedScale, Unit: "rpm",
			Role: stream.OutputSpeed, Noise: shaftNoise, DeadBelow: w.deadRPM, MaxRaw: 0xFAFF})
	}
	m := []drive.Message{engine, shafts}
	if w.controlMs > 0 {
		control := drive.Message{Name: "Converter", ID: w.base + 0x72, Len: 4, PeriodMs: w.controlMs, JitterUs: 400, LatencyUs: 1000}
		switch w.command {
		case stream.ClutchCommand:
			control.Signals = append(control.Signals, drive.Signal{Name: "Solenoid", Field: le(0, 8), Scale: 0.5, Unit: "%", Role: w.command, MaxRaw: 0xFA})
		case stream.ClutchPressureCommand:
			control.Signals = append(control.Signals, drive.Signal{Name: "ClutchTarget", Field: le(0, 12), Scale: 1, Unit: "kPa", Role: w.command, MaxRaw: 4000})
		}
		if w.state {
			control.Signals = append(control.Signals, drive.Signal{Name: "Lockup", Field: le(16, 2), Scale: 1, Role: stream.LockupState, Codes: states()})
		}
		m = append(m, control)
	}
	road := drive.Message{Name: "Chassis", ID: w.base + 0xB4, Len: 8, PeriodMs: w.roadMs, JitterUs: 900, LatencyUs: 1800, Signals: []drive.Signal{
		{Name: "RoadSpeed", Field: le(0, 16), Scale: w.roadScale, Unit: "km/h", Role: stream.VehicleSpeed, Noise: 0.02, DeadBelow: 1.2},
	}}
	if w.acceleration {
		road.Signals = append(road.Signals, drive.Signal{Name: "Longitudinal", Field: le(16, 12), Signed: true, Scale: 0.01, Unit: "m/s2",
			Role: stream.Acceleration, Noise: 0.06})
	}
	oil := drive.Message{Name: "Sump", ID: w.base + 0x2A0, Len: 2, PeriodMs: 1000, JitterUs: 1500, LatencyUs: 1500, Signals: []drive.Signal{
		{Name: "OilTemperature", Field: le(0, 8), Scale: 1, Offset: -40, Unit: "degC", Role: stream.FluidTemperature, MaxRaw: 0xFA},
	}}
	return oneBus(append(m, road, oil))
}

// standard is the layout of a car that answers standard requests only: engine
// speed, road speed and pedal by the parameters 0C, 0D and 49 of SAE J1979,
// hz of them a second together.
func standard(hz float64) drive.Layout {
	answer := func(name string, fixed []byte, s drive.Signal) drive.Message {
		return drive.Message{Name: name, ID: 0x7E8, Len: 8, PeriodMs: 100, LatencyUs: 4000, JitterUs: 9000, Fill: 0x55, Fixed: fixed, Signals: []drive.Signal{s}}
	}
	l := oneBus([]drive.Message{
		answer("Revs", []byte{4, 0x41, 0x0C}, drive.Signal{Name: "EngineSpeed", Field: drive.Field{Start: 31, Length: 16, BigEndian: true},
			Scale: 0.25, Unit: "rpm", Role: stream.EngineSpeed, Noise: 1}),
		answer("Road", []byte{3, 0x41, 0x0D}, drive.Signal{Name: "VehicleSpeed", Field: le(24, 8), Scale: 1, Unit: "km/h", Role: stream.VehicleSpeed}),
		answer("Pedal", []byte{3, 0x41, 0x49}, drive.Signal{Name: "Accelerator", Field: le(24, 8), Scale: 100.0 / 255, Unit: "%", Role: stream.Accelerator}),
	})
	l.Polled, l.PollHz = true, hz
	return l
}

// heavy is the layout of SAE J1939-71, as the built-in definitions read it:
// the lockup bits are all that is said of the clutch.
func heavy(v *Vehicle, deadRPM float64) drive.Layout {
	gears := map[int]int64{stream.GearNeutral: 125, stream.GearReverse: 124, stream.GearPark: 251}
	for g := range v.Box.Ratios {
		gears[g+1] = int64(126 + g)
	}
	per := v.Engine.PeakNm / 100
	msg := func(name string, id uint32, ms int, s ...drive.Signal) drive.Message {
		return drive.Message{Name: name, ID: id, Extended: true, Len: 8, PeriodMs: ms, JitterUs: 700, LatencyUs: 1300, Fill: 0xFF, Signals: s}
	}
	l := oneBus([]drive.Message{
		msg("EEC1", 0x0CF00400, 20,
			drive.Signal{Name: "ActualEngineTorque", Field: le(16, 8), Scale: per, Offset: -125 * per, Role: stream.EngineTorque, MaxRaw: 0xFA},
			drive.Signal{Name: "EngineSpeed", Field: le(24, 16), Scale: 0.125, Role: stream.EngineSpeed, Noise: 0.5, MaxRaw: 0xFAFF}),
		msg("ETC1", 0x0CF00203, 10,
			drive.Signal{Name: "LockupEngaged", Field: le(2, 2), Scale: 1, Role: stream.LockupState, Codes: map[int]int64{0: 0, 1: 1, 2: 1}},
			drive.Signal{Name: "ShiftInProcess", Field: le(4, 2), Scale: 1, Role: stream.Shifting},
			drive.Signal{Name: "OutputShaftSpeed", Field: le(8, 16), Scale: 0.125, Role: stream.OutputSpeed, Noise: 0.4, DeadBelow: deadRPM, MaxRaw: 0xFAFF},
			drive.Signal{Name: "InputShaftSpeed", Field: le(40, 16), Scale: 0.125, Role: stream.TurbineSpeed, Noise: 0.6, DeadBelow: deadRPM, MaxRaw: 0xFAFF}),
		msg("EEC2", 0x0CF00300, 50, drive.Signal{Name: "AcceleratorPosition", Field: le(8, 8), Scale: 0.4, Role: stream.Accelerator, MaxRaw: 0xFA}),
		msg("ETC2", 0x18F00503, 100, drive.Signal{Name: "CurrentGear", Field: le(24, 8), Scale: 1, Role: stream.Gear, Codes: gears}),
		msg("CCVS", 0x18FEF100, 100,
			drive.Signal{Name: "WheelBasedSpeed", Field: le(8, 16), Scale: 1.0 / 256, Role: stream.VehicleSpeed, Noise: 0.02, DeadBelow: 1, MaxRaw: 0xFAFF},
			drive.Signal{Name: "BrakeSwitch", Field: le(28, 2), Scale: 1, Role: stream.Brake}),
		msg("TRF1", 0x18FEF803, 1000, drive.Signal{Name: "OilTemperature", Field: le(32, 16), Scale: 0.03125, Offset: -273, Role: stream.FluidTemperature, MaxRaw: 0xFAFF}),
	})
	l.Bitrate, l.J1939 = []int{250000}, true
	return l
}
