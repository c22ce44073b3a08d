package detect

import (
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// SlipTrendSettings judge slip under load that grows from day to day.
type SlipTrendSettings struct {
	MinDailyRPM float64 `toml:"min_daily_rpm"`
	MinRiseRPM  float64 `toml:"min_rise_rpm"`
	MinDays     float64 `toml:"min_days"`
	MinZ        float64 `toml:"min_z"`
	MinHeldS    float64 `toml:"min_held_s"`
}

// TrendGrowing is the only class of slip trend.
var TrendGrowing = Class{"growing"}

var (
	trendSlope = Quantity{"slip_per_day_rpm", "rpm", 0.1}
	trendFirst = Quantity{"slip_first_rpm", "rpm", 0.1}
	trendLast  = Quantity{"slip_last_rpm", "rpm", 0.1}
	trendDays  = Quantity{"days", "", 0.1}
	trendCount = Quantity{"points", "", 1}
)

var trendSpec = &Spec{
	Kind:        KindSlipTrend,
	Alarms:      []Class{TrendGrowing},
	Measures:    []*Quantity{&trendSlope, &trendFirst, &trendLast, &trendDays, &trendCount},
	Chief:       []*Quantity{&trendSlope},
	Needs:       append(needsSlip, needsRoad, commandRoles, []stream.Role{stream.Accelerator}),
	Sharpens:    []stream.Role{stream.SlipCommand, stream.TurbineSpeed},
	Opportunity: "an hour driven, or a shorter drive, with the clutch held under load",
	Settings: Table{"slip_trend", []Setting{
		{"min_daily_rpm", "rpm", 3, 0.5, 100, "least growth a day of the middle of the slip under load: 5 rpm a day, a lining that fails within weeks, in one that slips for little more than half of that time"},
		{"min_rise_rpm", "rpm", 15, 3, 300, "least growth over all the days: above sensor noise"},
		{"min_days", "", 3, 0.5, 60, "the days that it must go over: oil, load and weather differ from one to the next"},
		{"min_z", "", 2.3, 1, 6, "how far the number of pairs of drives with more slip in the later one must be from chance, in standard deviations: one in a hundred at 2.3"},
		{"min_held_s", "s", 60, 10, 1800, "how long the clutch must have been held under load in the hour or drive"},
	}},
	can: func(in *Inputs) Ability {
		r, _ := in.command()
		return able(0, "from six drives on over some days, the clutch told to be on by %s%s", r, in.derivedNote())
	},
	make: func(c *counts, _ *stream.Plan) detector { return &slipTrend{counts: c} },
}

const (
	// trendFewest points make a trend: structural, five in perfect order are
	// within what chance does at MinZ. trendMost bounds what is kept.
	trendFewest, trendMost = 6, 64
	// trendEvery is how many seconds driven make one point.
	trendEvery = 3600
	// trendBins of slip, trendBinRPM wide, from trendLow on; what lies outside
	// is no clutch that holds.
	trendBins, trendBinRPM, trendLow = 70, 2.0, -20.0
	dayS                             = 86400.0
)

// trendPoint is the middle slip of one hour driven.
type trendPoint struct {
	At  bus.Micros `json:"at_us"`
	RPM float64    `json:"slip_rpm"`
	// Told: a trend up to this point was told.
	Told bool `json:"told,omitempty"`
}

// Slip trend: the middle of the slip with the clutch on and under load, one for
// each hour driven, grows over the days. The slope is the middle of those of all
// pairs (Theil 1950; Sen, J. Am. Stat. Assoc. 63, 1968), and it counts where the
// signs of the pairs are not those of chance (Mann 1945, Kendall 1975). The
// points are kept with the vehicle's history; days are those of the frames' clock.
type slipTrend struct {
	counts *counts
	bins   [trendBins]float64 // seconds
	heldS  float64
	driven float64
	from   bus.Micros
	ctx    Context
	points []trendPoint // oldest first
}

func (d *slipTrend) keep(h *history) { h.Trend = d.points }

func (d *slipTrend) recall(h *history) { d.points = h.Trend }

func (d *slipTrend) row(s *scene, m *state.Moment) {
	if m.Running && m.Moving {
		d.driven += m.DtS
	}
	if slip, ok := d.slip(s, m); ok {
		if d.heldS == 0 {
			d.from, d.ctx = m.At, m.Context(s.SinceStart(m.At))
		}
		d.bins[min(int((slip-trendLow)/trendBinRPM), trendBins-1)] += m.DtS
		d.heldS += m.DtS
	}
	if d.driven >= trendEvery {
		d.point(s, m.At)
	}
}

// slip returns that of a clutch that is on and under load, less what was asked for.
func (d *slipTrend) slip(s *scene, m *state.Moment) (float64, bool) {
	r := m.Row
	if !m.HasCommand || !m.Engaged || m.Gap || m.Shifting || m.SinceShiftS < 1 || m.SinceGearS < 1 || m.TolRPM > state.TolUsableRPM/2 {
		return 0, false
	}
	slip := m.SlipRPM
	if r.Has(stream.SlipCommand) {
		slip -= r.V[stream.SlipCommand]
	}
	most := trendLow + float64(trendBins*trendBinRPM)
	return slip, m.Loaded() && m.HasSlip && slip >= trendLow && slip < most
}

func (d *slipTrend) end(s *scene, at bus.Micros) { d.point(s, at) }

// point ends an hour or a drive and judges the points so far.
func (d *slipTrend) point(s *scene, at bus.Micros) {
	set := &s.set.SlipTrend
	from, ctx, held := d.from, d.ctx, d.heldS
	rpm := d.middle()
	d.bins, d.heldS, d.driven = [trendBins]float64{}, 0, 0
	if held < set.MinHeldS {
		return
	}
	// A clock that has gone back leaves points that are yet to come.
	d.points = slices.DeleteFunc(d.points, func(p trendPoint) bool { return p.At >= from })
	d.points = append(d.points, trendPoint{At: from, RPM: state.Round(rpm, 0.1)})
	if n := len(d.points); n > trendMost {
		d.points = slices.Delete(d.points, 0, n-trendMost)
	}
	t := trendOf(d.points, 0)
	laid := trendOf(d.points, set.MinDailyRPM)
	hit := t.grows(set)
	told := len(d.points) > 1 && d.points[len(d.points)-2].Told
	d.points[len(d.points)-1].Told = hit
	d.counts.add(laid.grows(set), hit && !told)
	if !hit || told {
		return
	}
	last := d.points[len(d.points)-1]
	f := Finding{Kind: KindSlipTrend, Class: TrendGrowing, Start: from, End: at, Context: ctx,
		Severity: min(0.9, 0.6+t.slope/100), Keep: true}
	f.Measures = append(f.Measures, trendSlope.of(t.slope), trendFirst.of(d.points[0].RPM), trendLast.of(last.RPM),
		trendDays.of(t.days), trendCount.of(float64(len(d.points))))
	s.out.finding(&f, nil)
}

// middle is the median of the slip, in rpm.
func (d *slipTrend) middle() float64 {
	sum := 0.0
	for i, x := range d.bins {
		if x > 0 && sum+x >= d.heldS/2 {
			in := (d.heldS/2 - sum) / x
			return trendLow + float64(trendBinRPM*(float64(i)+in))
		}
		sum += x
	}
	return 0
}

// trend is what the points come to: the slope in rpm a day, the days, and how far
// the signs of the pairs are from chance.
type trend struct {
	n              int
	slope, days, z float64
}

func (t *trend) grows(set *SlipTrendSettings) bool {
	return t.n >= trendFewest && t.days >= set.MinDays && t.z >= set.MinZ &&
		t.slope >= set.MinDailyRPM && float64(t.slope*t.days) >= set.MinRiseRPM
}

// trendOf works points out, with a growth laid on them besides.
func trendOf(p []trendPoint, laid float64) trend {
	t := trend{n: len(p)}
	if t.n < 2 {
		return t
	}
	slopes := make([]float64, 0, t.n*(t.n-1)/2)
	sum := 0.0
	for i := range p {
		for j := range i {
			slope := (p[i].RPM-p[j].RPM)/((p[i].At-p[j].At).Seconds()/dayS) + laid
			slopes = append(slopes, slope)
			if slope != 0 {
				sum += math.Copysign(1, slope)
			}
		}
	}
	slices.Sort(slopes)
	k := len(slopes)
	t.slope = (slopes[k/2] + slopes[(k-1)/2]) / 2
	t.days = (p[t.n-1].At - p[0].At).Seconds() / dayS
	n := float64(t.n)
	t.z = (sum - 1) / math.Sqrt(float64(float64(n*(n-1))*float64(2*n+5))/18)
	return t
}
