package drive

import (
	"fmt"
	"strings"

	"joltwatch/stream"
)

// Vehicles are the invented vehicles. Tuning vehicles serve while thresholds
// are chosen, the others only for scoring; see Library.
func Vehicles() []*Vehicle {
	return []*Vehicle{van(), hatch(), saloon(), minibus(), pickup(), lorry(), estate()}
}

// VehicleByName returns a vehicle, or an error that lists the names.
func VehicleByName(name string) (*Vehicle, error) {
	var names []string
	for _, v := range append(Vehicles(), crewbus()) {
		if v.Name == name {
			return v, nil
		}
		names = append(names, v.Name)
	}
	return nil, fmt.Errorf("no vehicle %q (there are %s)", name, strings.Join(names, ", "))
}

// gearCodes is the usual coding of a gear field in our layouts.
func gearCodes(gears int) map[int]int64 {
	m := map[int]int64{stream.GearNeutral: 0, stream.GearReverse: 13, stream.GearPark: 14}
	for g := 1; g <= gears; g++ {
		m[g] = int64(g)
	}
	return m
}

func lockupCodes() map[int]int64 { return map[int]int64{0: 0, 1: 1, 2: 2} }

// van is a delivery van with a six-speed automatic and a pressure command on
// the bus. Its calibration gives the figures that are common practice: see
// the tests.
func van() *Vehicle {
	return &Vehicle{
		Name: "van", MassKg: 2850, RollingCoefficient: 0.011, DragArea: 1.55,
		WheelRadius: 0.40, FinalDrive: 2.92, DrivenShare: 0.45, BrakeMax: 22000,
		EngineInertia: 0.38, TurbineInertia: 0.07,
		TorqueMax:     []float64{120, 190, 390, 430, 430, 420, 390, 330, 200},
		TorqueStepRPM: 500,
		FrictionNm:    18, FrictionSlope: 0.014, IdleRPM: 650, TorqueLag: 0.12,
		Converter: Converter{StallK: 98, StallRatio: 1.95, CouplingSR: 0.88, OverrunShare: 0.6},
		Clutch:    Clutch{TouchKPa: 250, NmPerKPa: 2.6, FillLag: 0.07, VentLag: 0.40},
		Ratios:    []float64{4.06, 2.37, 1.55, 1.16, 0.86, 0.69}, Reverse: 3.4,
		Control: Control{
			ApplyKmh: 9, ApplyKPa: 380, ClosedKPa: 415, DipKPa: 310, ReturnKPa: 360,
			PartialSlip: 45, HillSlipSteep: 250, HillSlipSlight: 65,
			OpenSecondPedal: 36, OpenSecondRPM: 1980,
			ReleaseAbove: 60, ReleaseLead: 0.45,
			UpRPM: 1050, UpPedal: 25, DownRPM: 850, DownPedal: 4.5,
			ShiftTime: 0.35, ClosedAboveC: 25,
		},
		Layout: Layout{
			Buses: []string{"can0"}, Bitrate: []int{500000}, Offset: []int64{0}, DriftPPM: []float64{0},
			Messages: []Message{
				{Name: "EngineData", ID: 0x121, Len: 8, PeriodMs: 20, JitterUs: 600, LatencyUs: 1500,
					Counter: Field{52, 4, false}, Checksum: Field{56, 8, false}, ChecksumKind: ChecksumCRC8,
					Signals: []Signal{
						{Name: "EngineSpeed", Field: Field{7, 16, true}, Scale: 0.25, Unit: "rpm", Role: stream.EngineSpeed, Noise: 0.6, MaxRaw: 0xFAFF},
						{Name: "EngineTorque", Field: Field{23, 16, true}, Scale: 0.05, Offset: -1000, Unit: "Nm", Role: stream.EngineTorque, Noise: 1.0, MaxRaw: 0xFAFF},
						{Name: "Accelerator", Field: Field{39, 8, true}, Scale: 0.4, Unit: "%", Role: stream.Accelerator, MaxRaw: 0xFA},
					}},
				{Name: "GearboxSpeeds", ID: 0x1A3, Len: 7, PeriodMs: 20, JitterUs: 700, LatencyUs: 1800,
					Counter: Field{36, 4, false}, Checksum: Field{48, 8, false}, ChecksumKind: ChecksumXOR,
					Signals: []Signal{
						{Name: "TurbineSpeed", Field: Field{0, 16, false}, Scale: 0.25, Unit: "rpm", Role: stream.TurbineSpeed, Noise: 0.8, DeadBelow: 12, MaxRaw: 0xFAFF},
						{Name: "OutputSpeed", Field: Field{16, 16, false}, Scale: 0.125, Unit: "rpm", Role: stream.OutputSpeed, Noise: 0.3, DeadBelow: 5, MaxRaw: 0xFAFF},
					}},
				{Name: "ClutchControl", ID: 0x1A5, Len: 8, PeriodMs: 20, JitterUs: 500, LatencyUs: 1200,
					Counter: Field{60, 4, false},
					Signals: []Signal{
						{Name: "ClutchPressureCommand", Field: Field{0, 12, false}, Scale: 0.5, Unit: "kPa", Role: stream.ClutchPressureCommand, MaxRaw: 4000},
						{Name: "ClutchPressure", Field: Field{12, 12, false}, Scale: 0.5, Unit: "kPa", Role: stream.ClutchPressure, Noise: 1.5, MaxRaw: 4000},
						{Name: "Gear", Field: Field{24, 4, false}, Scale: 1, Role: stream.Gear, Codes: gearCodes(6)},
						{Name: "Shifting", Field: Field{28, 1, false}, Scale: 1, Role: stream.Shifting},
						{Name: "ClutchState", Field: Field{30, 2, false}, Scale: 1, Role: stream.LockupState, Codes: lockupCodes()},
					}},
				{Name: "ChassisData", ID: 0x2B0, Len: 8, PeriodMs: 40, JitterUs: 900, LatencyUs: 2500,
					Counter: Field{56, 8, false},
					Signals: []Signal{
						{Name: "VehicleSpeed", Field: Field{7, 16, true}, Scale: 0.01, Unit: "km/h", Role: stream.VehicleSpeed, Noise: 0.02, DeadBelow: 0.4, MaxRaw: 0xFAFF},
						{Name: "Brake", Field: Field{16, 1, false}, Scale: 1, Role: stream.Brake},
						{Name: "Acceleration", Field: Field{24, 12, false}, Signed: true, Scale: 0.02, Unit: "m/s2", Role: stream.Acceleration, Noise: 0.05},
					}},
				{Name: "GearboxStatus", ID: 0x3C4, Len: 4, PeriodMs: 500, JitterUs: 2000, LatencyUs: 3000,
					Signals: []Signal{
						{Name: "FluidTemperature", Field: Field{0, 8, false}, Scale: 1, Offset: -40, Unit: "degC", Role: stream.FluidTemperature, MaxRaw: 0xFA},
						{Name: "Supply", Field: Field{8, 8, false}, Scale: 0.1, Unit: "V", Role: stream.SupplyVoltage, Noise: 0.05, MaxRaw: 0xFA},
						{Name: "Button", Field: Field{16, 1, false}, Scale: 1, Role: stream.DriverMark},
					}},
			},
		},
	}
}
