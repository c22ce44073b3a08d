package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// BusFaultSettings judge the bus.
type BusFaultSettings struct {
	SilentS     float64 `toml:"silent_s"`
	ErrorFrames float64 `toml:"error_frames"`
}

// Classes of a bus fault.
var (
	BusSilent      = Class{"silent"}
	BusErrors      = Class{"error-frames"}
	BusFramesLost  = Class{"frames-lost"}
	BusBadInput    = Class{"bad-input"}
	BusDown        = Class{"down"}
	BusOff         = Class{"bus-off"}
	BusClockJumped = Class{"clock-jump"}
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
	Alarms:      []Class{BusSilent, BusErrors, BusFramesLost, BusBadInput, BusDown, BusOff, BusClockJumped},
	Measures:    []*Quantity{&durationS, &busSilentS, &busErrors, &busLost, &busLines, &busJumpS},
	Opportunity: "a fault of a bus",
	Settings: Table{"bus_fault", []Setting{
		{"silent_s", "s", 3, 0.5, 600, "so long without any mapped value, with the engine running before and after, is a silent bus"},
		{"error_frames", "", 10, 1, 100000, "so many within a minute are a fault; single ones are ordinary"},
	}},
	can:  func(*Inputs) Ability { return able(0, "always") },
	make: func(c *counts, _ *stream.Plan) detector { return &busFault{counts: c} },
}

// Bus faults: frames that were lost, error frames, a controller that left the
// bus, a source that went away, a bus that fell silent with the engine running.
type busFault struct {
	blank
	counts    *counts
	lastHeard bus.Micros
	heardAny  bool

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

// sample notes that a mapped value came.
func (d *busFault) sample(s *scene, x *stream.Sample) {
	at := x.At
	if d.heardAny && s.seg.inDrive && s.seg.running && !d.anyAway() {
		if gap := (at - d.lastHeard).Seconds(); gap >= s.set.BusFault.SilentS && gap < 3600 {
			d.tell(s, BusSilent, d.lastHeard, at, &busSilentS, gap, 0.6)
		}
	}
	if at > d.lastHeard || d.lastHeard-at > 10*bus.Second {
		d.lastHeard = at
	}
	d.heardAny = true
	d.gather(s, at)
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
	case bus.NoticeClockJump:
		d.tell(s, BusClockJumped, f.At, f.At, &busJumpS, n/1e6, 0.2)
		d.lastHeard = f.At
	}
}

func (d *busFault) flush(s *scene) {
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
	f := Finding{Kind: KindBusFault, Class: class, Start: from, End: to, Severity: severity, Keep: true}
	f.Context.SinceStartS = round(max(0, s.seg.sinceStart(from)), 0.1)
	f.Measures = append(f.Measures, of.of(v))
	d.counts.add(true, true)
	s.out.finding(&f, nil)
}
