package detect

import (
	"fmt"

	"joltwatch/stream"
)

// accounting shares out the moving time by clutch state, and counts stops,
// opportunities and coverage: the running account of a drive.
type accounting struct {
	plan    *stream.Plan
	a       Account
	bands   map[bandKey]*Band
	chances map[string]*Chance
	fresh   [stream.NumRoles]float64
	samples [stream.NumRoles]uint64
	notOK   [stream.NumRoles]uint64
	// released is set by a release that was observed since the last stop;
	// apart says that the clutch was seen to be open in this approach.
	released, apart bool
}

type bandKey struct {
	of string
	i  int
}

func (x *accounting) init(plan *stream.Plan) {
	x.plan = plan
	x.reset()
}

func (x *accounting) reset() {
	*x = accounting{plan: x.plan, bands: map[bandKey]*Band{}, chances: map[string]*Chance{}}
}

func (x *accounting) chance(kind string) *Chance {
	c := x.chances[kind]
	if c == nil {
		c = &Chance{Kind: kind}
		x.chances[kind] = c
	}
	return c
}

func (x *accounting) seen(kind string)       { x.chance(kind).Seen++ }
func (x *accounting) observable(kind string) { x.chance(kind).Observable++ }
func (x *accounting) unobservable(string)    {}

func (x *accounting) hit(f *Finding) {
	switch f.Class {
	case "normal", "asked":
	default:
		x.chance(f.Kind).Hits++
	}
}

func (x *accounting) sample(s *stream.Sample) {
	x.samples[s.Role]++
	if !s.OK {
		x.notOK[s.Role]++
	}
}

func (x *accounting) row(m *Monitor) {
	n, r := &m.now, m.now.row
	a := &x.a
	if m.segment.offS == 0 {
		a.EngineOnS += n.dt
	}
	for role := stream.Role(0); role < stream.NumRoles; role++ {
		if r.Known&(1<<role) != 0 {
			x.fresh[role] += n.dt
		}
	}
	s := &m.segment
	if s.stopped {
		a.Stops++
		if x.released || x.apart {
			a.StopsObserved++
		}
		x.released, x.apart = false, false
	}
	if !s.moving {
		return
	}
	// An engine that idles on while the turbine has slowed well below it is
	// apart from it for certain.
	if n.known && s.kmh < 12 && r.V[stream.EngineSpeed] > 400 && n.slip-n.tol > 100 {
		x.apart = true
	}
	if s.kmh > 25 {
		x.released, x.apart = false, false
	}
	a.MovingS += n.dt
	x.share(n.state, n.dt, &a.ClosedS, &a.PartialS, &a.CoastS, &a.OpenS, &a.UnknownS)
	if r.Has(stream.Gear) && r.V[stream.Gear] >= 1 && r.V[stream.Gear] < stream.GearShifting {
		g := int(r.V[stream.Gear])
		x.band(n, "gear", g, float64(g), float64(g), fmt.Sprint)
	}
	b := int(s.kmh / 20)
	x.band(n, "speed_kmh", b, float64(b*20), float64(b*20+20), fmt.Sprint)
	if r.Has(stream.FluidTemperature) {
		b := int(r.V[stream.FluidTemperature]+60) / 20
		x.band(n, "temperature_c", b, float64(b*20-60), float64(b*20-40), fmt.Sprint)
	}
}

func (x *accounting) share(s State, dt float64, closed, partial, coast, open, unknown *float64) {
	switch s {
	case Closed:
		*closed += dt
	case Partial:
		*partial += dt
	case Coast:
		*coast += dt
	case Open:
		*open += dt
	default:
		*unknown += dt
	}
}

func (x *accounting) band(n *moment, of string, i int, from, to float64, _ func(...any) string) {
	k := bandKey{of, i}
	b := x.bands[k]
	if b == nil {
		label := fmt.Sprintf("%g–%g", from, to)
		if from == to {
			label = fmt.Sprintf("%g", from)
		}
		b = &Band{Of: of, Label: label, From: from, To: to}
		x.bands[k] = b
	}
	x.share(n.state, n.dt, &b.Closed, &b.Partial, &b.Coast, &b.Open, &b.Unknown)
}

// snapshot is the account so far, to keep.
func (x *accounting) snapshot(m *Monitor) *Account {
	a := x.a
	a.Drive, a.Start = m.segment.drive, m.segment.from
	for _, p := range []*float64{&a.EngineOnS, &a.MovingS, &a.ClosedS, &a.PartialS, &a.CoastS, &a.OpenS, &a.UnknownS} {
		*p = round(*p, 0.001)
	}
	for _, of := range []string{"gear", "speed_kmh", "temperature_c"} {
		for i := 0; i < 64; i++ {
			if b := x.bands[bandKey{of, i}]; b != nil {
				c := *b
				for _, p := range []*float64{&c.Closed, &c.Partial, &c.Coast, &c.Open, &c.Unknown} {
					*p = round(*p, 0.001)
				}
				a.Bands = append(a.Bands, c)
			}
		}
	}
	for _, k := range []string{KindReleaseLag, KindHillSlip} {
		if c := x.chances[k]; c != nil {
			a.Chances = append(a.Chances, *c)
		}
	}
	for role := stream.Role(0); role < stream.NumRoles; role++ {
		if len(x.plan.Sources[role.String()]) > 0 {
			a.Roles = append(a.Roles, RoleCover{Role: role.String(), FreshS: round(x.fresh[role], 0.001), Samples: x.samples[role], NotOK: x.notOK[role]})
		}
	}
	return &a
}
