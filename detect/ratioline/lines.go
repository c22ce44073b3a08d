package ratioline

import "math"

// Line is one gear's engine speed over road speed with the clutch closed.
type Line struct {
	// Ratio is in rpm for 1 km/h.
	Ratio float64 `json:"rpm_per_kmh"`
	// Spread is the half-width, as a share, of the middle half of what lies
	// on the line.
	Spread float64 `json:"spread"`
	// Seconds is how much driving it rests on, Stretches in how many stretches,
	// between the road speeds KmhMin and KmhMax.
	Seconds   float64 `json:"seconds"`
	Stretches int     `json:"stretches"`
	KmhMin    float64 `json:"kmh_min"`
	KmhMax    float64 `json:"kmh_max"`
	// Wide is how far the road speed went in one stretch, as a ratio.
	Wide float64 `json:"wide"`
	// Driven are the stretches under drive, with the same of them; Coasts is how
	// many there were in overrun.
	Driven     int     `json:"driven"`
	DrivenMin  float64 `json:"driven_kmh_min"`
	DrivenMax  float64 `json:"driven_kmh_max"`
	DrivenWide float64 `json:"driven_wide"`
	Coasts     int     `json:"coasts"`
}

// maxLines is more than any gearbox with a converter has forward gears.
const maxLines = 12

const (
	// kernel is the standard deviation, in bins, of the Gaussian kernel of the
	// density (Rosenblatt, Ann. Math. Stat. 27, 1956; Parzen, ibid. 33, 1962).
	kernel = 2.4
	// lineReach is as far to both sides as a line is looked at for its mass,
	// lineApart as near as two gears can be: the smallest step between gears
	// in use is a tenth (cp).
	lineReach = 5  // 1.2 %
	lineApart = 26 // 6.5 %
	// lineHeight is how far a line must stand out of the valleys beside it.
	lineHeight = 2.5
	// lineSeconds is the least driving that a line rests on, lineShare the
	// least share of all driving.
	lineSeconds = 8.0
	lineShare   = 0.004
)

// density smooths counts.
func density(counts *[ratioBins]float32, out *[ratioBins]float64) {
	const reach = 10
	var w [reach + 1]float64
	sum := 0.0
	for i := range w {
		w[i] = math.Exp(-0.5 * float64(i*i) / (kernel * kernel))
		sum += w[i]
		if i > 0 {
			sum += w[i]
		}
	}
	for i := range out {
		v := 0.0
		for k := -reach; k <= reach; k++ {
			if j := i + k; j >= 0 && j < ratioBins && counts[j] > 0 {
				v += float64(w[max(k, -k)] * float64(counts[j]))
			}
		}
		out[i] = v / sum
	}
}

// findLines puts the lines that stand out of counts into out, from the highest
// gear (the least ratio) on, and returns how many there are.
func findLines(s *scale, counts *[ratioBins]float32, out *[maxLines]Line) int {
	var d [ratioBins]float64
	density(counts, &d)
	total := 0.0
	for _, c := range counts {
		total += float64(c)
	}
	n := 0
	for i := lineReach; i < ratioBins-lineReach; i++ {
		if d[i] <= 0 || !peak(&d, i) {
			continue
		}
		valley := max(lowest(d[max(0, i-lineApart):i-lineReach]), lowest(d[i+lineReach:min(ratioBins, i+lineApart)]))
		x := lineOf(s, counts, &d, i)
		if d[i] < lineHeight*valley || x.Seconds < max(lineSeconds, lineShare*total) {
			continue
		}
		if n < maxLines {
			out[n] = x
			n++
		}
	}
	return n
}

// peak reports whether nothing near is higher.
func peak(d *[ratioBins]float64, i int) bool {
	for j := max(0, i-lineApart); j <= min(ratioBins-1, i+lineApart); j++ {
		if d[j] > d[i] || d[j] == d[i] && j < i {
			return false
		}
	}
	return true
}

func lowest(d []float64) float64 {
	v := math.Inf(1)
	for _, x := range d {
		v = min(v, x)
	}
	return v
}

// lineOf measures the line whose density is highest at bin i.
func lineOf(s *scale, counts *[ratioBins]float32, d *[ratioBins]float64, i int) Line {
	off := 0.0
	if a, b, c := d[i-1], d[i], d[i+1]; a-2*b+c < 0 {
		off = (a - c) / (2 * (a - 2*b + c))
	}
	mass := 0.0
	for _, c := range counts[i-lineReach : i+lineReach+1] {
		mass += float64(c)
	}
	half, k := float64(counts[i]), 0
	for ; k < lineReach && half < mass/2; k++ {
		half += float64(counts[i-k-1]) + float64(counts[i+k+1])
	}
	return Line{Ratio: round(s.ratio(float64(i)+0.5+off), 0.001), Spread: round(binShare*(float64(k)+0.5), 0.0001), Seconds: round(mass, 0.1)}
}
