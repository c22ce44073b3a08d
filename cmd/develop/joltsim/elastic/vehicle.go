package elastic

import (
	"math"

	"joltwatch/cmd/develop/joltsim/drive"
)

// Vehicle is an invented vehicle of this family.
type Vehicle struct {
	Name string
	// What says in a few words what kind of vehicle it is to a detector.
	What    string
	Body    Body
	Engine  Engine
	Box     Box
	Clutch  Clutch
	Sensing Sensing
	Layout  drive.Layout
}

// Body is what is moved, and what it rolls on.
type Body struct {
	MassKg, Rolling, DragArea, WheelRadiusM, BrakeMaxN float64
	DrivenShare                                        float64 // of weight and brakes
	WheelInertia                                       float64 // of the driven axle, kg·m²
	ShaftNmPerRad, ShaftNms                            float64 // stiffness and damping at the wheels
	TyrePerSlip                                        float64 // longitudinal force per slip and load
}

// Engine is a parabola of torque over speed with friction and an idle governor.
type Engine struct {
	Inertia, PeakNm, PeakRPM, FrictionNm, FrictionPerRPM, IdleRPM, LagS float64
	// GovernorNmPerRPM is the idle governor's proportional gain.
	GovernorNmPerRPM float64
	// ConverterScale scales the pump's torque.
	ConverterScale float64
}

// Box is the gearset and how it is shifted.
type Box struct {
	Ratios                             []float64
	Reverse, Final, TurbineInertia     float64
	UpRPM, UpPedal, DownRPM, DownPedal float64
	ShiftS                             float64
}

// Clutch is the converter clutch with its oil and its calibration. Commands
// and pressures are shares of the most.
type Clutch struct {
	CapacityNm   float64
	Touch, Drift float64 // share at which it begins to carry, and how far that wanders
	FillS, VentS float64
	ApplyKmh     float64
	ReleaseAbove float64 // rpm above idle at which it lets go in a gentle stop
	ReleaseLeadS float64
	SlipRPM      float64 // asked when regulated
	HillRPM      float64 // asked under load in top gear; 0 none
	LockLevel    float64 // the least command when locked
	CoastLevel   float64
	DipLevel     float64 // in a shift; below Touch it opens
	// OpensDown: the command falls to nothing in downshifts under power.
	OpensDown bool
	// LetsGoInShift: the command may fall while a shift is under way.
	LetsGoInShift bool
	ClosedAboveC  float64
}

// Report says how a controller reports the clutch's state.
type Report uint8

// How a state is reported.
const (
	ReportTrue   Report = iota // what the clutch truly does, after LagS
	ReportCopy                 // a copy of the command, after LagS
	ReportSettle               // rises LagS after the slip is gone; falls with the command
)

// Sensing is the measuring chain.
type Sensing struct {
	EngineFilterS, EngineDelayS   float64
	TurbineFilterS, TurbineDelayS float64
	OutputFilterS, OutputDelayS   float64
	RoadFilterS, RoadDelayS       float64
	// RippleRPM is the deviation of what engine speed wanders while the
	// clutch holds, in the shape of recorded closed slip (see ripple).
	RippleRPM float64
	// CommandTop is what the highest command reads: % or kPa.
	CommandTop   float64
	Report       Report
	ReportLagS   float64
	GearAnnounce bool // the gear signal tells the target as a shift begins
}

func (e *Engine) maxNm(rpm float64) float64 {
	x := (rpm - e.PeakRPM) / e.PeakRPM
	return e.PeakNm * math.Max(0.25, 1-0.9*x*x)
}

func (v *Vehicle) final() float64 { return v.Box.Final }

const (
	radToRPM = 30 / math.Pi
	gravity  = 9.81
)

// asDrive gives the facts that the vehicle file states in package drive's form.
func (v *Vehicle) asDrive() *drive.Vehicle {
	return &drive.Vehicle{Name: v.Name, IdleRPM: v.Engine.IdleRPM, WheelRadius: v.Body.WheelRadiusM, FinalDrive: v.Box.Final,
		Ratios: v.Box.Ratios, Reverse: v.Box.Reverse, TorqueReferenceNm: v.Engine.PeakNm}
}

// Files returns the definition files with their names, and the vehicle file.
func (v *Vehicle) Files(l *drive.Layout) (texts, names []string, toml string) {
	texts, names = l.DBC(v.Name)
	return texts, names, l.VehicleTOML(v.asDrive(), names)
}
