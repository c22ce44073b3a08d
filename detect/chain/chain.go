// Package chain takes a release apart into its links: the driver's brake and
// pedal, the decision (the command falls), the oil (pressure no longer holds) and
// the plates (the speeds part); and it holds each against what is usual for the
// vehicle. A signal that is absent joins two links into one.
package chain

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Span is an instant or, between two of them, a time, with the earliest and the
// latest that the samples allow.
type Span struct{ Early, Late bus.Micros }

// Mid is its middle.
func (s Span) Mid() bus.Micros { return s.Early + (s.Late-s.Early)/2 }

// Links are the instants of a release, as far as they were seen.
type Links struct {
	Braked, Lifted    Span // brake on, pedal released
	HasBrake, HasLift bool
	Fell              Span // the command
	Began             Span // pressure began to fall
	Gone              Span // pressure no longer held, by what holds on this vehicle
	HasBegan, HasGone bool
	// PartedKPa is the pressure at which the speeds parted, and between what it may
	// have been; BeforeKPa that as the command fell; HasPressure whether it was recorded.
	PartedKPa, PartedLowKPa, PartedHighKPa, BeforeKPa float64
	HasPressure                                       bool
}

const (
	// kept points of pressure keptEvery apart are 10 s.
	kept      = 512
	keptEvery = 20_000 * bus.Micros(1)
	// beganShare of the pressure is what it must lose before it has begun to
	// fall. Structural: above ripple, and little of the way.
	beganShare, beganLeastKPa = 0.08, 4.0
	// driverReach is how long before the fall what the driver did belongs to it.
	driverReach = 20 * bus.Second
	// restShare of the pressure holds nothing any more on any clutch, where what
	// holds on this one is not known yet (common practice, no source).
	restShare = 0.1
	// pressedPct is a pedal that is pressed.
	pressedPct = 1.0
)

type point struct {
	at   bus.Micros
	span Span
	kPa  float64
}

// Track follows the signals of one vehicle row by row. The zero value is ready.
type Track struct {
	braked, lifted    Span
	hasBrake, hasLift bool
	braking, pressed  bool
	brakeKnown        bool
	lastBrake         bus.Micros

	on     bool
	fell   Span
	from   float64
	began  Span
	below  bool
	points [kept]point
	n      int
}

// Row takes a row: what the driver does, and the pressure while a release is
// under way.
func (t *Track) Row(r *stream.Row) {
	t.brake(r)
	t.pedal(r)
	if t.on && r.Has(stream.ClutchPressure) {
		t.pressure(r)
	}
}

func (t *Track) brake(r *stream.Row) {
	if !r.Has(stream.Brake) {
		t.brakeKnown = false
		return
	}
	on := r.V[stream.Brake] != 0
	if on && !t.braking {
		t.hasBrake = t.brakeKnown
		t.braked = Span{t.lastBrake, r.Prev[stream.Brake]}
	}
	t.braking, t.brakeKnown, t.lastBrake = on, true, r.Prev[stream.Brake]
}

func (t *Track) pedal(r *stream.Row) {
	pressed := r.Has(stream.Accelerator) && r.V[stream.Accelerator] >= pressedPct
	if t.pressed && !pressed {
		t.lifted, t.hasLift = Span{r.Prev[stream.Accelerator], r.Next[stream.Accelerator]}, r.Has(stream.Accelerator)
	}
	t.pressed = pressed
}

// Driver returns when the driver let the vehicle roll up before an instant: the pedal
// released, or the brake on; ok is false where neither is known. braked is zero where
// the brake is not.
func (t *Track) Driver(before bus.Micros) (let, braked Span, ok bool) {
	if t.hasBrake && t.braked.Late <= before && before-t.braked.Late < driverReach {
		braked = t.braked
		let, ok = braked, true
	}
	if t.hasLift && !t.pressed && t.lifted.Late < before && before-t.lifted.Late < driverReach {
		let, ok = t.lifted, true
	}
	return let, braked, ok
}

// Begin starts a release whose command fell.
func (t *Track) Begin(fell Span, r *stream.Row) {
	t.on, t.fell, t.n, t.below = true, fell, 0, false
	t.from = 0
	if r.Has(stream.ClutchPressure) {
		t.from = r.V[stream.ClutchPressure]
		t.pressure(r)
	}
}

func (t *Track) pressure(r *stream.Row) {
	span := Span{r.Prev[stream.ClutchPressure], max(r.Next[stream.ClutchPressure], r.Prev[stream.ClutchPressure])}
	v := r.V[stream.ClutchPressure]
	if !t.below && v < t.from-max(float64(beganShare*t.from), beganLeastKPa) {
		t.below, t.began = true, span
		if t.n > 0 {
			t.began.Early = t.last(0).span.Early
		}
	}
	if t.n == 0 || r.At-t.last(0).at >= keptEvery {
		t.points[t.n%kept] = point{r.At, span, v}
		t.n++
	}
}

// last returns the point that is so many before the latest.
func (t *Track) last(back int) *point { return &t.points[(t.n-1-back)%kept] }

// End ends the release under way. parted is when the speeds did; hold what is
// known of the pressure that holds: without, the pressure counts as gone at a tenth
// of what it was.
func (t *Track) End(parted Span, hold Hold) Links {
	t.on = false
	l := Links{Fell: t.fell, HasPressure: t.n >= 2}
	if t.hasBrake && parted.Late-t.braked.Late < driverReach {
		l.Braked, l.HasBrake = t.braked, true
	}
	if t.hasLift && !t.pressed && parted.Late-t.lifted.Late < driverReach {
		l.Lifted, l.HasLift = t.lifted, true
	}
	l.Began, l.HasBegan = t.began, t.below
	if l.HasPressure {
		l.PartedKPa, l.PartedLowKPa, l.PartedHighKPa = t.at(parted.Mid()), t.at(parted.Late), t.at(parted.Early)
	}
	l.BeforeKPa = t.from
	if !hold.Known {
		hold.LowKPa, hold.HighKPa = float64(restShare*t.from), float64(restShare*t.from)
	}
	if l.HasPressure {
		l.Gone, l.HasGone = t.gone(hold)
	}
	return l
}

// at is the pressure at an instant.
func (t *Track) at(x bus.Micros) float64 {
	for k := 0; k < min(t.n, kept); k++ {
		p := t.last(k)
		if p.at > x {
			continue
		}
		if k == 0 {
			return p.kPa
		}
		q := t.last(k - 1)
		return p.kPa + float64((q.kPa-p.kPa)*((x-p.at).Seconds()/(q.at-p.at).Seconds()))
	}
	if t.n > 0 && t.n <= kept {
		return t.from // before the command fell
	}
	return math.NaN()
}

// gone returns when the pressure came to hold no longer.
func (t *Track) gone(h Hold) (at Span, ok bool) {
	high := false
	for k := min(t.n, kept) - 1; k >= 0; k-- {
		p := t.last(k)
		if !high && p.kPa < h.HighKPa {
			high, at.Early = true, p.span.Early
			if k+1 < min(t.n, kept) {
				at.Early = t.last(k + 1).span.Early
			}
		}
		if p.kPa < h.LowKPa {
			at.Late = p.span.Late
			return at, true
		}
	}
	return at, false
}
