package stream

import "joltwatch/bus"

const (
	// queueLen bounds how many samples of a role wait for a row: 2 s at
	// 500 Hz.
	queueLen = 1024
	// queueSlack is how many used points may stand before the first one that
	// is still needed: moving the rest down now and then keeps the queue in
	// the cache.
	queueSlack = 32
)

// point is the samples of one frame as the alignment sees them.
type point struct {
	at   bus.Micros // the middle of the interval in which the values were true
	half uint32     // half of that interval
	ok   uint32     // 1<<role of those that have a value
	// joined is false where something happened to the clock since the point
	// before: nothing is interpolated across.
	joined bool
}

// queue holds the points of the roles that come together, from the last one that a
// row has used. Signals that a message always has share one, with a column for each;
// any other role has its own.
type queue struct {
	points []point   // queueLen
	values []float64 // of the points, one after the other, their columns side by side; 0 for none
	roles  []Role    // of the columns
	cur    int       // the last point at or before the last row, or the first
	end    int       // one after the last point
	broken bool      // the next point does not join
	// refers: one of the roles may be the reference. percent: one is a torque in
	// percent of a reference.
	refers, percent bool
	from            *arrival // of the feeds in use; before the first sample, of none

	held, smooth  []column // those interpolated are smooth
	holds         uint32   // 1<<role of the others
	samples, late uint64
}

// column is where a role stands in its queue.
type column struct {
	role Role
	at   uint8
}

func newQueue(from *arrival, roles ...Role) *queue {
	q := &queue{points: make([]point, queueLen), values: make([]float64, queueLen*len(roles)), roles: roles, from: from}
	for i, r := range roles {
		c := column{r, uint8(i)}
		if interpolated(r) {
			q.smooth = append(q.smooth, c)
		} else {
			q.held = append(q.held, c)
			q.holds |= 1 << r
		}
		q.refers = q.refers || r <= VehicleSpeed
	}
	return q
}

// alone is a queue with one of the columns.
func (q *queue) alone(column int) *queue {
	x := newQueue(q.from, q.roles[column])
	x.broken, x.samples, x.late = q.broken, q.samples, q.late
	for i := q.cur; i < q.end; i++ {
		p := q.points[i]
		p.ok &= 1 << q.roles[column]
		x.points[x.end], x.values[x.end] = p, q.row(i)[column]
		x.end++
	}
	return x
}

func (q *queue) empty() bool { return q.cur == q.end }

func (q *queue) full() bool { return q.end-q.cur == queueLen }

func (q *queue) last() *point { return &q.points[q.end-1] }

// row are the values of a point.
func (q *queue) row(i int) []float64 {
	n := len(q.roles)
	return q.values[i*n : i*n+n]
}

// push adds a point, whose interval reaches half to each side of at, and returns where
// its values go; nil for one that lies before the last. A point at the same instant
// takes the place of the last. The queue must not be full.
func (q *queue) push(at bus.Micros, half uint32) []float64 {
	joined := !q.broken
	if q.end > q.cur {
		l := &q.points[q.end-1]
		if at < l.at {
			return nil
		}
		if at == l.at {
			*l = point{at: at, half: half, joined: joined && l.joined}
			q.broken = false
			return q.row(q.end - 1)
		}
	} else {
		joined = false // there is nothing before it
	}
	q.broken = false
	if q.cur >= queueSlack || q.end == len(q.points) {
		copy(q.values, q.values[q.cur*len(q.roles):q.end*len(q.roles)])
		q.end = copy(q.points, q.points[q.cur:q.end])
		q.cur = 0
	}
	p := &q.points[q.end]
	p.at, p.ok, p.half, p.joined = at, 0, half, joined
	q.end++
	return q.row(q.end - 1)
}

// seek moves cur to the last point at or before t and reports whether there is one.
func (q *queue) seek(t bus.Micros) bool {
	if q.cur == q.end {
		return false
	}
	points := q.points[:q.end]
	cur := q.cur
	for cur+1 < len(points) && points[cur+1].at <= t {
		cur++
	}
	q.cur = cur
	return points[cur].at <= t
}

// align puts the roles into the row at t and returns the bits of those that are known.
func (q *queue) align(w *Row, t bus.Micros) (known uint32) {
	if !q.seek(t) {
		for _, r := range q.roles {
			w.V[r], w.Prev[r], w.Next[r] = 0, 0, 0
		}
		return 0
	}
	if len(q.held) > 0 {
		known = q.hold(w, t)
	}
	if len(q.smooth) > 0 {
		known |= q.interpolate(w, t)
	}
	return known
}

// hold takes over the last values.
func (q *queue) hold(w *Row, t bus.Micros) (known uint32) {
	p, values := &q.points[q.cur], q.row(q.cur)
	prev := p.at - bus.Micros(p.half)
	for _, c := range q.held {
		w.V[c.role], w.Prev[c.role], w.Next[c.role] = values[c.at], prev, prev
	}
	if t-p.at <= q.from.limit {
		return p.ok & q.holds
	}
	for _, c := range q.held {
		w.V[c.role] = 0
	}
	return 0
}

// interpolate takes the values between those of the two points around t.
func (q *queue) interpolate(w *Row, t bus.Micros) (known uint32) {
	p := &q.points[q.cur]
	prev := p.at - bus.Micros(p.half)
	known, next, share, last := p.ok&^q.holds, prev, 0.0, q.cur
	switch {
	case p.at == t:
		next = p.at + bus.Micros(p.half)
	case last+1 < q.end:
		last++
		n := &q.points[last]
		next = n.at + bus.Micros(n.half)
		share = float64(t-p.at) / float64(n.at-p.at)
		if known &= n.ok; !n.joined || n.at-p.at > q.from.limit {
			known = 0
		}
	default:
		known = 0
	}
	from, to := q.row(q.cur), q.row(last)
	for _, c := range q.smooth {
		v := from[c.at]
		w.V[c.role], w.Prev[c.role], w.Next[c.role] = v+float64((to[c.at]-v)*share), prev, next
		if known>>c.role&1 == 0 {
			w.V[c.role] = 0
		}
	}
	return known
}

func (q *queue) clear() { q.cur, q.end = 0, 0 }
