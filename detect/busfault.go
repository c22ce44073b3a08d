package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/segment"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// BusFaultSettings judge the bus.
type BusFaultSettings struct {
	SilentS     float64 `toml:"silent_s"`
	ErrorFrames float64 `toml:"error_frames"`
}

// Classes of a bus fault.
var (
	BusSilent = Class{"silent"}
	// BusControllersSilent: others went on, the mapped controllers did not.
	BusControllersSilent = Class{"controllers-silent"}
	BusErrors            = Class{"error-frames"}
	BusFramesLost        = Class{"frames-lost"}
	BusBadInput          = Class{"bad-input"}
	BusDown              = Class{"down"}
	BusOff               = Class{"bus-off"}
	BusClockJumped       = Class{"clock-jump"}
)

var (
	busSilentS = Quantity{"silent_s", "s", 0.001}
	busErrors  = Quantity{"error_frames", "", 1}
	busLost    = Quantity{"frames_lost", "", 1}
	busLines   = Quantity{"lines", "", 1}
	busJumpS   = Quantity{"jump_s", "s", 0.001}
)

var busSpec = &Spec{
	Kind:        KindBusFault,
	Alarms:      []Class{BusSilent, BusControllersSilent, BusErrors, BusFramesLost, BusBadInput, BusDown, BusOff, BusClockJumped},
	Measures:    []*Quantity{&durationS, &busSilentS, &busErrors, &busLost, &busLines, &busJumpS},
	Opportunity: "a fault of a bus",
	Settings: Table{"bus_fault", []Setting{
		{"silent_s", "s", 3, 0.5, 600, "so long without any mapped value, with the engine running before it and after, or the vehicle moving after it, is a silent bus"},
		{"error_frames", "", 10, 1, 100000, "so many within a minute are a fault; single ones are ordinary"},
	}},
	can:  func(*Inputs) Ability { return able(0, "always") },
	make: func(c *counts, plan *stream.Plan) detector { return &busFault{counts: c, asked: askedOnly(plan)} },
}

// Bus faults: frames that were lost, error frames, a controller that left the
// bus, a source that went away, a bus or all mapped controllers silent with the
// engine running, or while it had stopped itself and the vehicle moves after it.
type busFault struct {
	counts    *counts
	lastHeard bus.Micros
	heardAny  bool
	idle      bool   // a value that comes as it should tells no more than that it came
	traffic   uint64 // frames of all sorts up to then
	silent    silence
	// asked are the buses, a bit each, where nothing is known but by asking, 0
	// where anything is; paused are those on which asking has paused by its own
	// choice.
	asked, paused uint64

	down, busOff       [8]bus.Micros
	isDown, isOff      [8]bool
	errors             float64
	errorFrom, errorTo bus.Micros
	lost               float64
	lostFrom, lostTo   bus.Micros
	bad                float64
	badFrom, badTo     bus.Micros
}

// gatherS is how long repeats are gathered into one finding, in seconds.
const gatherS = 60.0

// silence is a time without mapped values that may have been a fault: what the
// engine does after it tells.
type silence struct {
	on       bool
	from, to bus.Micros
	moving   bool   // the vehicle moved as it began, and its engine ran
	stood    bool   // the engine stood: a key that is turned is known by the vehicle, which does not move after it
	other    uint64 // frames of others in it
	drive    int
	// rpm is the first engine speed that is heard after it: a starter turns the
	// engine for some tenths of a second before it runs.
	heard bool
	rpm   float64
}

const (
	// otherHz is the traffic of others, in frames a second, that shows a bus
	// which is not silent. Structural: a bus in use carries hundreds.
	otherHz = 10.0
	// answerS is how long after a silence the engine's speed is waited for.
	// Structural: it comes ten times a second and more, or by request once.
	answerS = 5.0
	// silentMostS is the longest silence that is one.
	silentMostS = 3600.0
	// silentLeast is shorter than any silence that silent_s can be set to.
	silentLeast = bus.Second / 4
)

// hear notes that a mapped value came.
func (d *busFault) hear(s *scene, x *stream.Sample) {
	if gap := x.At - d.lastHeard; d.idle && gap > 0 && gap <= silentLeast {
		d.lastHeard, d.traffic = x.At, s.traffic
		return
	}
	d.attend(s, x)
}

// attend is hear for a value that may say more.
func (d *busFault) attend(s *scene, x *stream.Sample) {
	at := x.At
	if at-d.lastHeard > silentLeast {
		d.interrupted(s, at)
	}
	if d.silent.on && !d.silent.heard && x.Role == stream.EngineSpeed && x.OK {
		d.silent.heard, d.silent.rpm = true, x.Value
	}
	if at > d.lastHeard || d.lastHeard-at > 10*bus.Second {
		d.lastHeard = at
	}
	d.heardAny, d.traffic = true, s.traffic
	if d.errors > 0 || d.lost > 0 || d.bad > 0 {
		d.gather(s, at)
	}
	d.idle = !(d.silent.on && !d.silent.heard) && d.errors == 0 && d.lost == 0 && d.bad == 0
}

// interrupted notes a silence that lasted until an instant.
func (d *busFault) interrupted(s *scene, at bus.Micros) {
	gap := at - d.lastHeard
	if !d.heardAny || gap.Seconds() < s.set.BusFault.SilentS || gap.Seconds() >= silentMostS {
		return
	}
	if s.InDrive() && !d.anyAway() && !d.allPaused() {
		runs := s.EngineOn()
		d.silent = silence{on: true, from: d.lastHeard, to: at, moving: runs && s.Now().Moving, stood: !runs, other: s.traffic - d.traffic, drive: s.Drive()}
	}
}

// askedOnly are the buses of a plan, a bit each, where all that is mapped anywhere
// is known by asking; 0 where it is not.
func askedOnly(plan *stream.Plan) (buses uint64) {
	for _, m := range plan.Messages {
		if m.Match != stream.MatchAnswer || m.Bus < 0 || m.Bus >= 64 {
			return 0
		}
		buses |= 1 << m.Bus
	}
	return buses
}

// allPaused reports whether nothing could be heard for asking has paused by its
// own choice.
func (d *busFault) allPaused() bool { return d.asked != 0 && d.asked&^d.paused == 0 }

// asking follows asking: a pause of our own is no silence. What was silent before
// it was, and what is so after it.
func (d *busFault) asking(s *scene, f *bus.Frame, own bool) {
	was := d.allPaused()
	if own && !was {
		d.interrupted(s, f.At)
	}
	d.paused &^= 1 << f.Bus
	if own {
		d.paused |= 1 << f.Bus
	}
	if was && !d.allPaused() {
		d.lastHeard = max(d.lastHeard, f.At)
	}
}

// row settles a silence. A key that is turned off at a standstill silences the bus
// as well: the engine then stands, or has been started anew.
func (d *busFault) row(s *scene, m *state.Moment) {
	if !d.silent.on || m.At < d.silent.to {
		return
	}
	x := &d.silent
	known := m.Row.Has(stream.EngineSpeed)
	if (!known || x.stood && !m.HasKmh) && (m.At-x.to).Seconds() < answerS {
		return
	}
	if known && !x.heard {
		x.heard, x.rpm = true, m.Row.V[stream.EngineSpeed]
	}
	x.on = false
	runs := x.heard && x.rpm >= s.set.Drive.RunningRPM
	if x.moving || runs && (!x.stood || m.Moving) && (x.to-x.from).Seconds() < segment.UnheardS {
		d.tellSilence(s, x)
	}
}

func (d *busFault) tellSilence(s *scene, x *silence) {
	long := (x.to - x.from).Seconds()
	class := BusSilent
	if float64(x.other) >= otherHz*long {
		class = BusControllersSilent
	}
	d.tellIn(s, x.drive, class, x.from, x.to, &busSilentS, long, 0.6)
}

func (d *busFault) anyAway() bool {
	for i := range d.isDown {
		if d.isDown[i] || d.isOff[i] {
			return true
		}
	}
	return false
}

// gather closes bursts that have ended.
func (d *busFault) gather(s *scene, at bus.Micros) {
	if d.errors > 0 && (at-d.errorFrom).Seconds() > gatherS {
		d.closeErrors(s)
	}
	if d.lost > 0 && (at-d.lostTo).Seconds() > gatherS/6 {
		d.closeLost(s)
	}
	if d.bad > 0 && (at-d.badTo).Seconds() > gatherS {
		d.closeBad(s)
	}
}

func (d *busFault) closeErrors(s *scene) {
	if d.errors >= s.set.BusFault.ErrorFrames {
		d.tell(s, BusErrors, d.errorFrom, d.errorTo, &busErrors, d.errors, 0.4)
	}
	d.errors = 0
}

func (d *busFault) closeLost(s *scene) {
	d.tell(s, BusFramesLost, d.lostFrom, d.lostTo, &busLost, d.lost, 0.3)
	d.lost = 0
}

func (d *busFault) closeBad(s *scene) {
	d.tell(s, BusBadInput, d.badFrom, d.badTo, &busLines, d.bad, 0.2)
	d.bad = 0
}

func (d *busFault) notice(s *scene, f *bus.Frame) {
	d.idle = false
	d.gather(s, f.At)
	if f.Kind == bus.Error {
		if d.errors == 0 {
			d.errorFrom = f.At
		}
		d.errors++
		d.errorTo = f.At
		return
	}
	n := float64(f.Count())
	b := int(f.Bus) % len(d.isDown)
	switch bus.NoticeCode(f.ID) {
	case bus.NoticeDropped:
		if d.lost == 0 {
			d.lostFrom = f.At
		}
		d.lost += n
		d.lostTo = f.At
	case bus.NoticeBadInput:
		if d.bad == 0 {
			d.badFrom = f.At
		}
		d.bad += n
		d.badTo = f.At
	case bus.NoticeDown:
		if !d.isDown[b] {
			d.isDown[b], d.down[b] = true, f.At
		}
	case bus.NoticeUp:
		if d.isDown[b] {
			d.isDown[b] = false
			d.lastHeard = max(d.lastHeard, f.At)
			d.tell(s, BusDown, d.down[b], f.At, &durationS, (f.At - d.down[b]).Seconds(), 0.5)
		}
	case bus.NoticeBusOff:
		if !d.isOff[b] {
			d.isOff[b], d.busOff[b] = true, f.At
		}
	case bus.NoticeRestarted:
		if d.isOff[b] {
			d.isOff[b] = false
			d.lastHeard = max(d.lastHeard, f.At)
			d.tell(s, BusOff, d.busOff[b], f.At, &durationS, (f.At - d.busOff[b]).Seconds(), 0.6)
		}
	case bus.NoticeNotAsking:
		d.asking(s, f, bus.PauseReason(f.Count()).Own())
	case bus.NoticeAsking:
		d.asking(s, f, false)
	case bus.NoticeClockJump:
		d.tell(s, BusClockJumped, f.At, f.At, &busJumpS, n/1e6, 0.2)
		d.lastHeard = f.At
	}
}

func (d *busFault) flush(s *scene) {
	if d.silent.on && d.silent.moving {
		d.silent.on = false
		d.tellSilence(s, &d.silent)
	}
	if d.errors > 0 {
		d.closeErrors(s)
	}
	if d.lost > 0 {
		d.closeLost(s)
	}
	if d.bad > 0 {
		d.closeBad(s)
	}
	for i := range d.isDown {
		if d.isDown[i] {
			d.isDown[i] = false
			d.tell(s, BusDown, d.down[i], max(d.down[i], d.lastHeard), &durationS, 0, 0.5)
		}
		if d.isOff[i] {
			d.isOff[i] = false
			d.tell(s, BusOff, d.busOff[i], max(d.busOff[i], d.lastHeard), &durationS, 0, 0.6)
		}
	}
}

func (d *busFault) tell(s *scene, class Class, from, to bus.Micros, of *Quantity, v, severity float64) {
	d.tellIn(s, s.Drive(), class, from, to, of, v, severity)
}

func (d *busFault) tellIn(s *scene, drive int, class Class, from, to bus.Micros, of *Quantity, v, severity float64) {
	f := Finding{Kind: KindBusFault, Class: class, Start: from, End: to, Drive: drive, Severity: severity, Keep: true}
	f.Context.SinceStartS = state.Round(max(0, s.SinceStart(from)), 0.1)
	f.Measures = append(f.Measures, of.of(v))
	d.counts.add(true, true)
	s.out.finding(&f, nil)
}
