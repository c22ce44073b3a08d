package drive

import "joltwatch/stream"

// Vehicle is an invented vehicle: what it is made of, and what its buses say.
type Vehicle struct {
	Name string
	// MassKg laden; RollingCoefficient, and DragArea = cd·A in m².
	MassKg, RollingCoefficient, DragArea float64
	// WheelRadius in m, FinalDrive = output shaft over wheel speed.
	WheelRadius, FinalDrive float64
	// DrivenShare is the share of the weight and of the braking on the
	// driven axle.
	DrivenShare float64
	// BrakeMax is the most the brakes do, N at the road.
	BrakeMax float64

	// EngineInertia includes the converter's pump; TurbineInertia the
	// gearset's input. kg·m².
	EngineInertia, TurbineInertia float64
	// TorqueMax is full-load torque in N·m at TorqueStepRPM·index.
	TorqueMax     []float64
	TorqueStepRPM float64
	// Friction torque of the engine: FrictionNm + FrictionSlope·rpm.
	FrictionNm, FrictionSlope float64
	IdleRPM                   float64
	// TorqueLag is the first-order lag of torque behind the pedal, s.
	TorqueLag float64
	StopStart bool
	// TorqueReferenceNm is what the bus gives torque in percent of; 0 where
	// it gives N·m.
	TorqueReferenceNm float64

	Converter Converter
	Clutch    Clutch
	Ratios    []float64 // turbine over output speed, from first gear
	Reverse   float64

	Control Control
	Layout  Layout
}

// Converter is a torque converter's characteristic in the terms of SAE J643:
// torque ratio and capacity factor K = N/sqrt(T) over speed ratio.
type Converter struct {
	// StallK is the capacity factor at speed ratio 0, rpm/sqrt(N·m).
	StallK float64
	// StallRatio is the torque ratio at speed ratio 0.
	StallRatio float64
	// CouplingSR is the speed ratio from which the torque ratio is 1.
	CouplingSR float64
	// OverrunShare is the torque absorbed in overrun against the drive side.
	OverrunShare float64
}

// Clutch is the converter clutch.
type Clutch struct {
	// TouchKPa is the pressure at which it begins to carry, and NmPerKPa how
	// much it carries for each further kPa.
	TouchKPa, NmPerKPa float64
	// FillLag and VentLag are the first-order lags of the pressure behind
	// the command, s.
	FillLag, VentLag float64
}

// Control is how the transmission controller is calibrated.
type Control struct {
	// ApplyKmh is the road speed of the first apply in first gear.
	ApplyKmh float64
	// Pressures of the command, kPa: at the start of an apply, when closed,
	// and in a light shift (dip and return).
	ApplyKPa, ClosedKPa, DipKPa, ReturnKPa float64
	// PartialSlip is the asked slip in rpm when partial, by load.
	PartialSlip float64
	// HillSlip is the asked slip on a steep and on a slight grade in top
	// gear.
	HillSlipSteep, HillSlipSlight float64
	// OpenSecondPedal is the pedal above which the clutch opens in second
	// gear until the turbine has reached OpenSecondRPM; 0 never.
	OpenSecondPedal, OpenSecondRPM float64
	// ReleaseAbove is how far above idle speed the turbine is when the
	// command falls in a slow stop, and ReleaseLead the time by which a
	// quicker stop brings it forward.
	ReleaseAbove, ReleaseLead float64
	// UpRPM is the turbine speed of an upshift at no pedal, UpPedal what
	// each percent of pedal adds; DownRPM and DownPedal likewise.
	UpRPM, UpPedal, DownRPM, DownPedal float64
	// ShiftTime is the length of the inertia phase, s.
	ShiftTime float64
	// ClosedAboveC is the temperature of the fluid below which the clutch
	// stays open, °C.
	ClosedAboveC float64
}

// maxTorque interpolates the full-load curve.
func (v *Vehicle) maxTorque(rpm float64) float64 {
	x := rpm / v.TorqueStepRPM
	if x <= 0 {
		return v.TorqueMax[0]
	}
	i := int(x)
	if i >= len(v.TorqueMax)-1 {
		return v.TorqueMax[len(v.TorqueMax)-1]
	}
	return v.TorqueMax[i] + mul(v.TorqueMax[i+1]-v.TorqueMax[i], x-float64(i))
}

// OutputPerKmh returns output shaft rpm for 1 km/h of road speed.
func (v *Vehicle) OutputPerKmh() float64 {
	return v.FinalDrive / v.WheelRadius / 3.6 * radToRPM
}

const (
	radToRPM = 60 / (2 * 3.141592653589793)
	rpmToRad = 1 / radToRPM
	gravity  = 9.81 // m/s², the usual rounded value
)

// Layout is what a vehicle's buses carry.
type Layout struct {
	Buses    []string // interface names in a log
	Bitrate  []int
	Offset   []int64   // clock offset of each bus, µs
	DriftPPM []float64 // clock drift of each bus
	Messages []Message
	// J1939 is true where the messages follow the public parameter groups,
	// so that no definition file is needed.
	J1939 bool
	// Polled is true where the messages are answers to requests sent in turn
	// at PollHz for all of them together.
	Polled bool
	PollHz float64
	// WatchHz, where set, is how often a car that nothing is known of is asked
	// for Messages[0] while it slows and a little on, or climbs under load; PollHz
	// is how often otherwise, and the rest is asked seldom (see Asked).
	WatchHz float64
}

// Message is one kind of frame.
type Message struct {
	Name     string
	Bus      int
	ID       uint32
	Extended bool
	Len      int
	PeriodMs int
	// PhaseMs is when it is first due; 0 for a random phase.
	PhaseMs int
	// JitterUs is the width of the uniform jitter and LatencyUs the fixed
	// delay between the sampling and the frame's reception.
	JitterUs, LatencyUs int
	// Fill is the byte that unused bits hold.
	Fill byte
	// Fixed bytes stand before any signal (service and parameter bytes).
	Fixed []byte
	// Counter and Checksum are fields of the message; a zero Length means
	// there is none.
	Counter, Checksum Field
	ChecksumKind      ChecksumKind
	Signals           []Signal
}

// ChecksumKind says how a checksum is formed.
type ChecksumKind uint8

// Kinds of checksum over the other bytes and the identifier.
const (
	ChecksumXOR ChecksumKind = iota
	ChecksumSum
	ChecksumCRC8 // SAE J1850 polynomial 0x1D
)

// Field is a run of bits, positions as in DBC files.
type Field struct {
	Start, Length uint8
	BigEndian     bool
}

// Signal is one quantity in a message.
type Signal struct {
	Name string
	Field
	Signed        bool
	Scale, Offset float64
	Unit          string
	// Role is what it carries; NumRoles for filler.
	Role stream.Role
	// Noise is the sensor's standard deviation in the signal's unit.
	Noise float64
	// DeadBelow is the magnitude below which the sensor reads zero.
	DeadBelow float64
	// MaxRaw is the largest raw value that is a number; 0 for no limit.
	MaxRaw uint64
	// Codes maps values of the role to raw values, for states.
	Codes map[int]int64
	// Filler says what a signal without role does.
	Filler Filler
	// Unmapped keeps a signal with a role out of the vehicle file.
	Unmapped bool
	// Lag is a first-order lag of the sensor, s.
	Lag float64
	// Truncated is a value that is cut down to a step, not rounded.
	Truncated bool
}

// Filler is the behaviour of a signal that carries none of the roles.
type Filler uint8

// What filler signals do.
const (
	FillerNone Filler = iota
	FillerWalk        // a slow random walk
	FillerConstant
	FillerRandom // new bits each time
	FillerFlag   // seldom toggles
	FillerSlow   // ramps slowly (a temperature, a level)
	FillerWheel  // follows the road speed with its own scale and noise
	FillerLoad   // follows engine load
	FillerGeared // an engine that turns with the gearbox input, but idles
	FillerMotor  // an electric motor on one ratio

	// Of a gearbox with two clutches: its engine, which turns with the shaft whose
	// clutch is closed, and its shafts, of which the idle one turns in the gear that
	// comes next.
	FillerTwinEngine
	FillerOddShaft
	FillerEvenShaft
)
