package detect

import "joltwatch/bus"

// Account is the running account of one drive: what "nothing happened" rests
// on. Storage keeps the latest account of each drive; a later one replaces an
// earlier one, and the account of a stay is the sum over its drives.
type Account struct {
	Drive int        `json:"drive"`
	Start bus.Micros `json:"start_us"`
	End   bus.Micros `json:"end_us"`
	// Ended is true once the engine has stopped or the input has ended.
	Ended bool `json:"ended"`

	// Seconds of the drive: EngineOnS with the engine running, MovingS of
	// those with the vehicle moving. The clutch-state times share out
	// MovingS.
	EngineOnS float64 `json:"engine_on_s"`
	MovingS   float64 `json:"moving_s"`
	ClosedS   float64 `json:"closed_s"`
	PartialS  float64 `json:"partial_s"`
	CoastS    float64 `json:"coast_s"`
	OpenS     float64 `json:"open_s"`
	UnknownS  float64 `json:"unknown_s"`
	// EdgeS is how much of the time held may have been open, or the other way
	// round: the instants at which the clutch changed are known no better.
	EdgeS float64 `json:"edge_s,omitempty"`
	// Bands shares out MovingS by gear, speed band and temperature band.
	Bands []Band `json:"bands"`

	Stops         int `json:"stops"`
	StopsObserved int `json:"stops_observed"`

	// ReleaseTrials is in how many of the releases a later one would have been
	// recognised.
	ReleaseTrials ReleaseTrials `json:"release_trials"`

	// CommandTrials is in how many of the falls of the command a later one would have
	// been recognised.
	CommandTrials CommandTrials `json:"command_trials,omitzero"`

	// RiseTrials is the same of the command's first rises as the vehicle pulled away.
	RiseTrials CommandTrials `json:"rise_trials,omitzero"`

	// Opportunities is, for each kind, how often it could have happened, how often
	// the signals would have shown it, and how often it did.
	Opportunities []Opportunity `json:"opportunities"`

	// Roles is the coverage of each mapped role.
	Roles []RoleCover `json:"roles"`

	Frames   uint64 `json:"frames"`
	BadLines uint64 `json:"bad_lines"`
	Dropped  uint64 `json:"dropped"`
	Errors   uint64 `json:"error_frames"`

	// Asking says, a line for each bus on which values are asked for, how
	// often each was answered lately, and why nothing is asked.
	Asking []string `json:"asking,omitempty"`
}

// ReleaseTrials are the self-tests of releases: of so many, a release later by half a second, by one and by two would have been recognised
// as late, dragging or a stall, by the same decision on the same signals.
type ReleaseTrials struct {
	Releases   uint64 `json:"releases"`
	LaterHalfS uint64 `json:"recognised_later_0_5_s"`
	Later1S    uint64 `json:"recognised_later_1_s"`
	Later2S    uint64 `json:"recognised_later_2_s"`
}

// Add sums up.
func (t *ReleaseTrials) Add(x ReleaseTrials) {
	t.Releases += x.Releases
	t.LaterHalfS += x.LaterHalfS
	t.Later1S += x.Later1S
	t.Later2S += x.Later2S
}

// CommandTrials are the self-tests of decisions: of so many falls of the command as the
// driver rolled up, or of its rises as the vehicle pulled away, one later by a second would
// have been recognised as later than this vehicle's habit, by the same decision on the same
// signals.
type CommandTrials struct {
	Falls   uint64 `json:"falls"`
	Later1S uint64 `json:"recognised_later_1_s"`
}

// Add sums up.
func (t *CommandTrials) Add(x CommandTrials) {
	t.Falls += x.Falls
	t.Later1S += x.Later1S
}

// Band is the time per clutch state, in seconds, within one band of one
// quantity ("gear" 2, "speed_kmh" 20…40, "temperature_c" 60…80).
type Band struct {
	Of      string  `json:"of"`
	Label   string  `json:"label"`
	From    float64 `json:"from"`
	To      float64 `json:"to"`
	Closed  float64 `json:"closed_s"`
	Partial float64 `json:"partial_s"`
	Coast   float64 `json:"coast_s"`
	Open    float64 `json:"open_s"`
	Unknown float64 `json:"unknown_s"`
}

// Opportunity counts the opportunities of one kind of finding.
type Opportunity struct {
	Kind       string `json:"kind"`
	Seen       uint64 `json:"seen"`
	Observable uint64 `json:"observable"`
	Hits       uint64 `json:"hits"`
}

// RoleCover is how well one role was covered in a drive.
type RoleCover struct {
	Role string `json:"role"`
	// FreshS is the time, of EngineOnS, in which the role was known.
	FreshS   float64 `json:"fresh_s"`
	Samples  uint64  `json:"samples"`
	NotOK    uint64  `json:"not_ok"`
	PeriodS  float64 `json:"period_s"`
	Switched uint64  `json:"source_switches"`
	// Now is the value, in the role's unit, at the end of the account of a drive
	// that goes on; nil where it was not known.
	Now *float64 `json:"now,omitempty"`
}
