// Package j1939 holds the parameters of heavy vehicles that need no definition
// file: the parameter groups of SAE J1939-71 (since 2012 in the J1939 Digital
// Annex) that tell of the driveline.
//
// The scalings and places are the public ones, written down from memory of the
// standard's parameter definitions and checked, where the recording used in
// the tests sends them, against its values; the number of each parameter (SPN)
// stands beside it so that it can be looked up.
package j1939

import (
	"math"
	"strconv"
	"strings"

	"joltwatch/stream"
)

// Group is a parameter group.
type Group struct {
	PGN        uint32
	Name       string // the standard's acronym
	Long       string
	Parameters []Parameter
}

// Parameter is one parameter of a group.
type Parameter struct {
	SPN    int
	Name   string // our spelling, unique within the group
	Long   string
	Start  uint16 // bit, as in definition files
	Length uint8
	Scale  float64
	Offset float64
	Unit   string
	// RawMin and RawMax bound the valid raw values. In J1939-71 (table 1) a
	// byte of 0xFB and above is a parameter-specific, reserved, error or
	// not-available indicator; so are 0xFB00 and above in two bytes, and 2
	// (error) and 3 (not available) in two bits.
	RawMin, RawMax float64
	// States gives discrete parameters their meaning; empty for numbers.
	States map[int64]float64
	// Role is the role that the parameter fills by itself where a vehicle
	// file names none; Order its preference among those that fill it (0
	// first). HasRole is false where it must be named.
	Role    stream.Role
	HasRole bool
	Order   int
	// PercentOfReference marks a torque in percent of the engine's reference
	// torque (SPN 544).
	PercentOfReference bool
}

// Limits of valid raw values (J1939-71, table 1).
const (
	max1 = 0xFA
	max2 = 0xFAFF
)

var (
	onOff   = map[int64]float64{0: 0, 1: 1}
	lockup  = map[int64]float64{0: stream.LockupOpen, 1: stream.LockupClosed}
	gearMap = gears()
)

// gears maps SPN 523 and 524: offset -125; 0 neutral, negative reverse, 126
// (raw 251) park.
func gears() map[int64]float64 {
	m := map[int64]float64{125: stream.GearNeutral, 251: stream.GearPark}
	for g := int64(1); g <= 24; g++ {
		m[125+g] = float64(g)
	}
	for g := int64(1); g <= 8; g++ {
		// A second reverse gear is a reverse gear: there is one such value.
		m[125-g] = stream.GearReverse
	}
	return m
}

// MaxRaw is the highest raw value of a number of that many bits that is a
// value and no indicator (J1939-71, table 1, for whole bytes; shorter fields
// keep the upper two values for error and not available, a single bit none).
func MaxRaw(length int) float64 {
	all := math.Ldexp(1, length)
	switch {
	case length == 8, length == 16, length == 24, length == 32:
		return all/256*251 - 1
	case length > 1 && length < 8:
		return all - 3
	}
	return all - 1
}

// Groups returns the built-in groups in the order of their numbers.
func Groups() []Group {
	return []Group{
		{61440, "ERC1", "Electronic Retarder Controller 1", []Parameter{
			{SPN: 520, Name: "ActualRetarderPercentTorque", Long: "Actual retarder, percent torque", Start: 8, Length: 8, Scale: 1, Offset: -125, Unit: "%", RawMax: max1},
		}},
		{61441, "EBC1", "Electronic Brake Controller 1", []Parameter{
			{SPN: 1121, Name: "BrakeSwitch", Long: "EBS brake switch", Start: 6, Length: 2, Scale: 1, RawMax: 1, States: onOff, Role: stream.Brake, HasRole: true, Order: 1},
			{SPN: 521, Name: "BrakePedalPosition", Long: "Brake pedal position", Start: 8, Length: 8, Scale: 0.4, Unit: "%", RawMax: max1},
		}},
		{61442, "ETC1", "Electronic Transmission Controller 1", []Parameter{
			{SPN: 560, Name: "DrivelineEngaged", Long: "Transmission driveline engaged", Start: 0, Length: 2, Scale: 1, RawMax: 1, States: onOff},
			{SPN: 573, Name: "LockupEngaged", Long: "Transmission torque converter lockup engaged", Start: 2, Length: 2, Scale: 1, RawMax: 1, States: lockup, Role: stream.LockupState, HasRole: true},
			{SPN: 574, Name: "ShiftInProcess", Long: "Transmission shift in process", Start: 4, Length: 2, Scale: 1, RawMax: 1, States: onOff, Role: stream.Shifting, HasRole: true},
			{SPN: 191, Name: "OutputShaftSpeed", Long: "Transmission output shaft speed", Start: 8, Length: 16, Scale: 0.125, Unit: "rpm", RawMax: max2, Role: stream.OutputSpeed, HasRole: true},
			{SPN: 522, Name: "PercentClutchSlip", Long: "Percent clutch slip", Start: 24, Length: 8, Scale: 0.4, Unit: "%", RawMax: max1},
			{SPN: 161, Name: "InputShaftSpeed", Long: "Transmission input shaft speed", Start: 40, Length: 16, Scale: 0.125, Unit: "rpm", RawMax: max2, Role: stream.TurbineSpeed, HasRole: true},
		}},
		{61443, "EEC2", "Electronic Engine Controller 2", []Parameter{
			{SPN: 91, Name: "AcceleratorPosition", Long: "Accelerator pedal position 1", Start: 8, Length: 8, Scale: 0.4, Unit: "%", RawMax: max1, Role: stream.Accelerator, HasRole: true},
			{SPN: 92, Name: "PercentLoad", Long: "Engine percent load at current speed", Start: 16, Length: 8, Scale: 1, Unit: "%", RawMax: max1},
		}},
		{61444, "EEC1", "Electronic Engine Controller 1", []Parameter{
			{SPN: 512, Name: "DriverDemandTorque", Long: "Driver's demand engine, percent torque", Start: 8, Length: 8, Scale: 1, Offset: -125, Unit: "%", RawMax: max1, PercentOfReference: true},
			{SPN: 513, Name: "ActualEngineTorque", Long: "Actual engine, percent torque", Start: 16, Length: 8, Scale: 1, Offset: -125, Unit: "%", RawMax: max1, Role: stream.EngineTorque, HasRole: true, PercentOfReference: true},
			{SPN: 190, Name: "EngineSpeed", Long: "Engine speed", Start: 24, Length: 16, Scale: 0.125, Unit: "rpm", RawMax: max2, Role: stream.EngineSpeed, HasRole: true},
		}},
		{61445, "ETC2", "Electronic Transmission Controller 2", []Parameter{
			{SPN: 524, Name: "SelectedGear", Long: "Transmission selected gear", Start: 0, Length: 8, Scale: 1, Offset: -125, RawMax: 251, States: gearMap},
			{SPN: 526, Name: "ActualGearRatio", Long: "Transmission actual gear ratio", Start: 8, Length: 16, Scale: 0.001, RawMax: max2},
			{SPN: 523, Name: "CurrentGear", Long: "Transmission current gear", Start: 24, Length: 8, Scale: 1, Offset: -125, RawMax: 251, States: gearMap, Role: stream.Gear, HasRole: true},
		}},
		{61449, "VDC2", "Vehicle Dynamic Stability Control 2", []Parameter{
			{SPN: 1810, Name: "LongitudinalAcceleration", Long: "Longitudinal acceleration", Start: 56, Length: 8, Scale: 0.1, Offset: -12.5, Unit: "m/s²", RawMax: max1, Role: stream.Acceleration, HasRole: true},
		}},
		{65132, "TCO1", "Tachograph", []Parameter{
			{SPN: 1624, Name: "VehicleSpeed", Long: "Tachograph vehicle speed", Start: 48, Length: 16, Scale: 1.0 / 256, Unit: "km/h", RawMax: max2, Role: stream.VehicleSpeed, HasRole: true, Order: 1},
		}},
		{65215, "EBC2", "Wheel Speed Information", []Parameter{
			{SPN: 904, Name: "FrontAxleSpeed", Long: "Front axle speed", Start: 0, Length: 16, Scale: 1.0 / 256, Unit: "km/h", RawMax: max2, Role: stream.VehicleSpeed, HasRole: true, Order: 2},
		}},
		{65265, "CCVS1", "Cruise Control/Vehicle Speed 1", []Parameter{
			{SPN: 70, Name: "ParkingBrakeSwitch", Long: "Parking brake switch", Start: 2, Length: 2, Scale: 1, RawMax: 1, States: onOff},
			{SPN: 84, Name: "WheelBasedSpeed", Long: "Wheel-based vehicle speed", Start: 8, Length: 16, Scale: 1.0 / 256, Unit: "km/h", RawMax: max2, Role: stream.VehicleSpeed, HasRole: true},
			{SPN: 597, Name: "BrakeSwitch", Long: "Brake switch", Start: 28, Length: 2, Scale: 1, RawMax: 1, States: onOff, Role: stream.Brake, HasRole: true},
		}},
		{65271, "VEP1", "Vehicle Electrical Power 1", []Parameter{
			{SPN: 168, Name: "BatteryPotential", Long: "Battery potential / power input 1", Start: 32, Length: 16, Scale: 0.05, Unit: "V", RawMax: max2, Role: stream.SupplyVoltage, HasRole: true},
			{SPN: 158, Name: "KeyswitchBatteryPotential", Long: "Keyswitch battery potential", Start: 48, Length: 16, Scale: 0.05, Unit: "V", RawMax: max2, Role: stream.SupplyVoltage, HasRole: true, Order: 1},
		}},
		{65272, "TRF1", "Transmission Fluids 1", []Parameter{
			// The gauge pressure of "a wet clutch", of which a gearbox has
			// several: it is the converter's on some and not on others, so a
			// vehicle file must name it.
			{SPN: 123, Name: "ClutchPressure", Long: "Clutch pressure", Start: 0, Length: 8, Scale: 16, Unit: "kPa", RawMax: max1},
			{SPN: 127, Name: "OilPressure", Long: "Transmission oil pressure", Start: 24, Length: 8, Scale: 16, Unit: "kPa", RawMax: max1},
			{SPN: 177, Name: "OilTemperature", Long: "Transmission oil temperature", Start: 32, Length: 16, Scale: 0.03125, Offset: -273, Unit: "°C", RawMax: max2, Role: stream.FluidTemperature, HasRole: true},
		}},
	}
}

// Find returns the group and parameter that "GROUP.Parameter" names; the group
// goes by its acronym ("CCVS" for CCVS1 too), the parameter by its name or as
// "SPN573".
func Find(name string) (Group, Parameter, bool) {
	group, parameter, ok := strings.Cut(name, ".")
	if !ok {
		return Group{}, Parameter{}, false
	}
	for _, g := range Groups() {
		if g.Name != group && g.Name != group+"1" {
			continue
		}
		for _, p := range g.Parameters {
			if p.Name == parameter || p.is(parameter) {
				return g, p, true
			}
		}
	}
	return Group{}, Parameter{}, false
}

func (p Parameter) is(spn string) bool {
	return strings.EqualFold(spn, "SPN"+strconv.Itoa(p.SPN))
}
