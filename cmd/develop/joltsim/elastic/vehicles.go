package elastic

import (
	"fmt"
	"strings"

	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/stream"
)

// Vehicles returns the vehicles of a set; no vehicle is in both.
func Vehicles(set drive.Set) []*Vehicle {
	if set == drive.Tuning {
		return []*Vehicle{coupe(), hauler(), wagon(), shuttle(), compact(), runabout(), roadster()}
	}
	return []*Vehicle{tourer(), tipper(), camper(), taxi(), cabrio(), liftback(), sedan(), limousine()}
}

// ByName returns a vehicle of either set, or an error that lists the names.
func ByName(name string) (*Vehicle, error) {
	var names []string
	for _, set := range []drive.Set{drive.Tuning, drive.Scoring} {
		for _, v := range append(Vehicles(set), Instrumented(set)...) {
			if v.Name == name {
				return v, nil
			}
			names = append(names, v.Name)
		}
	}
	return nil, fmt.Errorf("no vehicle %q in this family (there are %s)", name, strings.Join(names, ", "))
}

// car is a passenger car of middle size, from which others differ.
func car(name, what string) *Vehicle {
	return &Vehicle{
		Name: name, What: what,
		Body: Body{MassKg: 1620, Rolling: 0.011, DragArea: 0.70, WheelRadiusM: 0.315, BrakeMaxN: 15000, DrivenShare: 0.55,
			WheelInertia: 2.4, ShaftNmPerRad: 7500, ShaftNms: 45, TyrePerSlip: 14},
		Engine: Engine{Inertia: 0.21, PeakNm: 290, PeakRPM: 2600, FrictionNm: 12, FrictionPerRPM: 0.009, IdleRPM: 720, LagS: 0.11,
			GovernorNmPerRPM: 0.35, ConverterScale: 1},
		Box: Box{Ratios: []float64{4.31, 2.52, 1.67, 1.22, 0.92, 0.71}, Reverse: 3.5, Final: 3.45, TurbineInertia: 0.045,
			UpRPM: 1400, UpPedal: 24, DownRPM: 1010, DownPedal: 5, ShiftS: 0.35},
		Clutch: Clutch{CapacityNm: 620, Touch: 0.15, Drift: 0.05, FillS: 0.06, VentS: 0.11, ApplyKmh: 13, ReleaseAbove: 130, ReleaseLeadS: 0.3,
			SlipRPM: 35, HillRPM: 80, LockLevel: 0.62, CoastLevel: 0.5, DipLevel: 0.34, ClosedAboveC: 18},
	}
}

// Tuning vehicles.

func coupe() *Vehicle {
	v := car("coupe", "duty to 88 %, slow engine speed, early gear, lets go in shifts")
	v.Clutch.LetsGoInShift = true
	v.Sensing = Sensing{EngineFilterS: 0.045, EngineDelayS: 0.020, RippleRPM: 5, CommandTop: 88, GearAnnounce: true, RoadDelayS: 0.06}
	v.Layout = wiring{base: 0x110, engineMs: 20, shaftMs: 20, controlMs: 20, roadMs: 40, output: true, command: stream.ClutchCommand,
		roadScale: 0.01, speedScale: 0.25, deadRPM: 70, gears: 6}.layout()
	return v
}

func hauler() *Vehicle {
	v := car("hauler", "J1939, lockup bits only, slow shafts")
	v.Body = Body{MassKg: 12500, Rolling: 0.0075, DragArea: 4.8, WheelRadiusM: 0.49, BrakeMaxN: 85000, DrivenShare: 0.62,
		WheelInertia: 38, ShaftNmPerRad: 52000, ShaftNms: 420, TyrePerSlip: 10}
	v.Engine = Engine{Inertia: 1.5, PeakNm: 1050, PeakRPM: 1450, FrictionNm: 50, FrictionPerRPM: 0.06, IdleRPM: 650, LagS: 0.17,
		GovernorNmPerRPM: 1.4, ConverterScale: 3.9}
	v.Box = Box{Ratios: []float64{3.51, 1.91, 1.43, 1.00, 0.74, 0.64}, Reverse: 4.8, Final: 5.1, TurbineInertia: 0.25,
		UpRPM: 1300, UpPedal: 6, DownRPM: 930, DownPedal: 2, ShiftS: 0.5}
	v.Clutch = Clutch{CapacityNm: 2300, Touch: 0.2, Drift: 0.02, FillS: 0.10, VentS: 0.13, ApplyKmh: 10, ReleaseAbove: 150, ReleaseLeadS: 0.3,
		LockLevel: 0.8, CoastLevel: 0.7, DipLevel: 0.5, ClosedAboveC: 15}
	v.Sensing = Sensing{TurbineFilterS: 0.022, TurbineDelayS: 0.008, OutputFilterS: 0.022, OutputDelayS: 0.008, RippleRPM: 1.5, Report: ReportCopy}
	v.Layout = heavy(v, 60)
	return v
}

func wagon() *Vehicle {
	v := car("wagon", "pressure command, everything every 100 ms")
	v.Body.MassKg, v.Body.DragArea = 1890, 0.76
	v.Engine.PeakNm, v.Engine.PeakRPM, v.Engine.IdleRPM = 380, 2100, 780
	v.Box.Ratios = []float64{4.7, 3.1, 2.1, 1.67, 1.29, 1.0, 0.84, 0.67}
	v.Box.Final, v.Box.UpRPM, v.Box.DownRPM, v.Box.ShiftS = 3.2, 1300, 980, 0.28
	v.Clutch.CapacityNm, v.Clutch.OpensDown = 760, true
	v.Sensing = Sensing{EngineFilterS: 0.030, RippleRPM: 4, CommandTop: 900, RoadDelayS: 0.08}
	v.Layout = wiring{base: 0x140, engineMs: 100, shaftMs: 100, controlMs: 100, roadMs: 100, output: true, command: stream.ClutchPressureCommand,
		roadScale: 0.05, speedScale: 0.5, deadRPM: 80, gears: 8}.layout()
	return v
}

func shuttle() *Vehicle {
	v := car("shuttle", "duty to 62 %, no turbine speed, state lags")
	v.Body.MassKg, v.Body.DragArea, v.Body.BrakeMaxN = 3300, 1.75, 26000
	v.Engine.PeakNm, v.Engine.PeakRPM, v.Engine.Inertia, v.Engine.ConverterScale = 420, 2000, 0.3, 1.35
	v.Box.Ratios, v.Box.Final = []float64{4.9, 3.05, 2.2, 1.72, 1.32, 1.0, 0.82}, 3.6
	v.Clutch.CapacityNm, v.Clutch.SlipRPM, v.Clutch.ReleaseAbove = 850, 45, 100
	v.Sensing = Sensing{EngineDelayS: 0.035, OutputFilterS: 0.010, RippleRPM: 3, CommandTop: 62, Report: ReportTrue, ReportLagS: 0.25, GearAnnounce: true}
	v.Layout = wiring{base: 0x0B8, engineMs: 10, shaftMs: 20, controlMs: 20, roadMs: 50, noTurbine: true, output: true, command: stream.ClutchCommand,
		state: true, roadScale: 0.02, speedScale: 0.5, deadRPM: 60, gears: 7}.layout()
	return v
}

func compact() *Vehicle {
	v := car("compact", "no command, late engine speed, whole km/h 17 a second")
	v.Body.MassKg, v.Body.DragArea, v.Engine.PeakNm, v.Clutch.CapacityNm = 1290, 0.64, 210, 460
	v.Engine.ConverterScale, v.Engine.Inertia = 0.75, 0.16
	v.Clutch.HillRPM, v.Clutch.SlipRPM = 0, 30
	v.Sensing = Sensing{EngineDelayS: 0.060, RippleRPM: 4.5, GearAnnounce: true, RoadDelayS: 0.1}
	v.Layout = wiring{base: 0x180, engineMs: 20, shaftMs: 10, roadMs: 59, output: true, command: stream.NumRoles, noTorque: true,
		roadScale: 1, speedScale: 0.5, deadRPM: 95, gears: 6}.layout()
	return v
}

func runabout() *Vehicle {
	v := car("runabout", "standard requests: engine, road, pedal")
	v.Body.MassKg, v.Engine.PeakNm, v.Engine.IdleRPM, v.Clutch.CapacityNm = 1380, 240, 690, 500
	v.Box.Ratios, v.Box.Final = []float64{4.38, 2.86, 1.92, 1.37, 1.0, 0.82, 0.73}, 2.9
	v.Clutch.HillRPM, v.Clutch.SlipRPM = 0, 25
	v.Sensing = Sensing{EngineDelayS: 0.030, RippleRPM: 2, RoadDelayS: 0.40}
	v.Layout = standard(9)
	return v
}

func roadster() *Vehicle {
	v := car("roadster", "state bit that rises after the slip is gone")
	v.Body.MassKg, v.Engine.PeakNm, v.Engine.PeakRPM = 1430, 320, 3200
	v.Box.UpRPM, v.Box.DownRPM = 1600, 1150
	v.Clutch.ReleaseAbove = 380 // lets go gears above the last
	v.Sensing = Sensing{EngineFilterS: 0.020, EngineDelayS: 0.030, RippleRPM: 6, Report: ReportSettle, ReportLagS: 0.3}
	v.Layout = wiring{base: 0x1A2, engineMs: 10, shaftMs: 10, controlMs: 40, roadMs: 20, output: true, command: stream.NumRoles, state: true,
		roadScale: 0.01, speedScale: 0.25, deadRPM: 75, gears: 6, acceleration: true}.layout()
	return v
}

// Scoring vehicles.

func tourer() *Vehicle {
	v := car("tourer", "duty to 71 %, engine speed through 90 ms")
	v.Body.MassKg, v.Body.ShaftNmPerRad, v.Engine.PeakNm = 1770, 6200, 340
	v.Box.Ratios, v.Box.Final = []float64{4.15, 2.37, 1.55, 1.16, 0.86, 0.69}, 3.6
	v.Clutch.Touch, v.Clutch.Drift, v.Clutch.CapacityNm = 0.13, 0.06, 700
	v.Sensing = Sensing{EngineFilterS: 0.090, EngineDelayS: 0.010, RippleRPM: 6.5, CommandTop: 71, RoadDelayS: 0.05}
	v.Layout = wiring{base: 0x0C2, engineMs: 15, shaftMs: 15, controlMs: 25, roadMs: 25, output: true, command: stream.ClutchCommand,
		roadScale: 0.02, speedScale: 0.5, deadRPM: 60, gears: 6}.layout()
	return v
}

func tipper() *Vehicle {
	v := hauler()
	v.Name, v.What = "tipper", "J1939, lockup bits 150 ms after the command"
	v.Body.MassKg, v.Body.ShaftNmPerRad, v.Body.WheelInertia = 16800, 61000, 52
	v.Engine.PeakNm, v.Engine.Inertia, v.Engine.ConverterScale, v.Engine.IdleRPM = 1400, 2.0, 5.1, 600
	v.Box.Ratios, v.Box.Final = []float64{3.49, 1.86, 1.41, 1.0, 0.75}, 5.6
	v.Clutch.CapacityNm, v.Clutch.VentS, v.Clutch.ReleaseAbove = 3100, 0.16, 330
	v.Sensing = Sensing{TurbineFilterS: 0.030, TurbineDelayS: 0.004, OutputFilterS: 0.030, OutputDelayS: 0.004, RippleRPM: 3, Report: ReportCopy,
		ReportLagS: 0.15, GearAnnounce: true}
	v.Layout = heavy(v, 90)
	return v
}

func camper() *Vehicle {
	v := car("camper", "pressure command, everything every 100 ms, opens in downshifts")
	v.Body.MassKg, v.Body.DragArea, v.Body.BrakeMaxN = 3450, 2.3, 26000
	v.Engine = Engine{Inertia: 0.33, PeakNm: 430, PeakRPM: 1900, FrictionNm: 18, FrictionPerRPM: 0.012, IdleRPM: 800, LagS: 0.13,
		GovernorNmPerRPM: 0.5, ConverterScale: 1.5}
	v.Box.Ratios, v.Box.Final, v.Box.UpRPM = []float64{5.0, 3.2, 2.14, 1.72, 1.31, 1.0, 0.82, 0.64}, 3.9, 1350
	v.Clutch.CapacityNm, v.Clutch.OpensDown, v.Clutch.Touch = 880, true, 0.18
	v.Sensing = Sensing{EngineDelayS: 0.040, RippleRPM: 5.5, CommandTop: 640, GearAnnounce: true, RoadDelayS: 0.05}
	v.Layout = wiring{base: 0x133, engineMs: 100, shaftMs: 100, controlMs: 100, roadMs: 100, command: stream.ClutchPressureCommand,
		roadScale: 1, speedScale: 1, deadRPM: 65, gears: 8}.layout()
	return v
}

func taxi() *Vehicle {
	v := car("taxi", "duty to 94 %, no turbine speed")
	v.Body.MassKg, v.Engine.PeakNm, v.Engine.IdleRPM = 1680, 310, 760
	v.Box.Ratios, v.Box.Final = []float64{4.6, 2.72, 1.86, 1.46, 1.23, 1.0, 0.82, 0.69}, 3.1
	v.Clutch.Touch, v.Clutch.SlipRPM = 0.14, 40
	v.Sensing = Sensing{EngineFilterS: 0.025, EngineDelayS: 0.015, RippleRPM: 4, CommandTop: 94}
	v.Layout = wiring{base: 0x155, engineMs: 20, shaftMs: 20, controlMs: 20, roadMs: 100, noTurbine: true, output: true, command: stream.ClutchCommand,
		roadScale: 0.1, speedScale: 0.25, deadRPM: 85, gears: 8}.layout()
	return v
}

func cabrio() *Vehicle {
	v := car("cabrio", "no command, engine speed 80 ms late, whole km/h 5 a second, lets go in shifts")
	v.Clutch.LetsGoInShift = true
	v.Body.MassKg, v.Engine.PeakNm, v.Engine.IdleRPM, v.Engine.PeakRPM = 1510, 260, 700, 3000
	v.Box.Ratios, v.Box.Final, v.Box.UpRPM = []float64{4.06, 2.37, 1.55, 1.16, 0.85, 0.67}, 3.75, 1500
	v.Clutch.SlipRPM, v.Clutch.HillRPM = 28, 70
	v.Sensing = Sensing{EngineDelayS: 0.080, EngineFilterS: 0.010, RippleRPM: 5, RoadDelayS: 0.2}
	v.Layout = wiring{base: 0x1C4, engineMs: 20, shaftMs: 20, roadMs: 200, output: true, command: stream.NumRoles,
		roadScale: 1, speedScale: 0.25, deadRPM: 80, gears: 6}.layout()
	return v
}

func liftback() *Vehicle {
	v := car("liftback", "standard requests, slower")
	v.Body.MassKg, v.Engine.PeakNm, v.Engine.IdleRPM, v.Clutch.CapacityNm = 1450, 250, 660, 540
	v.Box.Ratios, v.Box.Final = []float64{3.95, 2.43, 1.55, 1.08, 0.85, 0.68}, 3.3
	v.Clutch.HillRPM, v.Clutch.SlipRPM, v.Clutch.ReleaseAbove = 60, 30, 180
	v.Sensing = Sensing{EngineDelayS: 0.050, EngineFilterS: 0.030, RippleRPM: 3, RoadDelayS: 0.30}
	v.Layout = standard(5)
	return v
}

func sedan() *Vehicle {
	v := car("sedan", "state that follows the plates, 200 ms late")
	v.Body.MassKg, v.Body.ShaftNmPerRad, v.Engine.PeakNm = 1560, 8800, 270
	v.Clutch.ReleaseAbove, v.Clutch.SlipRPM = 340, 32
	v.Sensing = Sensing{EngineFilterS: 0.060, RippleRPM: 7, Report: ReportTrue, ReportLagS: 0.2, GearAnnounce: true, RoadDelayS: 0.05}
	v.Layout = wiring{base: 0x0E6, engineMs: 10, shaftMs: 20, controlMs: 50, roadMs: 30, output: true, command: stream.NumRoles, state: true,
		roadScale: 0.01, speedScale: 0.25, deadRPM: 100, gears: 6, acceleration: true}.layout()
	return v
}

func limousine() *Vehicle {
	v := car("limousine", "duty to 97 %, engine speed through 120 ms, accelerometer")
	v.Body.MassKg, v.Body.DragArea, v.Body.WheelInertia = 2150, 0.8, 3.2
	v.Engine.PeakNm, v.Engine.Inertia, v.Engine.IdleRPM, v.Engine.ConverterScale = 450, 0.3, 640, 1.3
	v.Box.Ratios, v.Box.Final = []float64{4.7, 3.13, 2.1, 1.67, 1.28, 1.0, 0.84, 0.67}, 2.9
	v.Box.UpRPM, v.Box.DownRPM = 1250, 930
	v.Clutch.CapacityNm, v.Clutch.Touch, v.Clutch.Drift, v.Clutch.HillRPM = 900, 0.16, 0.07, 60
	v.Sensing = Sensing{EngineFilterS: 0.120, RippleRPM: 5, CommandTop: 97, RoadDelayS: 0.03}
	v.Layout = wiring{base: 0x0F3, engineMs: 20, shaftMs: 10, controlMs: 10, roadMs: 20, output: true, command: stream.ClutchCommand, state: false,
		roadScale: 0.0078125, speedScale: 0.25, deadRPM: 90, gears: 8, acceleration: true}.layout()
	return v
}
