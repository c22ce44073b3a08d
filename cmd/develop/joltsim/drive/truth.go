package drive

import (
	"bufio"
	"encoding/json"
	"io"

	"joltwatch/bus"
)

// Truth is what really happened in a drive. Instants are on the clock of the
// frames of bus 0.
type Truth struct {
	Scenario string
	Vehicle  string
	Seed     uint64
	Start    bus.Micros
	End      bus.Micros

	Drives   []DriveTruth
	Releases []Release
	Applies  []Apply
	Shifts   []Shift
	Slips    []Slip
	Opens    []Span
	Shakes   []Span // shudder and misfire that were felt, Value the seconds of it
	Jolts    []Span // pushes on the body, Value in m/s²
	Stalls   []Stall
	// KeyOffs are the instants at which the key ended a drive.
	KeyOffs []bus.Micros
	// Trends are stretches in which closed slip grows from day to day.
	Trends   []Trend
	Marks    []bus.Micros
	Stops    []bus.Micros // standstills reached in drive, engine running or not
	Injected []Injected
	// Trace holds engine and turbine speed in rpm every TraceStep from Start.
	Trace     []TracePoint `json:"-"`
	Intervals []Interval
}

// TraceStep is the spacing of Truth.Trace.
const TraceStep bus.Micros = 20_000

// TracePoint is the truth at one instant.
type TracePoint struct {
	Engine, Turbine, Kmh float32
	State                State
}

// State is the true state of the clutch.
type State uint8

// The states. Coast is engaged while the engine is dragged along.
const (
	StateOpen State = iota
	StatePartial
	StateClosed
	StateCoast
)

var stateNames = [...]string{"open", "partial", "closed", "coast"}

func (s State) String() string { return stateNames[s] }

// MarshalText writes the state's name.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Interval is a stretch in one clutch state.
type Interval struct {
	From  bus.Micros `json:"from_us"`
	To    bus.Micros `json:"to_us"`
	State State      `json:"state"`
}

// Span is a stretch with what it is.
type Span struct {
	From  bus.Micros `json:"from_us"`
	To    bus.Micros `json:"to_us"`
	What  string     `json:"what"`
	Value float64    `json:"value"`
	Hz    float64    `json:"hz,omitempty"`
	Kmh   float64    `json:"kmh,omitempty"`
}

// Trend is slip under drive that grows from day to day.
type Trend struct {
	From      bus.Micros `json:"from_us"`
	To        bus.Micros `json:"to_us"`
	RPMPerDay float64    `json:"rpm_per_day"`
}

// Stall is an engine that died without being told to.
type Stall struct {
	At bus.Micros `json:"at_us"`
	// Holding is true where the converter clutch held it as it died.
	Holding bool `json:"holding"`
}

// DriveTruth is the account of one engine start to stop.
type DriveTruth struct {
	From     bus.Micros `json:"from_us"`
	To       bus.Micros `json:"to_us"`
	EngineS  float64    `json:"engine_on_s"`
	MovingS  float64    `json:"moving_s"` // above MovingKmh, in any direction
	OpenS    float64    `json:"open_s"`
	PartialS float64    `json:"partial_s"`
	ClosedS  float64    `json:"closed_s"`
	CoastS   float64    `json:"coast_s"`
	// Faulted is true where the state was not what the controller asked.
	FaultedS float64 `json:"faulted_s"`
}

// In is the time in a state, s.
func (d *DriveTruth) In(s State) *float64 {
	switch s {
	case StatePartial:
		return &d.PartialS
	case StateClosed:
		return &d.ClosedS
	case StateCoast:
		return &d.CoastS
	}
	return &d.OpenS
}

func (d *DriveTruth) times() [7]*float64 {
	return [...]*float64{&d.EngineS, &d.MovingS, &d.OpenS, &d.PartialS, &d.ClosedS, &d.CoastS, &d.FaultedS}
}

// Rounded is the account with times to a thousandth of a second.
func (d DriveTruth) Rounded() DriveTruth {
	for _, t := range d.times() {
		*t = round3(*t)
	}
	return d
}

// MovingKmh is the road speed from which a vehicle counts as moving.
const MovingKmh = 2.0

// Release is one fall of the command from engaged to open.
type Release struct {
	Reason string     `json:"reason"` // stop, slow, under-drive, kickdown, selector, cold
	Fell   bus.Micros `json:"fell_us"`
	// Parted is the last instant at which the speeds still moved together:
	// the slip was within 0.5 rpm of what it was when the command fell. Zero
	// where they never parted.
	Parted bus.Micros `json:"parted_us"`
	// Parted5 is when the slip had changed by 5 rpm.
	Parted5     bus.Micros `json:"parted5_us"`
	LagS        float64    `json:"lag_s"`
	State       State      `json:"state"`    // when the command fell
	SlipRPM     float64    `json:"slip_rpm"` // when the command fell
	Gear        int        `json:"gear"`
	Kmh         float64    `json:"kmh"`
	TurbineRPM  float64    `json:"turbine_rpm"`
	FluidC      float64    `json:"fluid_deg_c"`
	InjectedS   float64    `json:"injected_s"`  // injected lag
	InjectedNm  float64    `json:"injected_nm"` // injected drag
	EngineMin   float64    `json:"engine_min"`  // lowest engine speed within 6 s of the fall
	TurbineMin  float64    `json:"turbine_min"` // lowest turbine speed while still together
	Stalled     bool       `json:"stalled"`
	BrakingMps2 float64    `json:"braking_mps2"`
	// PedalLift is the pedal in % when the command fell.
	PedalPct float64 `json:"pedal_pct"`
	// FreedS is the lag until the clutch slipped and went on to carry nothing. Where
	// engine and turbine go on side by side by chance, LagS is longer.
	FreedS float64 `json:"freed_s"`
	// Reapplied is true where the command rose again before they had parted.
	Reapplied bool `json:"reapplied"`
	// Cause is the fault behind it.
	Cause Cause `json:"cause,omitempty"`
}

// Cause is what is wrong, as a technician would look for it.
type Cause string

// The causes that the simulators inject.
const (
	CausePlates   Cause = "plates"
	CauseOil      Cause = "oil"
	CauseValve    Cause = "valve"
	CauseCommand  Cause = "command"
	CauseIdle     Cause = "idle"
	CauseOneWay   Cause = "one-way"
	CauseLining   Cause = "lining"
	CauseGearset  Cause = "gearset"
	CauseArtefact Cause = "artefact"
)

// Apply is one apply, from the command's rise.
type Apply struct {
	Rise       bus.Micros `json:"rise_us"`
	Done       bus.Micros `json:"done_us"`          // slip within 10 rpm of what was asked, or zero where it never got there
	LateS      float64    `json:"late_s,omitempty"` // by how much the command came late, a fault
	Gear       int        `json:"gear"`
	Kmh        float64    `json:"kmh"`
	SlipBefore float64    `json:"slip_before"`
	// SlipRate is the fastest fall of slip over 50 ms, rpm/s.
	SlipRate   float64 `json:"slip_rate"`
	EngineAt   float64 `json:"engine_at"`  // engine speed at the rise
	EngineMin  float64 `json:"engine_min"` // lowest until 0.5 s after Done
	LiningJ    float64 `json:"lining_j"`
	CommandMax float64 `json:"command_max"`
	AskedSlip  float64 `json:"asked_slip"`
}

// Shift is one change of gear.
type Shift struct {
	Begin        bus.Micros `json:"begin_us"` // of the inertia phase
	End          bus.Micros `json:"end_us"`   // of the inertia phase
	From         int        `json:"from"`
	To           int        `json:"to"`
	Engaged      bool       `json:"engaged"`     // the clutch was on before it
	Opened       bool       `json:"opened"`      // it opened in it
	CommandWas   float64    `json:"command_was"` // kPa
	CommandMin   float64    `json:"command_min"`
	CommandNext  float64    `json:"command_next"` // settling
	SlipPeak     float64    `json:"slip_peak"`    // largest |slip|
	FlareRPM     float64    `json:"flare_rpm"`    // turbine above what the old gear gives
	InjectedS    float64    `json:"injected_s"`
	PedalPct     float64    `json:"pedal_pct"`
	EngineBefore float64    `json:"engine_before"`
}

// Slip is a stretch of slip held on the road: asked by the controller on a
// hill, or unasked.
type Slip struct {
	From   bus.Micros `json:"from_us"`
	To     bus.Micros `json:"to_us"`
	Asked  bool       `json:"asked"`
	Target float64    `json:"target"` // rpm that are regulated last, 0 where none
	Mean   float64    `json:"mean"`
	Peak   float64    `json:"peak"`
	Gear   int        `json:"gear"`
	// Kmh is the least road speed in it.
	Kmh float64 `json:"kmh"`
}

// Injected is a fault as it was injected.
type Injected struct {
	From  bus.Micros `json:"from_us"`
	To    bus.Micros `json:"to_us"`
	Fault Fault      `json:"fault"`
}

// Totals adds up the drives.
func (t *Truth) Totals() DriveTruth {
	var s DriveTruth
	for i, d := range t.Drives {
		if i == 0 {
			s.From = d.From
		}
		s.To = d.To
		for k, t := range d.times() {
			*s.times()[k] += *t
		}
	}
	return s
}

// WriteLines writes the truth as JSON lines, one fact a line, each with its
// kind.
func (t *Truth) WriteLines(w io.Writer) error {
	f := factWriter{w: bufio.NewWriter(w)}
	writeFacts(&f, "scenario", []scenarioLine{{t.Scenario, t.Vehicle, t.Seed, t.Start, t.End, len(t.Stops)}})
	writeFacts(&f, "drive", t.Drives)
	writeFacts(&f, "release", t.Releases)
	writeFacts(&f, "apply", t.Applies)
	writeFacts(&f, "shift", t.Shifts)
	writeFacts(&f, "slip", t.Slips)
	writeFacts(&f, "open-under-drive", t.Opens)
	writeFacts(&f, "shake", t.Shakes)
	writeFacts(&f, "jolt", t.Jolts)
	writeFacts(&f, "stall", t.Stalls)
	writeFacts(&f, "trend", t.Trends)
	writeFacts(&f, "key-off", t.KeyOffs)
	writeFacts(&f, "mark", t.Marks)
	writeFacts(&f, "injected", t.Injected)
	writeFacts(&f, "state", t.Intervals)
	if f.err != nil {
		return f.err
	}
	return f.w.Flush()
}

type scenarioLine struct {
	Name    string     `json:"name"`
	Vehicle string     `json:"vehicle"`
	Seed    uint64     `json:"seed"`
	From    bus.Micros `json:"from_us"`
	To      bus.Micros `json:"to_us"`
	Stops   int        `json:"stops"`
}

// factWriter writes facts until the first error.
type factWriter struct {
	w   *bufio.Writer
	err error
}

func writeFacts[T any](f *factWriter, kind string, facts []T) {
	for i := 0; i < len(facts) && f.err == nil; i++ {
		var raw []byte
		if raw, f.err = json.Marshal(facts[i]); f.err == nil {
			_, f.err = f.w.WriteString(`{"kind":"` + kind + `","of":` + string(raw) + "}\n")
		}
	}
}

// round3 rounds to a thousandth, so that truth files read well.
func round3(x float64) float64 {
	if x < 0 {
		return -round3(-x)
	}
	return float64(int64(mul(x, 1000)+0.5)) / 1000
}
