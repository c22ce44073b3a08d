package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/chain"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// riseTrack follows the vehicle as it pulls away from standstill, up to a second after
// the command's first rise, and holds that against this vehicle's habit.
type riseTrack struct {
	// applied: the command has risen before in this drive, so that cold fluid is not
	// what it waits for.
	applied bool
	pulling bool // and the command has not risen
	// free is since when nothing stands in the way: no shift, no brake, and the pedal where
	// it usually is as the command rises.
	free         bus.Micros
	low, high    float64 // the pedal, %
	usual        bool    // and they are known
	slowKmh      float64
	way          [risePoints]risePoint // since the standstill, a ring
	n            int
	rise         state.Edge
	of           chain.Rise
	said         chain.Decision
	decided      bool
	open, judged bool // the self-test is to come; and there is an apply to be told of
	tally        CommandTrials
}

// risePoint is what a rise at one instant would be, and since when nothing would have been
// in its way.
type risePoint struct {
	at, free bus.Micros
	of       chain.Rise
}

const (
	// risePoints every risePitch reach as far back as a late rise is looked for.
	risePoints, risePitch = 24, bus.Second / 5
	// settledS after a shift a command that waited for its end may still come, and so long
	// a controller's own filters and its messages' period take (cp).
	settledS = 0.3
	// waitedS is for how long nothing has been in its way: controllers wait for steady
	// conditions for up to a second (cp).
	waitedS = 1.2
)

func (t *riseTrack) row(s *scene, m *state.Moment) {
	if m.Gap || !s.InDrive() || !m.HasKmh {
		*t = riseTrack{tally: t.tally, applied: t.applied && !m.Gap && s.InDrive()}
		return
	}
	// A first-order lag of a second is behind by what changes in a second.
	t.slowKmh += float64(min(1, m.DtS) * (m.Kmh - t.slowKmh))
	pedal, known := m.Accelerator()
	switch {
	case m.StoodS > 0:
		if !t.pulling {
			t.low, t.high, t.usual = s.history.Rises.Pedal()
		}
		t.pulling, t.open, t.slowKmh, t.free, t.n = true, false, m.Kmh, m.At, 0
	case m.Shifting || m.SinceShiftS < settledS || m.HasGear && m.SinceGearS < settledS || !known || !m.Forward() ||
		m.Row.Has(stream.Brake) && m.Row.V[stream.Brake] > 0 || t.usual && (pedal < t.low || pedal > t.high):
		t.free = m.At
	}
	if (t.pulling || t.open) && (t.n == 0 || m.At-t.way[(t.n-1)%risePoints].at >= risePitch) {
		t.way[t.n%risePoints] = risePoint{m.At, t.free, t.at(m)}
		t.n++
	}
	if m.Rose {
		t.rises(s, m)
	}
	if m.Fell {
		t.settle(s, m, false)
	} else if t.open && (m.At-t.rise.Mid()).Seconds() >= trialOfCommandS {
		t.settle(s, m, true)
	}
}

// rises takes the command's first rise since a standstill.
func (t *riseTrack) rises(s *scene, m *state.Moment) {
	t.decided, t.rise = false, m.Edge
	if t.pulling && t.applied && (!s.copies() || s.Report().Leads()) {
		t.of = t.at(m)
		t.open = t.of.PedalPct >= 0 && t.of.KmhPerS > 0
		t.judged = t.open && m.HasSlip && m.SlipRPM > s.set.Apply.DoneRPM
		t.said, t.decided = t.decide(s, m, m.Edge.Early)
		t.decided = t.decided && t.judged
	}
	t.pulling, t.applied = false, true
}

// decide holds a rise at an instant against the habit: it is late from where the vehicle
// was beyond it with nothing in the way.
func (t *riseTrack) decide(s *scene, m *state.Moment, at bus.Micros) (d chain.Decision, ok bool) {
	var habit *chain.RisesIn
	for i := max(0, t.n-risePoints); i < t.n; i++ {
		p := &t.way[i%risePoints]
		if p.at > at {
			break
		}
		if habit == nil || habit.Gear != p.of.Gear {
			habit = s.history.Rises.In(p.of.Gear)
		}
		x, has := habit.Decide(p.of)
		if !has {
			d.LateS, d.LowS = min(d.LateS, 0), min(d.LowS, 0) // in this gear nothing says where it comes
			continue
		}
		by := (at - p.at).Seconds()
		x.LateS, x.LowS, x.HighS = x.LateS+by, x.LowS+by, x.HighS+by
		if past, most := x.LowS >= by, (at-p.free).Seconds()-waitedS; past && most > by {
			x.LowS = min(x.LowS, most)
			return x, !s.history.Rises.Another(t.at(m))
		} else if past {
			x.LateS, x.LowS = min(x.LateS, 0), min(x.LowS, 0) // it waited, as far as is known
		}
		d, ok = x, true
	}
	return d, ok
}

// at is a rise at this row.
func (t *riseTrack) at(m *state.Moment) chain.Rise {
	r := chain.Rise{Gear: noGear, Celsius: -1, Kmh: m.Kmh, KmhPerS: m.Kmh - t.slowKmh, PedalPct: -1}
	if m.HasGear {
		r.Gear = m.Gear
	}
	if m.Row.Has(stream.FluidTemperature) {
		r.Celsius = m.Row.V[stream.FluidTemperature]
	}
	if pedal, ok := m.Accelerator(); ok {
		r.PedalPct = pedal
	}
	return r
}

// late reports whether the command's last rise was later than this vehicle's habit.
func (t *riseTrack) late(set *ReleaseLagSettings) bool { return t.decided && late(&t.said, set) }

// severity grows with how late the rise came at the least.
func (t *riseTrack) severity() float64 { return min(0.7, 0.5+float64(0.05*t.said.LowS)) }

// settle makes the self-test of a rise, by whether it would have been told a second later,
// if the drive went on as it did, and learns it.
func (t *riseTrack) settle(s *scene, m *state.Moment, stood bool) {
	if !t.open {
		return
	}
	t.open = false
	set := &s.set.ReleaseLag
	t.of.Told = t.late(set)
	t.tally.Falls++
	later := t.of.Told
	if t.decided && !later && t.said.HighS < set.LateCommandS {
		said, ok := t.decide(s, m, m.At)
		later = ok && late(&said, set)
	}
	if stood && later {
		t.tally.Later1S++
	}
	s.history.Rises.Learn(t.of)
}

// describe adds to a finding how the command's rise stands to the habit.
func (t *riseTrack) describe(f *Finding) {
	x := &t.said
	f.putLate(x)
	f.put(&roseAtKmh, t.of.Kmh)
	f.put(&usualRiseKmh, x.UsualKmh)
	f.put(&habitRises, float64(x.N))
	f.usually(InstantUsuallyRises, x, &t.rise)
}
