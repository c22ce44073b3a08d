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

// point is a sample as the alignment sees it.
type point struct {
	at    bus.Micros // the middle of the interval in which the value was true
	value float64
	half  uint32 // half of that interval
	ok    bool
	// joined is false where something happened to the clock since the point
	// before: nothing is interpolated across.
	joined bool
}

// queue holds the points of a role from the last one that a row has used.
type queue struct {
	points []point // queueLen
	cur    int     // the last point at or before the last row, or the first
	end    int     // one after the last point
	broken bool    // the next point does not join
}

func (q *queue) empty() bool { return q.cur == q.end }

func (q *queue) full() bool { return q.end-q.cur == queueLen }

func (q *queue) last() *point { return &q.points[q.end-1] }

// push adds a point, whose interval reaches half to each side of at; it reports false
// for one that lies before the last. A point at the same instant takes the place of the
// last. The queue must not be full.
func (q *queue) push(at bus.Micros, half uint32, value float64, ok bool) bool {
	joined := !q.broken
	if q.end > q.cur {
		l := &q.points[q.end-1]
		if at < l.at {
			return false
		}
		if at == l.at {
			*l = point{at, value, half, ok, joined && l.joined}
			q.broken = false
			return true
		}
	} else {
		joined = false // there is nothing before it
	}
	q.broken = false
	if q.cur >= queueSlack || q.end == len(q.points) {
		q.end = copy(q.points, q.points[q.cur:q.end])
		q.cur = 0
	}
	p := &q.points[q.end]
	p.at, p.value, p.half, p.ok, p.joined = at, value, half, ok, joined
	q.end++
	return true
}

// seek moves cur to the last point at or before t and returns the point there, nil
// where the queue is empty.
func (q *queue) seek(t bus.Micros) *point {
	if q.cur == q.end {
		return nil
	}
	points := q.points[:q.end]
	cur := q.cur
	for cur+1 < len(points) && points[cur+1].at <= t {
		cur++
	}
	q.cur = cur
	return &points[cur]
}

func (q *queue) clear() { q.cur, q.end = 0, 0 }
