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
	points []point    // queueLen
	values []float64  // of the points, one after the other, their columns side by side; 0 for none
	roles  []Role     // of the columns
	cur    int        // the last point at or before the last row, or the first
	held   bool       // the last row has what is to be held of cur
	end    int        // one after the last point
	latest bus.Micros // the instant of the last point ever
	broken bool       // the next point does not join
	// refers: one of the roles may be the reference. percent: one is a torque in
	// percent of a reference.
	refers, percent bool
	from            *arrival // of the feeds in use; before the first sample, of none
	message         *message // whose signals share the queue, nil where they do not
	all             uint32   // 1<<role of the columns

	steps, smooth []column // those interpolated are smooth
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
			q.steps = append(q.steps, c)
			q.holds |= 1 << r
		}
		q.all |= 1 << r
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
	x.latest = q.latest
	return x
}

func (q *queue) empty() bool { return q.cur == q.end }

func (q *queue) full() bool { return q.end-q.cur == queueLen }

// reaches reports whether there is a point at or after t.
func (q *queue) reaches(t bus.Micros) bool { return q.cur != q.end && q.latest >= t }

func (q *queue) last() *point { return &q.points[q.end-1] }

// row are the values of a point.
func (q *queue) row(i int) []float64 {
	n := len(q.roles)
	return q.values[i*n : i*n+n]
}

// next is push where nothing is out of the ordinary, else nil; it counts the sample.
func (q *queue) next(at bus.Micros, half uint32) []float64 {
	end, n := q.end, len(q.roles)
	if q.broken || at <= q.latest || q.cur == end || q.cur >= queueSlack || uint(end) >= uint(len(q.points)) {
		return nil
	}
	p := &q.points[end]
	p.at, p.half, p.ok, p.joined = at, half, 0, true
	q.latest, q.end = at, end+1
	q.samples++
	return q.values[end*n : end*n+n]
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
			q.broken, q.held = false, false
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
	q.latest = at
	q.end++
	return q.row(q.end - 1)
}

// align puts the roles into the row at t and returns the bits of those that are known.
// It is one piece because it is run for every queue and row.
func (q *queue) align(w *Row, t bus.Micros) (known uint32) {
	cur, points, values := q.cur, q.points[:q.end], q.values
	for cur+1 < len(points) && points[cur+1].at <= t {
		cur++
	}
	if cur >= len(points) || points[cur].at > t {
		return q.lack(w)
	}
	if cur != q.cur {
		q.cur, q.held = cur, false
	}
	p, base := &points[cur], cur*len(q.roles)
	prev := p.at - bus.Micros(p.half)
	// The last values are taken over, of those that are not interpolated.
	fresh := t-p.at <= q.from.limit
	if !q.held || !fresh {
		for _, c := range q.steps {
			v := values[base+int(c.at)]
			if !fresh {
				v = 0
			}
			if r := c.role; r < NumRoles {
				w.V[r], w.Prev[r], w.Next[r] = v, prev, prev
			}
		}
		q.held = fresh
	}
	if fresh {
		known = p.ok & q.holds
	}
	if len(q.smooth) == 0 {
		return known
	}
	// The others lie between those of the two points around t.
	ok, next, share, step := p.ok&^q.holds, prev, 0.0, 0
	switch {
	case p.at == t:
		next = p.at + bus.Micros(p.half)
	case cur+1 < len(points):
		n := &points[cur+1]
		next, step = n.at+bus.Micros(n.half), len(q.roles)
		share = float64(t-p.at) / float64(n.at-p.at)
		if ok &= n.ok; !n.joined || n.at-p.at > q.from.limit {
			ok = 0
		}
	default:
		ok = 0
	}
	for _, c := range q.smooth {
		i := base + int(c.at)
		v := values[i]
		if v += float64((values[i+step] - v) * share); ok>>(c.role&31)&1 == 0 {
			v = 0
		}
		if r := c.role; r < NumRoles {
			w.V[r], w.Prev[r], w.Next[r] = v, prev, next
		}
	}
	return known | ok
}

// lack is align where there is no point yet.
func (q *queue) lack(w *Row) uint32 {
	for _, r := range q.roles {
		w.V[r], w.Prev[r], w.Next[r] = 0, 0, 0
	}
	q.held = false
	return 0
}

func (q *queue) clear() { q.cur, q.end, q.held = 0, 0, false }
