package detect

import (
	"joltwatch/bus"
)

// Bus faults: frames that were lost, error frames, a controller that left the
// bus, a source that went away, a bus that fell silent with the engine running.
type busFault struct {
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

// heard notes that a mapped value came.
func (d *busFault) heard(s *scene, at bus.Micros) {
	if d.heardAny && s.seg.inDrive && s.seg.running && !d.anyAway() {
		if gap := (at - d.lastHeard).Seconds(); gap >= s.set.BusFault.SilentS && gap < 3600 {
			d.tell(s, "silent", d.lastHeard, at, "silent_s", gap, 0.6)
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
		d.tell(s, "error-frames", d.errorFrom, d.errorTo, "error_frames", d.errors, 0.4)
	}
	d.errors = 0
}

func (d *busFault) closeLost(s *scene) {
	d.tell(s, "frames-lost", d.lostFrom, d.lostTo, "frames_lost", d.lost, 0.3)
	d.lost = 0
}

func (d *busFault) closeBad(s *scene) {
	d.tell(s, "bad-input", d.badFrom, d.badTo, "lines", d.bad, 0.2)
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
			d.tell(s, "down", d.down[b], f.At, "duration_s", (f.At - d.down[b]).Seconds(), 0.5)
		}
	case bus.NoticeBusOff:
		if !d.isOff[b] {
			d.isOff[b], d.busOff[b] = true, f.At
		}
	case bus.NoticeRestarted:
		if d.isOff[b] {
			d.isOff[b] = false
			d.lastHeard = max(d.lastHeard, f.At)
			d.tell(s, "bus-off", d.busOff[b], f.At, "duration_s", (f.At - d.busOff[b]).Seconds(), 0.6)
		}
	case bus.NoticeClockJump:
		d.tell(s, "clock-jump", f.At, f.At, "jump_s", n/1e6, 0.2)
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
			d.tell(s, "down", d.down[i], max(d.down[i], d.lastHeard), "duration_s", 0, 0.5)
		}
		if d.isOff[i] {
			d.isOff[i] = false
			d.tell(s, "bus-off", d.busOff[i], max(d.busOff[i], d.lastHeard), "duration_s", 0, 0.6)
		}
	}
}

func (d *busFault) tell(s *scene, class string, from, to bus.Micros, name string, v, severity float64) {
	f := Finding{Kind: KindBusFault, Class: class, Start: from, End: to, Severity: severity, Keep: true}
	f.Context.SinceStartS = round(max(0, s.seg.sinceStart(from)), 0.1)
	f.Measures = append(f.Measures, measure(name, v, 0.001))
	s.out.ledger.opportunity(opBus, true, true)
	s.out.finding(&f, nil)
}
