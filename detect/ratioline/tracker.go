// Package ratioline tells what a converter clutch does where a vehicle gives
// nothing but its engine speed and a coarse road speed, each with a delay of its
// own. With the clutch closed engine speed over road speed lies on one line a gear.
// The lines and the delay are learned from driving; the wheel's circumference, the
// ratios and the gear need not be known.
package ratioline

import (
	"math"

	"joltwatch/bus"
)

// Settings are what the owner of a Tracker may choose.
type Settings struct {
	// RunningRPM is the engine speed from which it runs by itself.
	RunningRPM float64
	// DragSag is the share of idle speed by which the engine must be drawn
	// below idle before it drags.
	DragSag float64
	// IdleRPM is the idle speed where it is stated, else 0.
	IdleRPM float64
}

// Out takes what a Tracker tells, some seconds after it happened: with the lines
// unknown at first, up to the whole of what the Tracker keeps.
type Out interface {
	// Span is a piece of time in which the vehicle moved with the engine
	// running, what the clutch did in it, and the number of the line from the
	// lowest gear on, 0 for none.
	Span(from, to bus.Micros, state State, line int, kmh float64)
	// Stopped is one stop, Slipped a clutch that slipped. They are valid during
	// the call only.
	Stopped(*Stop)
	Slipped(*Slip)
	// Carried is a minute under load with the clutch on in top gear, and whether
	// slip in it would have been told.
	Carried(observable bool)
}

// Tracker takes the samples of one vehicle. It keeps a fixed amount, and allocates
// nothing from sample to sample. See New.
type Tracker struct {
	set Settings
	out Out

	ring    ring
	ahead   reader // of what is learned from
	behind  reader // of what is judged
	learn   *learner
	known   Map
	learnAt bus.Micros
	idle    idle
	habit   habit
	lows    lows
	passes  passes
	slip    slipWatch

	points  []Point
	marks   []mark
	told    bus.Micros // up to here spans were told
	due     bus.Micros // when points are judged next
	rolled  bool
	certain State      // what was last told for certain
	stand   bus.Micros // the standstill to be looked at, 0 none
	work    *bench
}

const (
	// keepPoints are what the judgement looks at: a minute at the least pitch.
	keepPoints = 1024
	// A point is judged once there is judgeAhead after it, with judgeBefore
	// before it; judgeEvery spaces that.
	judgeAhead  = 4 * bus.Second
	judgeBefore = 5 * bus.Second
	judgeEvery  = 2 * bus.Second
	// learnEvery is how often lines are looked for anew.
	learnEvery = 15 * bus.Second
	// movingKmh is the road speed from which the vehicle moves, rolledKmh what
	// it must have reached for a standstill to be a stop.
	movingKmh = 2.0
	rolledKmh = 12.0
)

// New returns a Tracker that hands on to out.
func New(set Settings, out Out) *Tracker {
	return &Tracker{
		set: set, out: out, idle: idle{stated: set.IdleRPM},
		learn:  newLearner(),
		points: make([]Point, 0, keepPoints),
		marks:  make([]mark, keepPoints),
		work:   &bench{},
	}
}

// Engine takes an engine speed in rpm.
func (t *Tracker) Engine(at bus.Micros, rpm float64) { t.take(sample{at, float32(rpm), kindEngine}) }

// Road takes a road speed in km/h.
func (t *Tracker) Road(at bus.Micros, kmh float64) {
	t.take(sample{at, float32(math.Abs(kmh)), kindRoad})
}

// Accelerator takes the pedal in percent.
func (t *Tracker) Accelerator(at bus.Micros, percent float64) {
	t.take(sample{at, float32(percent), kindPedal})
}

func (t *Tracker) take(s sample) {
	if t.ring.end > 0 && s.at < t.ring.newest() {
		if t.ring.newest()-s.at < bus.Second {
			s.at = t.ring.newest() // a little out of order
		} else {
			t.Flush()
			t.forget()
		}
	}
	t.ring.add(s)
	t.learnFrom(s.at - lookAhead)
	switch {
	case t.learn.calm():
		t.follow(s.at - lookAhead)
	case t.ring.end-t.behind.next > ringSize*3/4:
		t.follow(t.ring.at(t.behind.next + ringSize/8).at)
	}
}

// Learning reports whether more of the time before is told once more lines are known.
func (t *Tracker) Learning() bool { return !t.learn.calm() }

// Told is up to when the clutch's state was told, 0 if not at all.
func (t *Tracker) Told() bus.Micros { return t.told }

// forget drops what is known of the time before.
func (t *Tracker) forget() {
	t.ring.end, t.ahead, t.behind = 0, reader{}, reader{}
	t.points = t.points[:0]
	t.told, t.due, t.learnAt, t.rolled, t.stand, t.certain = 0, 0, 0, false, 0, Unknown
}

// Flush tells what is still to be told: the input, or the drive, has ended.
func (t *Tracker) Flush() {
	if t.ring.end == 0 {
		return
	}
	t.learnFrom(t.ring.newest())
	t.relearn()
	t.follow(t.ring.newest())
	if t.stand > 0 {
		t.stopped()
	}
	t.judge(t.ring.newest() + 1)
	t.slip.end(&t.known, t.out)
	t.points, t.certain = t.points[:0], Unknown
}

// learnFrom counts the samples up to an instant.
func (t *Tracker) learnFrom(to bus.Micros) {
	for {
		s, ok := t.ahead.engine(&t.ring, to)
		if !ok {
			break
		}
		rpm := float64(s.value)
		if rpm < t.set.RunningRPM {
			continue
		}
		t.learn.pair(&t.ahead.road, s.at, rpm, t.ahead.pedal())
		if kmh, _, ok := t.ahead.road.at(s.at); ok {
			t.idle.see(s.at, rpm, kmh, t.ahead.pedal())
		}
	}
	if t.ahead.last-t.learnAt >= learnEvery {
		t.learnAt = t.ahead.last
		t.relearn()
	}
}

// relearn takes the lines as they now stand into use.
func (t *Tracker) relearn() {
	if m, ok := t.learn.lines(); ok {
		t.known = m
	}
}

// follow makes points of the samples up to an instant, and judges them.
func (t *Tracker) follow(to bus.Micros) {
	for {
		s, ok := t.behind.engine(&t.ring, to)
		if !ok {
			return
		}
		p := Point{At: s.at, RPM: float64(s.value), Pedal: t.behind.pedal(), Press: max(0, t.behind.press-t.behind.rest)}
		var known bool
		at := s.at + seconds(t.known.Delay)
		p.Kmh, p.Rate, known = t.behind.road.at(at)
		p.Off = t.behind.road.off(at)
		if !known {
			continue
		}
		t.add(p)
	}
}

// add takes the next point.
func (t *Tracker) add(p Point) {
	if len(t.points) == keepPoints {
		n := copy(t.points, t.points[keepPoints/4:])
		t.points = t.points[:n]
	}
	t.points = append(t.points, p)
	if t.told == 0 {
		t.told, t.due = p.At, p.At+judgeAhead
	}
	if p.Kmh > rolledKmh {
		t.rolled = true
	}
	if t.rolled && p.Kmh < 1 {
		t.rolled, t.stand = false, p.At
	}
	if t.stand > 0 && p.At-t.stand >= bus.Second*3/2 {
		t.stopped()
	}
	if p.At >= t.due {
		t.due = p.At + judgeEvery
		t.judge(p.At - judgeAhead)
	}
}

// judge tells the spans of the points before an instant.
func (t *Tracker) judge(to bus.Micros) {
	from := 0
	for from < len(t.points) && t.points[from].At < t.told-judgeBefore {
		from++
	}
	t.known.Idle, _ = t.idle.speed()
	p, k := t.points[from:], t.marks[from:len(t.points)]
	t.known.judge(p, k)
	for i := 1; i < len(p); i++ {
		a, b := &p[i-1], &p[i]
		if b.At <= t.told || b.At >= to {
			continue
		}
		t.told = b.At
		state := t.known.tell(b, &k[i], t.certain)
		if state != Unknown && state != Partial {
			t.certain = state
		}
		if b.At-a.At > gap || b.RPM < t.set.RunningRPM || b.Kmh < movingKmh {
			continue
		}
		line := 0
		if k[i].line >= 0 && state != Open {
			line = t.known.n - int(k[i].line)
		}
		t.out.Span(a.At, b.At, state, line, b.Kmh)
		t.slip.see(&t.known, b, &k[i], t.learn.drivenS(), t.out)
	}
}

// stopped looks at the stop that has just come to a standstill.
func (t *Tracker) stopped() {
	s := t.work.judge(t)
	t.stand = 0
	t.out.Stopped(s)
}

func seconds(s float64) bus.Micros { return bus.Micros(s * 1e6) }
