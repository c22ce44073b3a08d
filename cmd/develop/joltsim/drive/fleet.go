package drive

import "joltwatch/stream"

// hatch is a small car that answers requests only: engine and turbine speed,
// gear and pedal a few times a second, road speed in whole km/h.
func hatch() *Vehicle {
	v := &Vehicle{
		Name: "hatch", MassKg: 1350, RollingCoefficient: 0.011, DragArea: 0.68,
		WheelRadius: 0.30, FinalDrive: 3.9, DrivenShare: 0.6, BrakeMax: 12500,
		EngineInertia: 0.17, TurbineInertia: 0.04,
		TorqueMax:     []float64{70, 90, 130, 165, 180, 182, 180, 178, 170, 160, 140},
		TorqueStepRPM: 500,
		FrictionNm:    9, FrictionSlope: 0.007, IdleRPM: 720, TorqueLag: 0.09,
		Converter: Converter{StallK: 172, StallRatio: 1.9, CouplingSR: 0.86, OverrunShare: 0.6},
		Clutch:    Clutch{TouchKPa: 180, NmPerKPa: 1.0, FillLag: 0.06, VentLag: 0.35},
		Ratios:    []float64{4.15, 2.37, 1.56, 1.16, 0.86, 0.69}, Reverse: 3.4,
		Control: Control{
			ApplyKmh: 14, ApplyKPa: 310, ClosedKPa: 420, DipKPa: 270, ReturnKPa: 340,
			PartialSlip: 40, HillSlipSteep: 180, HillSlipSlight: 55,
			ReleaseAbove: 130, ReleaseLead: 0.35,
			UpRPM: 1500, UpPedal: 24, DownRPM: 1000, DownPedal: 5,
			ShiftTime: 0.30, ClosedAboveC: 20,
		},
	}
	v.Layout = polled(v, 9, []Message{
		answer("GearboxAnswer", 0x7E9, []byte{5, 0x62, 0x19, 0x41},
			Signal{Name: "TurbineSpeed", Field: Field{39, 16, true}, Scale: 1, Unit: "rpm", Role: stream.TurbineSpeed, Noise: 1.5}),
	})
	return v
}

// saloon answers requests only, more slowly than the estate, and has no turbine
// speed, command or state of the clutch either: for choosing what such a car
// can be told by.
func saloon() *Vehicle {
	v := hatch()
	v.Name, v.MassKg, v.DragArea = "saloon", 1540, 0.66
	v.WheelRadius, v.FinalDrive, v.IdleRPM = 0.31, 3.55, 690
	v.Converter = Converter{StallK: 150, StallRatio: 2.0, CouplingSR: 0.85, OverrunShare: 0.55}
	v.Clutch = Clutch{TouchKPa: 190, NmPerKPa: 1.3, FillLag: 0.07, VentLag: 0.33}
	v.Ratios, v.Reverse = []float64{3.94, 2.20, 1.44, 1.08, 0.83, 0.62}, 3.1
	v.Control.ReleaseAbove, v.Control.PartialSlip = 60, 30
	v.Layout = polled(v, 6, nil)
	return v
}

// estate is a passenger car that answers requests only, and has no turbine
// speed, no clutch command and no clutch state to give: the turbine follows
// from road speed and gear.
func estate() *Vehicle {
	v := &Vehicle{
		Name: "estate", MassKg: 1780, RollingCoefficient: 0.011, DragArea: 0.74,
		WheelRadius: 0.32, FinalDrive: 3.3, DrivenShare: 0.55, BrakeMax: 16000,
		EngineInertia: 0.24, TurbineInertia: 0.05,
		TorqueMax:     []float64{100, 140, 260, 350, 380, 380, 370, 350, 310, 240},
		TorqueStepRPM: 500,
		FrictionNm:    14, FrictionSlope: 0.010, IdleRPM: 780, TorqueLag: 0.11, StopStart: true,
		Converter: Converter{StallK: 112, StallRatio: 1.75, CouplingSR: 0.87, OverrunShare: 0.6},
		Clutch:    Clutch{TouchKPa: 210, NmPerKPa: 1.9, FillLag: 0.06, VentLag: 0.30},
		Ratios:    []float64{4.70, 3.13, 2.10, 1.67, 1.29, 1.00, 0.84, 0.67}, Reverse: 3.3,
		Control: Control{
			ApplyKmh: 10, ApplyKPa: 330, ClosedKPa: 430, DipKPa: 300, ReturnKPa: 370,
			PartialSlip: 35, HillSlipSteep: 170, HillSlipSlight: 60,
			ReleaseAbove: 90, ReleaseLead: 0.40,
			UpRPM: 1250, UpPedal: 24, DownRPM: 940, DownPedal: 4,
			ShiftTime: 0.28, ClosedAboveC: 20,
		},
	}
	v.Layout = polled(v, 7, nil)
	return v
}

// polled is the layout of a car behind a gateway: engine speed, road speed and
// pedal by the standard's parameters 0C, 0D and 49 (scalings of SAE J1979),
// the gear by an invented data identifier. A request goes out when the answer
// before it has come, so all of them together come hz times a second.
func polled(v *Vehicle, hz float64, more []Message) Layout {
	m := []Message{
		answer("EngineAnswer", 0x7E8, []byte{4, 0x41, 0x0C},
			Signal{Name: "EngineSpeed", Field: Field{31, 16, true}, Scale: 0.25, Unit: "rpm", Role: stream.EngineSpeed, Noise: 1}),
		answer("RoadAnswer", 0x7E8, []byte{3, 0x41, 0x0D},
			Signal{Name: "VehicleSpeed", Field: Field{24, 8, false}, Scale: 1, Unit: "km/h", Role: stream.VehicleSpeed}),
		answer("GearAnswer", 0x7E9, []byte{4, 0x62, 0x19, 0x52},
			Signal{Name: "Gear", Field: Field{32, 8, false}, Scale: 1, Role: stream.Gear, Codes: gearCodes(len(v.Ratios))}),
		answer("PedalAnswer", 0x7E8, []byte{3, 0x41, 0x49},
			Signal{Name: "Accelerator", Field: Field{24, 8, false}, Scale: 100.0 / 255, Unit: "%", Role: stream.Accelerator}),
	}
	m = append(m, more...)
	return Layout{Buses: []string{"can0"}, Bitrate: []int{500000}, Offset: []int64{0}, DriftPPM: []float64{0},
		Messages: m, Polled: true, PollHz: hz}
}

func answer(name string, id uint32, fixed []byte, s Signal) Message {
	return Message{Name: name, ID: id, Len: 8, PeriodMs: 100, LatencyUs: 2500, JitterUs: 6000,
		Fill: 0xAA, Fixed: fixed, Signals: []Signal{s}}
}

// minibus has a pressure command on the bus like the van, but another engine,
// converter, gearbox, calibration and layout: speeds every 10 ms in whole or
// half revolutions, the command every 25 ms, big-endian.
func minibus() *Vehicle {
	return &Vehicle{
		Name: "minibus", MassKg: 3700, RollingCoefficient: 0.010, DragArea: 1.9,
		WheelRadius: 0.36, FinalDrive: 3.7, DrivenShare: 0.55, BrakeMax: 27000,
		EngineInertia: 0.31, TurbineInertia: 0.06,
		TorqueMax:     []float64{110, 170, 330, 400, 410, 405, 390, 370, 330, 220},
		TorqueStepRPM: 500,
		FrictionNm:    16, FrictionSlope: 0.012, IdleRPM: 700, TorqueLag: 0.10,
		Converter: Converter{StallK: 108, StallRatio: 2.1, CouplingSR: 0.86, OverrunShare: 0.55},
		Clutch:    Clutch{TouchKPa: 160, NmPerKPa: 1.7, FillLag: 0.09, VentLag: 0.28},
		Ratios:    []float64{4.70, 2.98, 2.15, 1.77, 1.52, 1.28, 1.00, 0.85}, Reverse: 3.9,
		Control: Control{
			ApplyKmh: 7, ApplyKPa: 330, ClosedKPa: 440, DipKPa: 290, ReturnKPa: 350,
			PartialSlip: 40, HillSlipSteep: 220, HillSlipSlight: 60,
			OpenSecondPedal: 45, OpenSecondRPM: 2100,
			ReleaseAbove: 80, ReleaseLead: 0.38,
			UpRPM: 1200, UpPedal: 26, DownRPM: 930, DownPedal: 4,
			ShiftTime: 0.25, ClosedAboveC: 18,
		},
		Layout: Layout{
			Buses: []string{"can0"}, Bitrate: []int{500000}, Offset: []int64{0}, DriftPPM: []float64{0},
			Messages: []Message{
				{Name: "Motor", ID: 0x0A5, Len: 8, PeriodMs: 10, JitterUs: 400, LatencyUs: 900,
					Counter: Field{56, 4, false},
					Signals: []Signal{
						{Name: "Speed", Field: Field{7, 14, true}, Scale: 0.5, Unit: "rpm", Role: stream.EngineSpeed, Noise: 0.9, MaxRaw: 16000},
						{Name: "Torque", Field: Field{23, 12, true}, Scale: 0.5, Offset: -400, Unit: "Nm", Role: stream.EngineTorque, Noise: 2, MaxRaw: 4000},
						{Name: "Pedal", Field: Field{39, 10, true}, Scale: 0.1, Unit: "%", Role: stream.Accelerator, MaxRaw: 1000},
					}},
				{Name: "Shafts", ID: 0x0F9, Len: 6, PeriodMs: 10, JitterUs: 300, LatencyUs: 1400,
					Signals: []Signal{
						{Name: "InputShaft", Field: Field{7, 13, true}, Scale: 1, Unit: "rpm", Role: stream.TurbineSpeed, Noise: 0.8, DeadBelow: 30, MaxRaw: 8000},
						{Name: "OutputShaft", Field: Field{23, 13, true}, Scale: 1, Unit: "rpm", Role: stream.OutputSpeed, Noise: 0.5, DeadBelow: 15, MaxRaw: 8000},
					}},
				{Name: "Box", ID: 0x1D2, Len: 8, PeriodMs: 25, JitterUs: 500, LatencyUs: 1100,
					Checksum: Field{56, 8, false}, ChecksumKind: ChecksumSum,
					Signals: []Signal{
						{Name: "LinePressureClutch", Field: Field{7, 11, true}, Scale: 1, Unit: "kPa", Role: stream.ClutchPressureCommand, MaxRaw: 2000},
						{Name: "GearNow", Field: Field{19, 4, true}, Scale: 1, Role: stream.Gear, Codes: gearCodes(8)},
						{Name: "ShiftBusy", Field: Field{24, 1, true}, Scale: 1, Role: stream.Shifting},
					}},
				{Name: "Road", ID: 0x254, Len: 8, PeriodMs: 20, JitterUs: 700, LatencyUs: 2000,
					Signals: []Signal{
						{Name: "RoadSpeed", Field: Field{0, 16, false}, Scale: 1.0 / 128, Unit: "km/h", Role: stream.VehicleSpeed, Noise: 0.02, DeadBelow: 1},
						{Name: "Brake", Field: Field{20, 1, false}, Scale: 1, Role: stream.Brake},
					}},
				{Name: "Oil", ID: 0x4B1, Len: 3, PeriodMs: 1000, JitterUs: 2000, LatencyUs: 2000,
					Signals: []Signal{
						{Name: "GearboxOil", Field: Field{0, 8, false}, Scale: 1, Offset: -50, Unit: "degC", Role: stream.FluidTemperature, MaxRaw: 250},
					}},
			},
		},
	}
}

// pickup says neither pressure nor duty, only whether its clutch is open,
// partial or closed, and on another bus than the engine.
func pickup() *Vehicle {
	return &Vehicle{
		Name: "pickup", MassKg: 2350, RollingCoefficient: 0.012, DragArea: 1.3,
		WheelRadius: 0.38, FinalDrive: 3.55, DrivenShare: 0.5, BrakeMax: 19500,
		EngineInertia: 0.27, TurbineInertia: 0.06,
		TorqueMax:     []float64{120, 200, 280, 320, 345, 355, 360, 365, 360, 345, 310},
		TorqueStepRPM: 500,
		FrictionNm:    15, FrictionSlope: 0.009, IdleRPM: 600, TorqueLag: 0.08,
		Converter: Converter{StallK: 125, StallRatio: 2.2, CouplingSR: 0.85, OverrunShare: 0.6},
		Clutch:    Clutch{TouchKPa: 200, NmPerKPa: 1.8, FillLag: 0.10, VentLag: 0.45},
		Ratios:    []float64{3.52, 2.04, 1.40, 1.00, 0.72}, Reverse: 3.2,
		Control: Control{
			ApplyKmh: 10, ApplyKPa: 350, ClosedKPa: 430, DipKPa: 300, ReturnKPa: 370,
			PartialSlip: 50, HillSlipSteep: 260, HillSlipSlight: 70,
			ReleaseAbove: 150, ReleaseLead: 0.50,
			UpRPM: 1250, UpPedal: 22, DownRPM: 850, DownPedal: 5,
			ShiftTime: 0.40, ClosedAboveC: 30,
		},
		Layout: Layout{
			Buses: []string{"can0", "can1"}, Bitrate: []int{500000, 250000},
			Offset: []int64{0, 4000}, DriftPPM: []float64{0, 0},
			Messages: []Message{
				{Name: "PowerUnit", ID: 0x0C8, Len: 8, PeriodMs: 12, JitterUs: 500, LatencyUs: 1000,
					Signals: []Signal{
						{Name: "Revolutions", Field: Field{8, 16, false}, Scale: 0.25, Unit: "rpm", Role: stream.EngineSpeed, Noise: 1.2, MaxRaw: 0xFAFF},
						{Name: "PedalPosition", Field: Field{32, 8, false}, Scale: 100.0 / 255, Unit: "%", Role: stream.Accelerator},
						{Name: "Braking", Field: Field{47, 1, false}, Scale: 1, Role: stream.Brake},
					}},
				{Name: "Transmission", ID: 0x1F5, Bus: 1, Len: 8, PeriodMs: 25, JitterUs: 900, LatencyUs: 1500,
					Signals: []Signal{
						{Name: "TurbineRpm", Field: Field{7, 16, true}, Scale: 0.25, Unit: "rpm", Role: stream.TurbineSpeed, Noise: 1.5, DeadBelow: 40, MaxRaw: 0xFAFF},
						{Name: "OutputRpm", Field: Field{23, 16, true}, Scale: 0.25, Unit: "rpm", Role: stream.OutputSpeed, Noise: 0.8, DeadBelow: 20, MaxRaw: 0xFAFF},
						{Name: "ConverterState", Field: Field{33, 2, false}, Scale: 1, Role: stream.LockupState, Codes: lockupCodes()},
						{Name: "GearActual", Field: Field{36, 4, false}, Scale: 1, Role: stream.Gear, Codes: gearCodes(5)},
						{Name: "InShift", Field: Field{40, 1, false}, Scale: 1, Role: stream.Shifting},
					}},
				{Name: "Wheels", ID: 0x34A, Len: 8, PeriodMs: 30, JitterUs: 900, LatencyUs: 2000,
					Signals: []Signal{
						{Name: "RoadSpeed", Field: Field{7, 15, true}, Scale: 0.02, Unit: "km/h", Role: stream.VehicleSpeed, Noise: 0.05, DeadBelow: 1.5},
					}},
				{Name: "Temps", ID: 0x4C1, Bus: 1, Len: 8, PeriodMs: 500, JitterUs: 2000, LatencyUs: 2000,
					Signals: []Signal{
						{Name: "Fluid", Field: Field{16, 8, false}, Scale: 1, Offset: -40, Unit: "degC", Role: stream.FluidTemperature, MaxRaw: 250},
					}},
			},
		},
	}
}

// lorry speaks SAE J1939: parameter groups, positions and scalings of the
// public J1939-71, as the built-in definitions read them.
func lorry() *Vehicle {
	v := &Vehicle{
		Name: "lorry", MassKg: 15500, RollingCoefficient: 0.0075, DragArea: 5.2,
		WheelRadius: 0.50, FinalDrive: 4.9, DrivenShare: 0.6, BrakeMax: 100000,
		EngineInertia: 1.7, TurbineInertia: 0.28,
		TorqueMax:     []float64{350, 600, 1050, 1150, 1100, 900, 0},
		TorqueStepRPM: 500,
		FrictionNm:    55, FrictionSlope: 0.065, IdleRPM: 650, TorqueLag: 0.18,
		TorqueReferenceNm: 1150,
		Converter:         Converter{StallK: 53, StallRatio: 1.9, CouplingSR: 0.87, OverrunShare: 0.5},
		Clutch:            Clutch{TouchKPa: 200, NmPerKPa: 6.5, FillLag: 0.11, VentLag: 0.35},
		Ratios:            []float64{3.49, 1.86, 1.41, 1.00, 0.75, 0.65}, Reverse: 5.0,
		Control: Control{
			ApplyKmh: 9, ApplyKPa: 380, ClosedKPa: 480, DipKPa: 330, ReturnKPa: 410,
			PartialSlip: 0, HillSlipSteep: 0, HillSlipSlight: 0,
			ReleaseAbove: 120, ReleaseLead: 0.40,
			UpRPM: 1250, UpPedal: 7, DownRPM: 900, DownPedal: 2,
			ShiftTime: 0.45, ClosedAboveC: 20,
		},
	}
	gears := map[int]int64{stream.GearNeutral: 125, stream.GearReverse: 124, stream.GearPark: 251}
	for g := range v.Ratios {
		gears[g+1] = int64(126 + g)
	}
	le := func(start, length uint8) Field { return Field{start, length, false} }
	v.Layout = Layout{
		Buses: []string{"can0"}, Bitrate: []int{250000}, Offset: []int64{0}, DriftPPM: []float64{0}, J1939: true,
		Messages: []Message{
			{Name: "EEC1", ID: 0x0CF00400, Extended: true, Len: 8, PeriodMs: 20, JitterUs: 900, LatencyUs: 1500, Fill: 0xFF,
				Signals: []Signal{
					// One percent of the reference torque, offset -125 %.
					{Name: "ActualEngineTorque", Field: le(16, 8), Scale: 11.5, Offset: -1437.5, Role: stream.EngineTorque, MaxRaw: 0xFA},
					{Name: "EngineSpeed", Field: le(24, 16), Scale: 0.125, Role: stream.EngineSpeed, Noise: 0.8, MaxRaw: 0xFAFF},
				}},
			{Name: "ETC1", ID: 0x0CF00203, Extended: true, Len: 8, PeriodMs: 10, JitterUs: 600, LatencyUs: 1200, Fill: 0xFF,
				Signals: []Signal{
					{Name: "LockupEngaged", Field: le(2, 2), Scale: 1, Role: stream.LockupState, Codes: map[int]int64{0: 0, 1: 1, 2: 1}},
					{Name: "ShiftInProcess", Field: le(4, 2), Scale: 1, Role: stream.Shifting},
					{Name: "OutputShaftSpeed", Field: le(8, 16), Scale: 0.125, Role: stream.OutputSpeed, Noise: 0.4, DeadBelow: 10, MaxRaw: 0xFAFF},
					{Name: "InputShaftSpeed", Field: le(40, 16), Scale: 0.125, Role: stream.TurbineSpeed, Noise: 0.7, DeadBelow: 20, MaxRaw: 0xFAFF},
				}},
			{Name: "EEC2", ID: 0x0CF00300, Extended: true, Len: 8, PeriodMs: 50, JitterUs: 900, LatencyUs: 1500, Fill: 0xFF,
				Signals: []Signal{{Name: "AcceleratorPosition", Field: le(8, 8), Scale: 0.4, Role: stream.Accelerator, MaxRaw: 0xFA}}},
			{Name: "ETC2", ID: 0x18F00503, Extended: true, Len: 8, PeriodMs: 100, JitterUs: 1500, LatencyUs: 2000, Fill: 0xFF,
				Signals: []Signal{{Name: "CurrentGear", Field: le(24, 8), Scale: 1, Role: stream.Gear, Codes: gears}}},
			{Name: "CCVS", ID: 0x18FEF100, Extended: true, Len: 8, PeriodMs: 100, JitterUs: 1500, LatencyUs: 3000, Fill: 0xFF,
				Signals: []Signal{
					{Name: "WheelBasedSpeed", Field: le(8, 16), Scale: 1.0 / 256, Role: stream.VehicleSpeed, Noise: 0.02, DeadBelow: 1, MaxRaw: 0xFAFF},
					{Name: "BrakeSwitch", Field: le(28, 2), Scale: 1, Role: stream.Brake},
				}},
			{Name: "TRF1", ID: 0x18FEF803, Extended: true, Len: 8, PeriodMs: 1000, JitterUs: 2000, LatencyUs: 3000, Fill: 0xFF,
				Signals: []Signal{{Name: "OilTemperature", Field: le(32, 16), Scale: 0.03125, Offset: -273, Role: stream.FluidTemperature, MaxRaw: 0xFAFF}}},
		},
	}
	return v
}
