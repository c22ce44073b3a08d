package detect

import (
	"joltwatch/bus"
	"joltwatch/stream"
)

// Driver mark: the driver pressed the button; the look-back is kept whatever
// the detectors thought.
type mark struct {
	pressed bool
	last    bus.Micros
	has     bool
}

func (d *mark) sample(s *scene, x *stream.Sample) {
	if x.Role != stream.DriverMark || !x.OK {
		return
	}
	on := x.Value >= 0.5
	if on && !d.pressed {
		d.press(s, x.At)
	}
	d.pressed = on
}

func (d *mark) notice(s *scene, f *bus.Frame) {
	if f.Kind == bus.Notice && bus.NoticeCode(f.ID) == bus.NoticeMark {
		d.press(s, f.At)
	}
}

func (d *mark) press(s *scene, at bus.Micros) {
	if d.has && at >= d.last && (at-d.last).Seconds() < s.set.Mark.QuietS {
		return
	}
	d.last, d.has = at, true
	f := Finding{Kind: KindMark, Class: "mark", Start: at, End: at, Severity: 0.9, Keep: true}
	if s.has {
		f.Context = s.m.context(s.seg.sinceStart(at))
	}
	if what, off, ok := s.nearest(at, 15); ok {
		f.Instants = append(f.Instants, Instant{what, at - seconds(off), at - seconds(off), at - seconds(off)})
	}
	s.out.ledger.opportunity(opMark, true, true)
	s.out.finding(&f, nil)
}
