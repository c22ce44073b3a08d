// Package segment cuts the rows of a vehicle into drives and stops: a drive
// goes from engine start to engine stop, a stop is the standstill after the
// vehicle has rolled. It knows rows and the settings below, and nothing of the
// clutch.
package segment

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Settings cut the input into drives and stops.
type Settings struct {
	RunningRPM float64 `toml:"running_rpm"`
	MovingKmh  float64 `toml:"moving_kmh"`
	EndS       float64 `toml:"end_s"`
	StopStartS float64 `toml:"stop_start_s"`
	AccountS   float64 `toml:"account_s"`
}

// StandsShare of the least speed of an engine that runs is one that does not.
// Structural: between the two it runs on as it did.
const StandsShare = 0.6

// Drives follows the drives of one vehicle.
type Drives struct {
	set   Settings
	facts *stream.Facts

	drive   int
	inDrive bool
	running bool
	start   bus.Micros
	// heard is the last row in which the engine ran.
	heard bus.Micros
	// stands: the engine is known to stand.
	stands bool

	moving bool
	rolled bool // has moved since the last stop
}

// New returns the Drives of the vehicle with these facts.
func New(set Settings, facts *stream.Facts) Drives { return Drives{set: set, facts: facts} }

// Step is what a row says of engine and road.
type Step struct {
	// Began and Ended: a drive did so in this row. Stopped: the vehicle came to
	// a stop.
	Began, Ended, Stopped bool
	// Running: the engine runs. Moving: the vehicle moves.
	Running, Moving bool
	// Kmh is the road speed without its sign, where HasKmh.
	Kmh    float64
	HasKmh bool
}

// rolledKmh is the speed that makes the next standstill a stop: creeping in a
// queue is no stop of its own.
const rolledKmh = 5.0

// Follow takes the next row.
func (d *Drives) Follow(r *stream.Row) (x Step) {
	d.engine(r, &x)
	if d.inDrive && !x.Began && d.over(r) {
		d.EndDrive()
		x.Ended = true
	}
	x.Running = d.running && d.inDrive
	x.Kmh, x.HasKmh = d.speed(r)
	if x.HasKmh {
		d.roll(&x)
	}
	x.Moving = d.moving && x.HasKmh && d.inDrive
	if x.Moving && !r.Has(stream.EngineSpeed) {
		d.stands = false // it may have started itself, unheard
	}
	return x
}

// engine follows whether the engine runs, and begins the drive.
func (d *Drives) engine(r *stream.Row, x *Step) {
	if !r.Has(stream.EngineSpeed) {
		return
	}
	rpm := r.V[stream.EngineSpeed]
	switch {
	case rpm >= d.set.RunningRPM:
		d.running, d.stands, d.heard = true, false, r.At
		if !d.inDrive {
			d.inDrive, x.Began = true, true
			d.drive++
			d.start = r.At
		}
	case rpm < StandsShare*d.set.RunningRPM:
		d.running = false
		d.stands = true
	case d.running:
		d.heard = r.At
	}
}

// over reports whether the engine has been off for so long that the drive is
// over.
func (d *Drives) over(r *stream.Row) bool {
	limit := d.set.EndS
	if d.facts.StopStart && d.stands && r.Has(stream.EngineSpeed) {
		limit = d.set.StopStartS
	}
	silent := (r.At - d.heard).Seconds()
	return silent > limit && (d.stands || silent > max(limit, UnheardS))
}

// roll follows moving and standing.
func (d *Drives) roll(x *Step) {
	if x.Kmh >= d.set.MovingKmh {
		d.moving = true
	} else if x.Kmh < 0.9*d.set.MovingKmh {
		d.moving = false
	}
	if x.Kmh > rolledKmh {
		d.rolled = true
	}
	if d.rolled && !d.moving && d.inDrive {
		d.rolled, x.Stopped = false, true
	}
}

// Expired reports whether the drive under way was over before a row at this
// instant: the buses went to sleep and have woken up since.
func (d *Drives) Expired(at bus.Micros) bool {
	limit := UnheardS
	if d.facts.StopStart && d.stands {
		limit = max(limit, d.set.StopStartS)
	}
	return d.inDrive && (at-d.heard).Seconds() > limit
}

// UnheardS is how long an engine speed that has merely fallen silent may stay
// so within one drive: a controller that restarts takes seconds.
const UnheardS = 60.0

// speed returns the road speed without its sign, from road or output speed.
func (d *Drives) speed(r *stream.Row) (float64, bool) {
	if r.Has(stream.VehicleSpeed) {
		return math.Abs(r.V[stream.VehicleSpeed]), true
	}
	if r.Has(stream.OutputSpeed) {
		per := d.facts.OutputPerKmh
		if per <= 0 {
			// Output shafts turn 20-40 rpm for 1 km/h (cp): enough to tell
			// moving from standing.
			per = 30
		}
		return math.Abs(r.V[stream.OutputSpeed]) / per, true
	}
	return 0, false
}

// EndDrive ends the drive under way.
func (d *Drives) EndDrive() { d.inDrive, d.running = false, false }

// InDrive reports whether a drive is under way.
func (d *Drives) InDrive() bool { return d.inDrive }

// EngineOn reports whether the engine ran when it was last heard.
func (d *Drives) EngineOn() bool { return d.running }

// Drive is the number of the latest drive, from 1; 0 before the first.
func (d *Drives) Drive() int { return d.drive }

// Start is when that drive began.
func (d *Drives) Start() bus.Micros { return d.start }

// Heard is when the engine was last known to run.
func (d *Drives) Heard() bus.Micros { return d.heard }

// SinceStart is the time from the start of the latest drive, in seconds.
func (d *Drives) SinceStart(at bus.Micros) float64 { return (at - d.start).Seconds() }
