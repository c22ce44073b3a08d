package stream

import "joltwatch/bus"

// startIntervals is the number of intervals after which the estimate stands on
// its own.
const startIntervals = 8

// startPeriod stands for the period of a source that has sent once.
const startPeriod = 100_000 * bus.Micros(1)

// period estimates how often a source sends. Until eight intervals have been
// seen it is the longest of them; then it starts from their median and follows
// the mean of the intervals, each taken as between half and twice the estimate:
// one long gap moves it by 3 %, a lasting change of rate is followed within
// some dozens of samples. Integers throughout, so that every machine finds the
// same.
type period struct {
	scaled int64      // µs times 256, once n has reached startIntervals
	now    bus.Micros // the estimate, 0 before the first interval
	first  [startIntervals]bus.Micros
	n      int
}

func (p *period) add(dt bus.Micros) {
	if dt <= 0 {
		return
	}
	if p.n == startIntervals {
		p.follow(dt)
		return
	}
	i := p.n
	for ; i > 0 && p.first[i-1] > dt; i-- {
		p.first[i] = p.first[i-1]
	}
	p.first[i] = dt
	p.n++
	p.now = p.first[p.n-1]
	if p.n == startIntervals {
		p.scaled = int64(p.first[startIntervals/2-1]+p.first[startIntervals/2]) << 7
		p.now = bus.Micros(p.scaled >> 8)
	}
}

// follow takes an interval once the estimate stands on its own.
func (p *period) follow(dt bus.Micros) {
	d := min(max(int64(dt)<<8, p.scaled>>1), p.scaled<<1)
	p.scaled += (d - p.scaled) >> 5
	p.now = bus.Micros(p.scaled >> 8)
}

// value is the estimate, 0 before the first interval.
func (p *period) value() bus.Micros { return p.now }

// limit is the age at which the source's last value is stale; the factor is in
// 1/1024.
func (p *period) limit(factor int64) bus.Micros {
	v := p.now
	if v == 0 {
		v = startPeriod
	}
	return bus.Micros(int64(v) * factor >> 10)
}
