package elastic

// Trip is one drive: a vehicle, what its driver does, and what is wrong.
type Trip struct {
	Name, Vehicle, Kind string
	Seed                uint64
	StartC              float64 // of the fluid
	// Normal is true where nothing is wrong, so that every alarm is false.
	Normal bool
	Legs   []Leg
	// Mishaps begin at AtS from the start; those of a leg with it.
	Mishaps []Mishap
	// SlipPerDay says that the mishaps make slip grow by so many rpm a day.
	SlipPerDay float64
	NoTrace    bool
	// Asked is a vehicle that shows nothing and answers the standard's requests,
	// Truncated one whose road speed is cut down to whole km/h (see drive.Asked).
	Asked, Truncated bool
}

// Mishap is something wrong or unusual, of AtS to AtS+ForS.
//
//	held        the next release in overrun is held for Value s by the plates:
//	            carrying what they carried, at least Share of the engine's most
//	drawn       as held, until the engine is drawn under Value times idle
//	slow-oil    the oil of the next release leaves with a lag Value times as long
//	late-valve  the pressure of the next release begins to fall Value s late
//	late-word   the command of the next release comes Value s late
//	late-brake  likewise, and the brake signal does not come before it
//	late-close  the command to close comes Value s late
//	die         the engine stops by itself as the vehicle comes to a standstill
//	one-way     the stator does not hold: no torque multiplication, and the pump
//	            takes Value times the torque at a standstill, which stops the
//	            engine there
//	gearset     the gearset's clutch slips: the turbine runs Value times as fast
//	            as the gear gives, under load
//	slip        the closed clutch carries so little that it slips Value rpm
//	push        the body is pushed by Value m/s² for 0.15 s
//	dropout     message On is not sent
//	freeze      message On holds its values
//	missing     message On says "not available"
//	quiet       no mapped message is sent; nothing else either
//	flood       no mapped message is sent; Value other frames a second are
//	clock       the clock is set by Value s, told by a notice
//	silent-key  the next key-off silences the buses at once
type Mishap struct {
	What  string
	AtS   float64
	ForS  float64
	Value float64
	Share float64
	On    string
}
