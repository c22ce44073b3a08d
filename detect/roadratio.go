package detect

import (
	"math"

	"joltwatch/detect/state"
)

var outputOffRoad = Quantity{"output_off_road_percent", "%", 0.1}

// roadRatio holds output speed over road speed in a stretch against what it usually
// is: whether the sensor of the output can be trusted.
type roadRatio struct {
	usual, s float64  // and the seconds it rests on
	stretch  timeMean // of the one under way
}

// roadRatioS is how long it must have been seen; roadRatioKmh the least speed.
// Structural: coarse road speeds average out in that.
const roadRatioS, roadRatioKmh = 10.0, 15.0

func (r *roadRatio) begin() { r.stretch = timeMean{} }

func (r *roadRatio) row(m *state.Moment, outRPM float64, on bool) {
	if !m.HasKmh || m.Kmh < roadRatioKmh {
		return
	}
	x := outRPM / m.Kmh
	if on {
		r.stretch.add(x, m.DtS)
		return
	}
	if r.s == 0 {
		r.usual = x
	}
	r.s += m.DtS
	r.usual += float64(min(1, m.DtS/min(r.s+0.1, 20)) * (x - r.usual))
}

func (r *roadRatio) describe(f *Finding) {
	if r.s >= roadRatioS && r.stretch.s > 0 {
		f.Measures = append(f.Measures, outputOffRoad.of(100*math.Abs(r.stretch.value()/r.usual-1)))
	}
}
