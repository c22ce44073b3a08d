package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// MarkSettings judge the driver's button.
type MarkSettings struct {
	QuietS float64 `toml:"quiet_s"`
}

// MarkPressed is the only class of mark.
var MarkPressed = Class{"mark"}

var markSpec = &Spec{
	Kind:        KindMark,
	Ordinary:    []Class{MarkPressed},
	Sharpens:    []stream.Role{stream.DriverMark},
	Opportunity: "a press of the button",
	Settings: Table{"mark", []Setting{
		{"quiet_s", "s", 2, 0, 60, "how long further presses count as the same"},
	}},
	can: func(in *Inputs) Ability {
		if in.has(stream.DriverMark) {
			return able(0, "by the driver_mark role, or joltwatch mark")
		}
		return able(0, "by joltwatch mark")
	},
	make: func(c *counts, _ *stream.Plan) detector { return &mark{counts: c} },
}

// Driver mark: the driver pressed the button; the look-back is kept whatever
// the detectors thought.
type mark struct {
	counts  *counts
	pressed bool
	last    bus.Micros
	has     bool
}

// row: a press is a sample or a notice.
func (d *mark) row(*scene, *state.Moment) {}

func (d *mark) samples(r stream.Role) bool { return r == stream.DriverMark }

func (d *mark) sample(s *scene, x *stream.Sample) {
	if !x.OK {
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
	f := Finding{Kind: KindMark, Class: MarkPressed, Start: at, End: at, Severity: 0.9, Keep: true}
	if s.Begun() {
		f.Context = s.Now().Context(s.SinceStart(at))
	}
	if what, off, ok := s.Nearest(at, 15); ok {
		f.Instants = append(f.Instants, Instant{what, at - seconds(off), at - seconds(off), at - seconds(off)})
	}
	d.counts.add(true, true)
	s.out.finding(&f, nil)
}
