package drive

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// Scenario is one drive: who drives what where, and what is wrong with it.
type Scenario struct {
	Name    string `toml:"name"`
	Vehicle string `toml:"vehicle"`
	Seed    uint64 `toml:"seed"`
	// StartUnix is the wall time of the first frame, s; 0 for a log that
	// counts from its own start.
	StartUnix int64 `toml:"start_unix"`
	// FluidC is the fluid temperature at the start; 0 means 70 °C.
	FluidC float64 `toml:"fluid_c"`
	// LoadKg is added to the vehicle's mass (a load, a trailer).
	LoadKg float64 `toml:"load_kg"`
	// NoiseFactor multiplies every sensor's noise; 0 means 1.
	NoiseFactor float64 `toml:"noise_factor"`
	// RateFactor multiplies every message period; 0 means 1.
	RateFactor float64 `toml:"rate_factor"`
	// CoarseFactor multiplies the quantum of the speeds; 0 means 1.
	CoarseFactor float64 `toml:"coarse_factor"`
	// Other is how many messages of other traffic there are beside the
	// vehicle's own.
	Other int `toml:"other_messages"`
	// Hide leaves roles out of the vehicle file, as if nobody had found them.
	Hide []string `toml:"hide"`
	// Asked is a vehicle that shows nothing and answers the standard's requests
	// (see Asked), Truncated one whose road speed is cut down to whole km/h.
	Asked     bool `toml:"asked"`
	Truncated bool `toml:"truncated"`

	Steps  []Step  `toml:"step"`
	Faults []Fault `toml:"fault"`

	// NoLog leaves the text log out of the result; NoTrace the true speeds and
	// clutch states, which grow with the drive.
	NoLog   bool `toml:"-"`
	NoTrace bool `toml:"-"`
	// layout replaces the vehicle's own (see Scramble).
	layout *Layout
}

// Step is one thing that the driver does.
//
//	start    start the engine and wait ForS
//	drive    go to ToKmh with at most Accel m/s², stay until ForS have passed
//	stop     brake with Accel m/s² to a standstill, wait ForS
//	pedal    hold PedalPct until ToKmh is reached or ForS have passed
//	lift     no pedal, no brake, until ForS have passed or ToKmh is reached
//	neutral  select neutral and roll for ForS, blipping the pedal by PedalPct
//	reverse  select reverse, drive at ToKmh for ForS, then stop
//	off      stop the engine, key off for ForS
//	mark     press the button
type Step struct {
	Do       string  `toml:"do"`
	ToKmh    float64 `toml:"to_kmh"`
	Accel    float64 `toml:"accel"`
	ForS     float64 `toml:"for_s"`
	PedalPct float64 `toml:"pedal"`
	// Grade in % from this step on (it ramps); "flat" needs a step with
	// grade = 0, so absent means "as before".
	Grade *float64 `toml:"grade"`
	// Friction of the road from this step on; absent means as before.
	Friction *float64 `toml:"friction"`
	// Fault begins with the step; its AtS counts from there.
	Fault *Fault `toml:"fault"`
}

// Fault is something wrong, from AtS for ForS seconds (to the end where 0).
//
//	release-late    a release in the window comes Value s after its command
//	release-drag    the released clutch goes on carrying Value N·m
//	oil-slow        oil leaves Value times as slowly in a release in the window
//	valve-slow      pressure begins to fall Value s after the command
//	command-late    the command falls Value s after the controller's usual instant
//	brake-late      likewise, and the brake signal does not come before it
//	idle-stall      the engine chokes as the vehicle comes to a stop
//	one-way         the stator does not hold: no torque multiplication, and the
//	                pump takes Value times the torque at a standstill, which stops
//	                the engine there
//	unasked-slip    the closed clutch slips Value rpm under drive
//	apply-late      the command rises Value s after the controller's usual instant
//	slow-apply      filling takes Value s longer
//	partial-apply   the apply leaves Value rpm of slip
//	shudder         Value N·m of clutch torque at Hz while slipping or closed
//	misfire         Value N·m of engine torque at Hz
//	flare           an upshift in the window lets go for Value s
//	gearset-slip    the gear slips Value rpm of turbine speed under drive
//	jolt            the body is pushed with Value m/s² for 0.15 s
//	dropout         message On is not sent
//	not-available   the signals of message On say "not available"
//	noise           noise of every sensor times Value
//	stuck           the signals of message On hold their value
//	frames-lost     Value frames vanish, with a notice
//	bus-off         the bus goes silent with a notice, and comes back
//	silent          the bus goes silent without one
//	error-frames    Value error frames
//	clock-jump      the clock moves by Value s, with a notice
//	down            the adapter is unplugged, with notices
type Fault struct {
	Kind  string  `toml:"kind" json:"kind,omitempty"`
	AtS   float64 `toml:"at_s" json:"at_s,omitempty"`
	ForS  float64 `toml:"for_s" json:"for_s,omitempty"`
	Value float64 `toml:"value" json:"value,omitempty"`
	Hz    float64 `toml:"hz" json:"hz,omitempty"`
	On    string  `toml:"on" json:"on,omitempty"`
}

// Load reads a scenario file. It refuses keys it does not know.
func Load(path string) (Scenario, error) {
	var sc Scenario
	f, err := os.Open(path)
	if err != nil {
		return sc, err
	}
	defer f.Close()
	d := toml.NewDecoder(f)
	d.DisallowUnknownFields()
	if err := d.Decode(&sc); err != nil {
		var strict *toml.StrictMissingError
		if errors.As(err, &strict) && len(strict.Errors) > 0 {
			row, col := strict.Errors[0].Position()
			return sc, fmt.Errorf("%s:%d:%d: %s is nothing that a scenario has", path, row, col, strings.Join(strict.Errors[0].Key(), "."))
		}
		if de, ok := errors.AsType[*toml.DecodeError](err); ok {
			row, col := de.Position()
			return sc, fmt.Errorf("%s:%d:%d: %s", path, row, col, strings.TrimPrefix(de.Error(), "toml: "))
		}
		return sc, fmt.Errorf("%s: %w", path, err)
	}
	if err := sc.check(); err != nil {
		return sc, fmt.Errorf("%s: %w", path, err)
	}
	return sc, nil
}

func (sc *Scenario) check() error {
	if _, err := VehicleByName(sc.Vehicle); err != nil {
		return fmt.Errorf("scenario %q: %w", sc.Name, err)
	}
	if len(sc.Steps) == 0 {
		return fmt.Errorf("scenario %q has no steps", sc.Name)
	}
	for i, s := range sc.Steps {
		switch s.Do {
		case "start", "drive", "stop", "pedal", "lift", "neutral", "reverse", "off", "mark":
		default:
			return fmt.Errorf("scenario %q, step %d: %q is not something a driver does", sc.Name, i+1, s.Do)
		}
	}
	faults := append([]Fault(nil), sc.Faults...)
	for _, s := range sc.Steps {
		if s.Fault != nil {
			faults = append(faults, *s.Fault)
		}
	}
	for i, f := range faults {
		switch f.Kind {
		case "release-late", "release-drag", "oil-slow", "valve-slow", "command-late", "brake-late",
			"idle-stall", "one-way", "unasked-slip", "apply-late", "slow-apply", "partial-apply",
			"shudder", "misfire", "flare", "gearset-slip", "jolt", "dropout", "not-available",
			"noise", "stuck", "frames-lost", "bus-off", "silent", "error-frames", "clock-jump", "down":
		default:
			return fmt.Errorf("scenario %q, fault %d: %q is not a fault", sc.Name, i+1, f.Kind)
		}
	}
	return nil
}
