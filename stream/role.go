// Package stream turns frames into physical samples and samples into aligned
// rows: decoding, choice among sources, interpolation, staleness.
package stream

import "fmt"

// Role is a quantity that a vehicle file maps a signal to.
type Role uint8

// The roles, in the order in which they are stored and shown. Do not reorder:
// stores hold these numbers.
const (
	EngineSpeed           Role = iota // rpm
	TurbineSpeed                      // rpm, the gearbox input shaft
	OutputSpeed                       // rpm, the gearbox output shaft
	VehicleSpeed                      // km/h
	ClutchPressureCommand             // kPa
	ClutchPressure                    // kPa
	ClutchCommand                     // % duty; states are 0 open, 50 partial, 100 closed
	LockupState                       // 0 open, 1 partial, 2 closed, as the controller reports it
	SlipCommand                       // rpm
	SlipReported                      // rpm
	Gear                              // GearReverse, GearNeutral, 1…; GearShifting, GearPark
	Shifting                          // 1 while the controller reports a shift in process
	Accelerator                       // %
	EngineTorque                      // N·m
	Brake                             // 1 on, 0 off
	FluidTemperature                  // °C
	Grade                             // %
	Acceleration                      // m/s², longitudinal
	DriverMark                        // 1 while pressed
	SupplyVoltage                     // V
	NumRoles
)

// Special values of the Gear role.
const (
	GearPark     = -2
	GearReverse  = -1
	GearNeutral  = 0
	GearShifting = 99
)

// Values of the LockupState role.
const (
	LockupOpen    = 0
	LockupPartial = 1
	LockupClosed  = 2
)

var roles = [NumRoles]struct{ name, unit string }{
	EngineSpeed:           {"engine_speed", "rpm"},
	TurbineSpeed:          {"turbine_speed", "rpm"},
	OutputSpeed:           {"output_speed", "rpm"},
	VehicleSpeed:          {"vehicle_speed", "km/h"},
	ClutchPressureCommand: {"clutch_pressure_command", "kPa"},
	ClutchPressure:        {"clutch_pressure", "kPa"},
	ClutchCommand:         {"clutch_command", "%"},
	LockupState:           {"lockup_state", ""},
	SlipCommand:           {"slip_command", "rpm"},
	SlipReported:          {"slip_reported", "rpm"},
	Gear:                  {"gear", ""},
	Shifting:              {"shifting", ""},
	Accelerator:           {"accelerator", "%"},
	EngineTorque:          {"engine_torque", "N·m"},
	Brake:                 {"brake", ""},
	FluidTemperature:      {"fluid_temperature", "°C"},
	Grade:                 {"grade", "%"},
	Acceleration:          {"acceleration", "m/s²"},
	DriverMark:            {"driver_mark", ""},
	SupplyVoltage:         {"supply_voltage", "V"},
}

// String returns the name of the role in vehicle files and reports.
func (r Role) String() string {
	if r >= NumRoles {
		return fmt.Sprintf("role(%d)", uint8(r))
	}
	return roles[r].name
}

// Unit returns the unit of the role's values, empty for states.
func (r Role) Unit() string {
	if r >= NumRoles {
		return ""
	}
	return roles[r].unit
}

// ParseRole returns the role of that name.
func ParseRole(name string) (Role, bool) {
	for r := range roles {
		if roles[r].name == name {
			return Role(r), true
		}
	}
	return 0, false
}
