package rank

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"joltwatch/cmd/joltshop/questions"
)

// The lag of release is held against the vehicle's own history in blocks of a week,
// since days are alike, and after what vehicles share is taken away: the temperature
// of the fluid, and what moved all of a kind in the same week. What is left of the
// week that is asked about is held against two spreads, the greater of which counts:
// that of earlier weeks, each against those before it as this one is, and that of
// all vehicles in this very week (the empirical null of Efron, Journal of the American
// Statistical Association 99, 2004). A vehicle's own spread is drawn towards the
// common one as far as its few weeks tell (the moderated t of Smyth, Statistical
// Applications in Genetics and Molecular Biology 3, 2004).

// lagWeeks is one vehicle's weeks, this one first.
type lagWeeks struct {
	vehicle, group string
	// log is the mean of the logarithms of the days' median lags, adjusted to one
	// temperature; NaN of a week with too few days.
	log []float64
	// week and past are medians of the days, in seconds, and how many days.
	weekS, pastS       float64
	weekDays, pastDays int
}

// fewestHistoryWeeks is how many earlier weeks a week is held against at least.
const fewestHistoryWeeks = 2

// lagSeries makes the weeks of each vehicle that has enough of them.
func lagSeries(days []questions.Day) (list []*lagWeeks) {
	slope, cooled := map[string]float64{}, map[string]map[int64]float64{}
	for start := 0; start < len(days); {
		end := start + 1
		for end < len(days) && days[end].Vehicle == days[start].Vehicle {
			end++
		}
		own := days[start:end]
		start = end
		group := own[0].Group
		if _, ok := slope[group]; !ok {
			slope[group], cooled[group] = temperatureSlope(days, group), departures(days, group)
		}
		if w := newLagWeeks(own, slope[group], cooled[group]); w != nil {
			list = append(list, w)
		}
	}
	return list
}

func newLagWeeks(days []questions.Day, slope float64, cooled map[int64]float64) *lagWeeks {
	w := &lagWeeks{vehicle: days[0].Vehicle, group: days[0].Group}
	usual := meanFluid(days)
	var byWeek [][]float64
	var this, past []float64
	for _, d := range days {
		k := int(d.Ago / 7)
		for len(byWeek) <= k {
			byWeek = append(byWeek, nil)
		}
		y := math.Log(d.LagS)
		if d.FluidC.Valid {
			y -= slope * (d.FluidC.Float64 - usual)
		} else {
			y -= slope * cooled[d.Ago]
		}
		byWeek[k] = append(byWeek[k], y)
		if k == 0 {
			this = append(this, d.LagS)
		} else {
			past = append(past, d.LagS)
		}
	}
	w.weekDays, w.pastDays = len(this), len(past)
	if w.weekDays < fewestDaysWeek || w.pastDays < fewestDaysBefore {
		return nil
	}
	w.weekS, w.pastS = median(this), median(past)
	weeks := 0
	for k, list := range byWeek {
		w.log = append(w.log, math.NaN())
		if len(list) >= 2 {
			w.log[k] = mean(list)
			if k > 0 {
				weeks++
			}
		}
	}
	if weeks < fewestHistoryWeeks {
		return nil
	}
	return w
}

// meanFluid is the mean temperature of the history's days, of which it is known.
func meanFluid(days []questions.Day) float64 {
	sum, n := 0.0, 0.0
	for _, d := range days {
		if d.FluidC.Valid && d.Ago >= 7 {
			sum, n = sum+d.FluidC.Float64, n+1
		}
	}
	if n == 0 {
		return 0
	}
	return sum / n
}

// departures are by how much the fluid departed on each day from the usual of each
// vehicle, in the mean of those of a group that measure it: what is taken for those
// that do not.
func departures(days []questions.Day, group string) map[int64]float64 {
	sum, n := map[int64]float64{}, map[int64]float64{}
	for start := 0; start < len(days); {
		end := start + 1
		for end < len(days) && days[end].Vehicle == days[start].Vehicle {
			end++
		}
		usual := meanFluid(days[start:end])
		for _, d := range days[start:end] {
			if d.Group == group && d.FluidC.Valid {
				sum[d.Ago], n[d.Ago] = sum[d.Ago]+d.FluidC.Float64-usual, n[d.Ago]+1
			}
		}
		start = end
	}
	for day := range sum {
		sum[day] /= n[day]
	}
	return sum
}

// temperatureSlope is the change of the logarithm of lag with a degree of the fluid,
// within the vehicles of a group over their histories, by least squares.
func temperatureSlope(days []questions.Day, group string) float64 {
	type sums struct{ n, t, y, tt, ty float64 }
	own := map[string]*sums{}
	for _, d := range days {
		if d.Group != group || d.Ago < 7 || !d.FluidC.Valid {
			continue
		}
		s := own[d.Vehicle]
		if s == nil {
			s = &sums{}
			own[d.Vehicle] = s
		}
		t, y := d.FluidC.Float64, math.Log(d.LagS)
		s.n, s.t, s.y, s.tt, s.ty = s.n+1, s.t+t, s.y+y, s.tt+t*t, s.ty+t*y
	}
	var tt, ty float64
	for _, d := range slices.SortedFunc(maps.Values(own), func(a, b *sums) int { return cmp.Or(cmp.Compare(a.t, b.t), cmp.Compare(a.y, b.y)) }) {
		tt += d.tt - d.t*d.t/d.n
		ty += d.ty - d.t*d.y/d.n
	}
	if !(tt > 1) {
		return 0
	}
	return ty / tt
}

// lagChange is how far the week of one vehicle departs from its history, beyond what
// its kind did.
type lagChange struct {
	*lagWeeks
	// by is the change of the logarithm of lag, p its two-sided p-value.
	by, p float64
}

// lagChanges tests the vehicles of one group, and returns what moved all of them in
// this week with its standard error, both of the logarithm of lag.
func lagChanges(list []*lagWeeks) (changes []lagChange, common, commonError float64) {
	course := takeCourse(list)
	// Of each week with enough before it: how far it departs, in units of one week.
	var earlier, now []float64
	own := make([][]float64, len(list))
	by := make([]float64, len(list))
	unit := make([]float64, len(list))
	for i, w := range list {
		for k := range w.log {
			d, scaled, ok := w.departs(course, k)
			switch {
			case !ok:
			case k == 0:
				by[i], unit[i] = d, scaled/d
				now = append(now, scaled)
				if d == 0 {
					unit[i] = 1
				}
			default:
				earlier = append(earlier, scaled)
				own[i] = append(own[i], scaled)
			}
		}
	}
	spread := 0.01 // a lag is not known better than to some 1 %
	if len(earlier) >= fewestAlike {
		spread = max(spread, deviation(earlier, 0), clippedRMS(earlier, 4*deviation(earlier, 0)))
	}
	if len(now) >= fewestAlike {
		_, seen := core(now)
		spread = max(spread, seen)
	} else if len(earlier) < fewestAlike {
		return nil, 0, math.Inf(1) // nothing to tell by
	}
	for i, w := range list {
		if unit[i] == 0 {
			continue
		}
		// Neighbouring weeks share most of what they are held against: half of them
		// tell something of their own.
		const common = 8.0
		mine := float64(len(own[i])) / 2
		square := common * spread * spread
		for _, u := range own[i] {
			square += mine * min(u*u, 16*spread*spread) / float64(len(own[i]))
		}
		s := math.Sqrt(square / (common + mine))
		t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: common + mine}
		changes = append(changes, lagChange{w, by[i], min(1, 2*t.CDF(-math.Abs(by[i]*unit[i])/s))})
	}
	return changes, course[0], spread * math.Sqrt(1+1.0/fewestHistoryWeeks) / math.Sqrt(float64(len(now)))
}

// departs is how far week k departs from the mean of those before it, and the same
// in units of one week.
func (w *lagWeeks) departs(course []float64, k int) (by, scaled float64, ok bool) {
	var before []float64
	for j := k + 1; j < len(w.log); j++ {
		if !math.IsNaN(w.log[j]) {
			before = append(before, w.log[j]-course[j])
		}
	}
	if math.IsNaN(w.log[k]) || len(before) < fewestHistoryWeeks {
		return 0, 0, false
	}
	by = w.log[k] - course[k] - mean(before)
	return by, by / math.Sqrt(1+1/float64(len(before))), true
}

// takeCourse is what moved all of a group week by week, about its history.
func takeCourse(list []*lagWeeks) []float64 {
	weeks := 0
	for _, w := range list {
		weeks = max(weeks, len(w.log))
	}
	course := make([]float64, weeks)
	if len(list) < fewestAlike {
		return course // one vehicle would take itself away
	}
	for range 5 {
		levels := make([]float64, len(list))
		for i, w := range list {
			sum, n := 0.0, 0.0
			for k := 1; k < len(w.log); k++ {
				if !math.IsNaN(w.log[k]) {
					sum, n = sum+w.log[k]-course[k], n+1
				}
			}
			levels[i] = sum / n
		}
		for k := range course {
			var off []float64
			for i, w := range list {
				if k < len(w.log) && !math.IsNaN(w.log[k]) {
					off = append(off, w.log[k]-levels[i])
				}
			}
			if course[k] = 0; len(off) >= fewestAlike {
				course[k], _ = core(off)
			}
		}
	}
	return course
}

// clippedRMS is the root of the mean square of values, none counted beyond most.
func clippedRMS(values []float64, most float64) float64 {
	sum := 0.0
	for _, v := range values {
		v = min(math.Abs(v), most)
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(values)))
}
