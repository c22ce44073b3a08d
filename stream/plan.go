package stream

// Plan is a vehicle file with its definitions worked out: which bits of which
// frames are which role. It needs no other file, is kept in every store, and
// is all that decoding needs. It marshals to JSON.
type Plan struct {
	// Vehicle is the user's own label.
	Vehicle string `json:"vehicle"`
	// Buses names the buses by index.
	Buses    []string  `json:"buses"`
	Messages []Message `json:"messages"`
	// Sources says, for each role by name, what its sources are in order of
	// preference ("EEC1.EngineSpeed from 0x00"); Sample.Source indexes it.
	Sources map[string][]string `json:"sources"`
	Facts   Facts               `json:"facts"`
	// Asks names the buses that requests are sent on, MayAcknowledge those
	// where the vehicle file lets frames of others be acknowledged.
	Asks           []string `json:"asks,omitempty"`
	MayAcknowledge []string `json:"may_acknowledge,omitempty"`
	// StaleFactor times a signal's own observed period is the age at which
	// it is stale; 0 means the default.
	StaleFactor float64 `json:"stale_factor,omitempty"`
}

// Facts is what is known of the vehicle apart from its signals.
type Facts struct {
	// IdleRPM is the nominal idle speed; 0 where unknown.
	IdleRPM float64 `json:"idle_rpm,omitempty"`
	// Ratios is turbine speed over output speed by gear (reverse is -1).
	Ratios map[int]float64 `json:"ratios,omitempty"`
	// OutputPerKmh is output shaft rpm for 1 km/h of road speed; 0 unknown.
	OutputPerKmh float64 `json:"output_rpm_per_kmh,omitempty"`
	// TorqueReferenceNm turns a torque in % into N·m.
	TorqueReferenceNm float64 `json:"torque_reference_nm,omitempty"`
	// Learned are ratios learned on this vehicle before.
	Learned []LearnedRatio `json:"learned,omitempty"`
	// StopStart is true where the engine stops itself at standstill.
	StopStart bool `json:"stop_start,omitempty"`
}

// Match says how a Message recognises its frames.
type Match uint8

const (
	// MatchID compares the whole identifier.
	MatchID Match = iota
	// MatchPGN compares the J1939 parameter group (and the source address
	// where SourceAddress is not negative).
	MatchPGN
	// MatchReading takes Reading frames of channel ID.
	MatchReading
	// MatchAnswer takes Answer frames of request ID.
	MatchAnswer
)

// Message is one mapped kind of frame.
type Message struct {
	Name  string `json:"name"`
	Match Match  `json:"match"`
	// Bus is the index of the bus, or -1 for any.
	Bus      int    `json:"bus"`
	ID       uint32 `json:"id"`
	Extended bool   `json:"extended,omitempty"`
	// SourceAddress refines MatchPGN; -1 for any.
	SourceAddress int      `json:"source_address"`
	Signals       []Signal `json:"signals"`
	// TorqueReference marks an Answer that holds, in its first two bytes, the
	// torque in N·m that percents are of (SAE J1979, parameter 0x63).
	TorqueReference bool `json:"torque_reference,omitempty"`
}

// Signal is one mapped run of bits of a Message.
type Signal struct {
	Name   string `json:"name"`
	Role   Role   `json:"role"`
	Source uint8  `json:"source"` // index in Plan.Sources
	// Start is the position of the least significant bit for little-endian
	// signals and of the most significant bit for big-endian ones, counted
	// as in DBC files: bit 8*byte+bit, bit 0 the least significant.
	Start     uint16 `json:"start"`
	Length    uint8  `json:"length"` // bits, 1…64
	BigEndian bool   `json:"big_endian,omitempty"`
	Signed    bool   `json:"signed,omitempty"`
	// Float marks an IEEE 754 value of 32 or 64 bits.
	Float bool `json:"float,omitempty"`
	// Value in the role's unit is Scale*raw + Offset.
	Scale  float64 `json:"scale"`
	Offset float64 `json:"offset"`
	// RawMin and RawMax bound the raw values that are numbers; anything
	// outside makes the role unknown. For Float they bound the value.
	RawMin float64 `json:"raw_min"`
	RawMax float64 `json:"raw_max"`
	// PercentOfReference marks a torque in percent: Scale and Offset give
	// percent, and the stream turns it into N·m with Facts.TorqueReferenceNm
	// or, where that is 0, the reference that the engine broadcasts.
	PercentOfReference bool `json:"percent_of_reference,omitempty"`
	// States maps raw values to values of the role (open, partial, closed;
	// gears); a raw value that is absent is unknown. Empty for numbers.
	States map[int64]float64 `json:"states,omitempty"`
	// Mux lists the multiplexer conditions that must all hold for the signal
	// to be present.
	Mux []MuxCond `json:"mux,omitempty"`
}

// MuxCond holds where the switch signal's raw value lies in one of the ranges.
type MuxCond struct {
	Start     uint16      `json:"start"`
	Length    uint8       `json:"length"`
	BigEndian bool        `json:"big_endian,omitempty"`
	Ranges    [][2]uint64 `json:"ranges"`
}
