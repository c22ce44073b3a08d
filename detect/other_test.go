package detect_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

// Traffic of invented vehicles that share nothing with joltsim's: an engine that is
// let go returns to idle by a spring and a damper and overshoots, its speed passes a
// moving average, ripple is a sine with outliers, steps are round, and stops are
// braked in two parts. The shape is common practice, no source.

// other is how such a vehicle is measured.
type other struct {
	name               string
	pitchMs, slowMs    int     // of rows and speeds, and of states
	averageS, delayS   float64 // of the engine's speed
	stepRPM, rippleRPM float64
	role               stream.Role // of what is told of the clutch; NumRoles none
	behindS            float64     // by which that is late
	plates             bool        // it follows the plates, not the command
	spreadS, lateS     float64     // of the lags of sound releases; lag of a late one
	brake              float64     // how hard it brakes, 1 as usual
	stops              int
}

// stopTruth is one stop: when the command fell, how long the plates held on, and how
// long the speeds did, which may go on side by side by chance.
type stopTruth struct {
	fell          bus.Micros
	lagS, partedS float64
}

func (o *other) drive(t testing.TB, seed uint64) (*catch, []stopTruth) {
	rnd := rand.New(rand.NewPCG(seed, 99))
	h := newHand(t, detect.DefaultSettings())
	if o.role != stream.NumRoles {
		h = newHand(t, detect.DefaultSettings(), o.role)
	}
	h.hasCommand = false
	h.beside = map[stream.Role]float64{stream.FluidTemperature: 80}
	h.step = bus.Micros(o.pitchMs) * 1000
	var truth []stopTruth
	p := otherPlant{o: o, rnd: rnd, engine: 700, hand: h}
	for k := range o.stops {
		p.pull(6+3*rnd.Float64(), 55+10*rnd.Float64())
		lag := 0.08 + o.spreadS*rnd.Float64()
		if k > 12 && rnd.Float64() < 0.25 {
			lag = o.lateS + 0.4*rnd.Float64()
		}
		truth = append(truth, p.stop(o.brake*(0.9+0.8*rnd.Float64()), lag))
	}
	h.m.Flush()
	return h.got, truth
}

// otherPlant moves the vehicle on, row by row.
type otherPlant struct {
	o                             *other
	rnd                           *rand.Rand
	hand                          *hand
	s                             float64 // since the start
	kmh, turbine, engine, falling float64
	closed, told                  bool
	past                          []float64 // the engine's speed lately, for its average
	states                        []bool    // and what is told of the clutch
	said                          bus.Micros
	saidIs                        bool
}

// besideRPM is how near each other speeds are side by side; from apartRPM on they are
// no more, also where they cross.
const besideRPM, apartRPM = 3.0, 30.0

const otherRatio = 37.5 // turbine rpm for 1 km/h, in the one gear

func (p *otherPlant) row() {
	dt := p.hand.step.Seconds()
	p.s += dt
	turbine := p.kmh * otherRatio
	defer func() { p.turbine = turbine }()
	if p.closed {
		p.engine, p.falling = turbine, (turbine-p.turbine)/dt
	} else {
		idle := 700.0
		if p.hand.pedal > 0 {
			idle = turbine + 220
		}
		// A spring and a damper: the engine swings about where it goes.
		p.falling += dt * (30*(idle-p.engine) - 7*p.falling)
		p.engine += dt * p.falling
	}
	p.past = append(p.past, p.engine)
	p.states = append(p.states, p.told)
	back := int(p.o.delayS / dt)
	n := max(1, int(p.o.averageS/dt))
	sum := 0.0
	for i := range n {
		sum += p.past[max(0, len(p.past)-1-back-i)]
	}
	ripple := p.o.rippleRPM * math.Sin(2*math.Pi*3.1*p.s)
	if p.rnd.Float64() < 0.01 {
		ripple *= 2
	}
	round := func(v float64) float64 { return math.Round(v/p.o.stepRPM) * p.o.stepRPM }
	p.hand.engine, p.hand.turbine, p.hand.kmh = max(0, round(sum/float64(n)+ripple)), round(turbine), math.Round(p.kmh*100)/100
	p.state(dt)
	p.hand.run(dt/2, nil)
}

// state tells what the clutch is told, or is, at its own pace.
func (p *otherPlant) state(dt float64) {
	if p.o.role == stream.NumRoles {
		return
	}
	if p.hand.at-p.said >= bus.Micros(p.o.slowMs)*1000 || p.said == 0 {
		p.saidIs = p.states[max(0, len(p.states)-1-int(p.o.behindS/dt))]
		p.said = p.hand.at + p.hand.step
	}
	v := map[bool]float64{true: 300}[p.saidIs]
	if p.o.role == stream.LockupState {
		v = map[bool]float64{true: stream.LockupClosed}[p.saidIs]
	}
	p.hand.beside[p.o.role] = v
	if p.said == p.hand.at+p.hand.step {
		p.hand.m.Samples([]stream.Sample{{At: p.said, Role: p.o.role, OK: true, Value: v}})
	}
}

// pull drives off to a speed and holds it.
func (p *otherPlant) pull(forS, kmh float64) {
	p.hand.pedal, p.closed, p.told = 20, false, false
	for p.kmh < kmh {
		p.kmh += 9 * p.hand.step.Seconds()
		if !p.closed && p.kmh > 30 {
			p.told, p.closed = true, true
		}
		p.row()
	}
	for from := p.s; p.s-from < forS; {
		p.kmh += 0.4 * math.Sin(p.s) * p.hand.step.Seconds()
		p.row()
	}
}

// stop brakes in two parts; the command falls as the turbine comes near idle.
func (p *otherPlant) stop(brake, lagS float64) stopTruth {
	x := stopTruth{lagS: lagS}
	p.hand.pedal = 0
	since, free, apart := -1.0, false, false
	for p.kmh > 0.05 {
		b := brake
		if p.kmh < 30 {
			b *= 1.2
		}
		p.kmh = max(0, p.kmh-3.6*b*p.hand.step.Seconds())
		if since < 0 && p.kmh*otherRatio < 820 {
			since, x.fell = p.s, p.hand.at
			p.told = p.o.plates
		}
		if since >= 0 && !free && p.s-since >= lagS {
			free, p.closed, p.told = true, false, false
		}
		p.row()
		if slip := math.Abs(p.engine - p.turbine); since >= 0 && !apart {
			if apart = slip > apartRPM; slip <= besideRPM {
				x.partedS = p.s - since
			}
		}
	}
	p.kmh = 0
	for from := p.s; p.s-from < 4; {
		p.row()
	}
	return x
}

// otherVehicles are the ways in which it is measured.
func otherVehicles() []other {
	car := other{pitchMs: 20, slowMs: 20, stepRPM: 1, rippleRPM: 3, role: stream.ClutchPressureCommand, spreadS: 0.1, lateS: 1.1, brake: 1, stops: 45}
	with := func(name string, change func(*other)) other {
		o := car
		o.name = name
		change(&o)
		return o
	}
	return []other{
		with("command", func(*other) {}),
		with("command, average of 100 ms, 40 ms late", func(o *other) { o.averageS, o.delayS = 0.1, 0.04 }),
		with("command, every 100 ms, steps of 8 rpm", func(o *other) { o.pitchMs, o.slowMs, o.stepRPM = 100, 100, 8 }),
		with("state copies the command, 120 ms late, every 100 ms", func(o *other) { o.role, o.behindS, o.slowMs = stream.LockupState, 0.12, 100 }),
		with("state follows the plates, 150 ms late", func(o *other) { o.role, o.behindS, o.plates = stream.LockupState, 0.15, true }),
		with("no command", func(o *other) { o.role = stream.NumRoles }),
		with("no command, ripple of 8 rpm, every 50 ms", func(o *other) { o.role, o.rippleRPM, o.pitchMs = stream.NumRoles, 8, 50 }),
		// Its own releases differ by most of what makes a late one: few of those can be told.
		with("no command, gentle stops, releases at odds", func(o *other) { o.role, o.spreadS, o.lateS, o.brake = stream.NumRoles, 0.7, 1.4, 0.5 }),
	}
}

// Late releases of vehicles that nobody fitted anything to are told or admitted, sound
// ones are not told as late, truth lies inside the interval, and what counts as
// recognisable is what is found.
func TestOtherTraffic(t *testing.T) {
	for _, o := range otherVehicles() {
		var all otherTally
		for seed := range uint64(3) {
			got, truth := o.drive(t, 11+seed)
			all.take(t, &o, got, truth)
		}
		found, tried := float64(all.found)/float64(all.late), float64(all.account.Later1S)/float64(all.account.Releases)
		said := fmt.Sprintf("%s: late %d of %d found, %d false in %d sound, inside %d of %d, a later one recognised in %d of %d", o.name,
			all.found, all.late, all.falseLate, all.sound, all.inside, all.intervals, all.account.Later1S, all.account.Releases)
		t.Log(said)
		if all.falseLate > 0 || all.inside < all.intervals || math.Abs(found-tried) > 0.15 {
			t.Error(said)
		}
	}
}

type otherTally struct {
	late, found, sound, falseLate, inside, intervals int
	account                                          detect.ReleaseTrials
}

func (all *otherTally) take(t testing.TB, o *other, got *catch, truth []stopTruth) {
	fs := got.of(detect.KindReleaseLag)
	for _, x := range truth {
		i := slices.IndexFunc(fs, func(f detect.Finding) bool {
			return f.End >= x.fell && f.End <= x.fell+bus.Micros((x.lagS+4)*1e6)
		})
		alarm := i >= 0 && !detect.Ordinary(fs[i].Kind, fs[i].Class)
		if late := x.lagS >= o.lateS; late {
			all.late++
			if alarm {
				all.found++
			}
		} else if all.sound++; alarm {
			all.falseLate++
			t.Logf("%s: false at %.2f s: %+v", o.name, x.fell.Seconds(), fs[i])
		}
		if i < 0 {
			continue
		}
		lo, hasLo := fs[i].Get("lag_min_s")
		hi, hasHi := fs[i].Get("lag_max_s")
		if !hasLo || !hasHi {
			continue
		}
		all.intervals++
		if x.partedS+float64(o.pitchMs)/1000 >= lo && x.lagS <= hi+0.001 {
			all.inside++
		} else {
			t.Logf("%s: lag %.3f to %.3f s at %.2f s outside %.3f to %.3f", o.name, x.lagS, x.partedS, x.fell.Seconds(), lo, hi)
		}
	}
	all.account.Add(got.account.ReleaseTrials)
}
