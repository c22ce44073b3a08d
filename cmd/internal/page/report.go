package page

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage/review"
)

// report is what the template of the report shows.
type report struct {
	Head    head
	Verdict []verdictLine
	View    View
	Stay    *review.Stay
	Other   *review.Stay
	Total   review.Total
	Lockup  string
	// Recognised and Calibration are as in package review.
	Recognised  string
	Calibration []string
	Known       string
	Zone        string // of the times on the page
	Span        string
	OtherSpan   string
	Days        []day
	Strip       template.HTML
	Unmapped    []string
	Counts      []review.Count
	Events      []eventRow
	Unlisted    int // events beyond the worst mostListed
	Charts      []Chart
	Recipe      *Recipe
	Undrawn     string // the titles of the charts with nothing to show
	Sureness    []review.Sureness
	Checks      []review.Check
	Cautions    []string
	Stills      []stillRow
	Whys        []whyBlock
	HasTraces   bool
	NoTraces    string
	Partial     string
	Version     string
	Licence     string
}

type day struct {
	Name   string
	Drives []driveRow
}

type driveRow struct {
	Number        int
	Start         string
	EngineOn      string
	Moving        string
	Stops         string
	Known         string
	Least         string
	Frames        uint64
	Events        int
	Ended         bool
	LostOrUnclear uint64
}

// verdictLine is one line of the verdict in both systems of units.
type verdictLine struct {
	Head string
	Text dual
}

type eventRow struct {
	*review.Event
	When       string
	What       string
	Main       dual
	Rest       dual
	Percentile string
	Gear       string
	Speed      dual
	Fluid      dual
	Missing    string
}

type stillRow struct {
	Event  eventRow
	Figure template.HTML
}

// verdict words a verdict in both systems of units.
func verdict(s *review.Stay, t review.Times) []verdictLine {
	m, u := s.Verdict(review.Metric, t), s.Verdict(review.US, t)
	list := make([]verdictLine, len(m.Lines))
	for i := range list {
		list[i] = verdictLine{m.Lines[i].Head, dual{m.Lines[i].Text, u.Lines[i].Text}}
	}
	return list
}

func newReport(s *review.Stay, o Options) *report {
	r := &report{Stay: s, View: o.View, Verdict: verdict(s, o.View.Times), Other: o.Other, Total: s.Total(),
		Span: s.Span(o.View.Times), Strip: strip(s, o.View.Times), Counts: s.Counts(),
		Charts: charts(s, o.Other, o.View.Times), Checks: s.Next(), Cautions: review.Cautions, Version: o.Version,
		Licence: read("vendored/uPlot-LICENSE")}
	if len(s.Drives) > 0 {
		r.Zone = o.View.Times.Name(s.Drives[0].Clock, s.Drives[0].Account.Start)
	}
	if o.Other != nil {
		r.OtherSpan = o.Other.Span(o.View.Times)
	}
	r.Sureness = r.Total.Sureness()
	r.Recipe = NewRecipe(s, o.View)
	r.Known = review.Percent(r.Total.MovingS-r.Total.UnknownS, r.Total.MovingS)
	r.Lockup = r.Total.LockupText()
	r.Recognised = r.Total.Recognised()
	r.Calibration = s.CalibrationText()
	for _, x := range s.Unmapped() {
		r.Unmapped = append(r.Unmapped, strings.ReplaceAll(x.String(), "_", " "))
	}
	r.days(s)
	for i, e := range s.Worst() {
		if i == mostListed {
			r.Unlisted = len(s.Events) - mostListed
			break
		}
		r.Events = append(r.Events, newEventRow(e, o.View.Times))
	}
	return r
}

func (r *report) days(s *review.Stay) {
	events := map[int]int{}
	for i := range s.Events {
		events[s.Events[i].Drive]++
	}
	for i := range s.Drives {
		d := &s.Drives[i]
		a := &d.Account
		name := fmt.Sprintf("run %d of the unit (wall time not known)", d.Boot)
		start := fmt.Sprintf("%.1f s", a.Start.Seconds())
		if t, ok := r.View.Times.Wall(d.Clock, a.Start); ok {
			name, start = t.Format("Monday 2006-01-02"), t.Format("15:04:05")
		}
		if n := len(r.Days); n == 0 || r.Days[n-1].Name != name {
			r.Days = append(r.Days, day{Name: name})
		}
		row := driveRow{Number: d.Number, Start: start, EngineOn: review.DurationText(a.EngineOnS), Moving: review.DurationText(a.MovingS),
			Stops: fmt.Sprintf("%d of %d", a.StopsObserved, a.Stops), Known: review.Percent(a.MovingS-a.UnknownS, a.MovingS),
			Least: "–", Frames: a.Frames, Events: events[d.Number], Ended: a.Ended, LostOrUnclear: a.Dropped + a.BadLines + a.Errors}
		least := math.Inf(1)
		for _, x := range a.Roles {
			if a.EngineOnS > 0 && x.FreshS/a.EngineOnS < least {
				least = x.FreshS / a.EngineOnS
				row.Least = fmt.Sprintf("%s %.1f %%", strings.ReplaceAll(x.Role, "_", " "), 100*least)
			}
		}
		x := &r.Days[len(r.Days)-1]
		x.Drives = append(x.Drives, row)
	}
}

func newEventRow(e *review.Event, t review.Times) eventRow {
	x := eventRow{Event: e, When: t.When(e.Clock, e.Start), What: review.Finding(e.Kind, e.Class), Main: same("–"),
		Gear: review.GearText(e.Context.Gear), Missing: strings.ReplaceAll(strings.Join(e.MissingInputs, ", "), "_", " "),
		Speed: optional(e.Context.SpeedKmh, "km/h"), Fluid: optional(e.Context.FluidTemperatureC, "°C")}
	main, ok := review.Main(&e.Finding)
	if ok {
		x.Main = measured(main)
	}
	var rest []dual
	for _, m := range e.Measures {
		if m != main && !detect.OfLinks(m.Name) {
			rest = append(rest, measured(m))
		}
	}
	x.Rest = joined(rest, " · ")
	for _, p := range e.Percentiles {
		if p.N == 0 || p.Measure != main.Name && x.Percentile != "" {
			continue
		}
		x.Percentile = percentileText(p)
		if p.Measure == main.Name {
			break
		}
	}
	return x
}

func percentileText(p detect.Percentile) string {
	words, _ := review.MeasureWords(p.Measure)
	if p.N < 5 {
		return fmt.Sprintf("%s: only %d earlier, too few to place it", words, p.N)
	}
	return fmt.Sprintf("%s above %.0f %% of %d earlier", words, 100*p.Share, p.N)
}

// packed are the traces of the page and the index that its script reads.
type packed struct {
	index     index
	stretches []struct{ reduced, full string }
	at        map[int]int           // event number to index in stretches
	stills    map[int]template.HTML // of the events that are printed
	phases    []course
}

type index struct {
	Events    []indexEvent   `json:"events"`
	Stretches []indexStretch `json:"stretches"`
}

type indexEvent struct {
	N        int            `json:"n"`
	Title    string         `json:"title"`
	When     string         `json:"when"`
	Lines    [2][]string    `json:"lines"` // what there is to say, one a line, metric and US
	Limit    *indexBand     `json:"limit,omitempty"`
	Usual    *indexBand     `json:"usual,omitempty"`
	UsualRPM *indexBand     `json:"usual_rpm,omitempty"`
	Stretch  int            `json:"stretch"`
	At       float64        `json:"at"` // s from the start of the stretch
	End      float64        `json:"end"`
	Instants []indexInstant `json:"instants"`
}

type indexInstant struct {
	Name  string  `json:"name"`
	At    float64 `json:"at"`
	Early float64 `json:"early"`
	Late  float64 `json:"late"`
}

// indexBand is a stretch of time, or of turbine speed, that the event is judged
// by; a limit has no length.
type indexBand struct {
	Name string  `json:"name"`
	From float64 `json:"from"`
	To   float64 `json:"to"`
}

type indexStretch struct {
	Length float64     `json:"length"` // s
	Lines  []indexLine `json:"lines"`
}

type indexLine struct {
	Name    string  `json:"name"`
	Label   string  `json:"label"`
	Unit    string  `json:"unit"`
	Step    bool    `json:"step,omitempty"`
	Derived bool    `json:"derived,omitempty"`
	Quantum float64 `json:"quantum"`
	Offset  float64 `json:"offset"`
}

const (
	// longest is how long overlapping evidence may be joined to one stretch.
	longest = 120 * bus.Second
	// buckets is into how many spans a stretch is reduced at most, and
	// bucketWidth the least width of one: 20 points a second are as fine as a
	// screen shows of half a minute.
	buckets     = 1200
	bucketWidth = bus.Second / 10
	// mostListed is how many events are listed and have their traces in the
	// page: more than anyone reads, and few enough to open at once.
	mostListed = 1000
	// mostStills is how many events are printed as fixed figures.
	mostStills = 6
)

// pack reads and packs the evidence of every event that is listed.
func (r *report) pack(s *review.Stay, o Options) (*packed, error) {
	p := &packed{index: index{Events: []indexEvent{}, Stretches: []indexStretch{}}, at: map[int]int{}, stills: map[int]template.HTML{}}
	listed := map[int]bool{}
	for _, e := range r.Events {
		listed[e.Number] = true
		if len(p.stills) < mostStills && e.HasEvidence() && e.Strange() {
			p.stills[e.Number] = ""
		}
	}
	list := slices.DeleteFunc(s.Stretches(longest), func(x review.Stretch) bool {
		return !slices.ContainsFunc(x.Events, func(n int) bool { return listed[n] })
	})
	failed := 0
	for i, x := range list {
		if o.Progress != nil {
			o.Progress(i, len(list))
		}
		lines, err := s.Traces(x.Boot, x.From, x.To)
		if err != nil {
			failed++
			r.NoTraces = err.Error()
		}
		if len(lines) > 0 {
			if err := p.add(s, x, lines); err != nil {
				return nil, err
			}
		}
	}
	r.Charts, r.Undrawn = drawn(append(r.Charts, courses(p.phases)))
	r.keepFull(p, o.FullBytes)
	for i := range r.Events {
		e := r.Events[i]
		stretch, traced := p.at[e.Number]
		from := fromOf(list, e.Number)
		sec := func(m bus.Micros) float64 { return math.Round((m-from).Seconds()*1e4) / 1e4 }
		r.explain(s, &e, traced, sec)
		if !traced {
			continue
		}
		p.index.Events = append(p.index.Events, newIndexEvent(s, &e, stretch, sec))
		if f := p.stills[e.Number]; f != "" {
			r.Stills = append(r.Stills, stillRow{e, f})
		}
	}
	r.HasTraces = len(p.index.Events) > 0
	switch {
	case failed > 0:
		r.NoTraces = fmt.Sprintf("The evidence of %d of %d stretches could not be read in full: %s.", failed, len(list), r.NoTraces)
	case len(s.Events) > 0 && len(list) == 0:
		r.NoTraces = "No evidence was kept with these events."
	}
	return p, nil
}

// add packs the traces of a stretch, in full and reduced, and draws from them what
// is fixed on the page.
func (p *packed) add(s *review.Stay, x review.Stretch, lines []review.Trace) error {
	for _, n := range x.Events {
		p.at[n] = len(p.stretches)
		e := s.Find(n)
		if _, ok := p.stills[n]; ok {
			p.stills[n] = still(s, e, lines)
		}
		if k, ok := newCourse(e, lines); ok {
			p.phases = append(p.phases, k)
		}
	}
	last := x.From
	for _, l := range lines {
		last = max(last, l.T[len(l.T)-1])
	}
	entry := indexStretch{Length: (min(x.To, last) - x.From).Seconds()}
	reduced := make([]review.Trace, len(lines))
	width := max(bucketWidth, (x.To-x.From)/buckets)
	for j, l := range lines {
		entry.Lines = append(entry.Lines, indexLine{l.Name, traceLabel(l.Name), l.Unit, l.Step, l.Derived, l.Quantum, l.Offset})
		reduced[j] = l.Reduced(width)
		if l.Step {
			lines[j] = reduced[j]
		}
	}
	small, err := pack(reduced, x.From)
	if err != nil {
		return err
	}
	full, err := pack(lines, x.From)
	if err != nil {
		return err
	}
	p.index.Stretches = append(p.index.Stretches, entry)
	p.stretches = append(p.stretches, struct{ reduced, full string }{small, full})
	return nil
}

func newIndexEvent(s *review.Stay, e *eventRow, stretch int, sec func(bus.Micros) float64) indexEvent {
	x := indexEvent{N: e.Number, Title: e.What, When: e.When, Stretch: stretch, At: sec(e.Start), End: sec(e.End), Instants: []indexInstant{}}
	for i := range x.Lines {
		x.Lines[i] = e.lines(i)
	}
	x.Limit, x.Usual = judgedBy(s, e.Event, sec)
	x.UsualRPM = usualRelease(s, e.Event)
	for _, in := range e.Instants {
		x.Instants = append(x.Instants, indexInstant{in.Name, sec(in.At), sec(in.Early), sec(in.Late)})
	}
	return x
}

// explain adds the candidates of an event.
func (r *report) explain(s *review.Stay, e *eventRow, traced bool, sec func(bus.Micros) float64) {
	if len(r.Whys) == mostWhys {
		return
	}
	if !traced {
		sec = nil
	}
	if b, ok := why(s, e, sec); ok {
		r.Whys = append(r.Whys, b)
	}
}

// lines says what there is to say of an event, one a line, in the system of
// units of that index.
func (e *eventRow) lines(units int) []string {
	list := []string{}
	for _, t := range []string{e.Main[units], e.Rest[units], e.Percentile} {
		if t != "" && t != "–" {
			list = append(list, t)
		}
	}
	list = append(list, fmt.Sprintf("gear %s · %s · fluid %s · drive %d", e.Gear, e.Speed[units], e.Fluid[units], e.Drive))
	if e.Missing != "" {
		list = append(list, "without: "+e.Missing)
	}
	return list
}

// judgedBy returns the limit and the vehicle's usual range of an event's chief
// measure as times after its first instant; nil where there are none.
func judgedBy(s *review.Stay, e *review.Event, sec func(bus.Micros) float64) (limit, usual *indexBand) {
	m, ok := review.Main(&e.Finding)
	if _, unit := review.MeasureWords(m.Name); !ok || unit != "s" || len(e.Instants) == 0 {
		return nil, nil
	}
	from := sec(e.Instants[0].At)
	if v, has := s.Limit(e, m.Name); has {
		limit = &indexBand{"limit " + review.Metric.Quantity(v, "s"), from + v, from + v}
	}
	if x, has := s.Usual(e.Kind, m.Name); has {
		usual = &indexBand{"usual", from + x.Low, from + x.High}
	}
	return limit, usual
}

// usualRelease returns the turbine speeds at which this vehicle's clutch usually
// lets go; nil where the event is no release or too few are known.
func usualRelease(s *review.Stay, e *review.Event) *indexBand {
	if e.Kind != detect.KindReleaseLag {
		return nil
	}
	_, name, ok := releaseSpeed(e)
	if !ok {
		return nil
	}
	x, ok := s.Usual(e.Kind, name)
	if !ok {
		return nil
	}
	return &indexBand{"usual release", x.Low, x.High}
}

func fromOf(list []review.Stretch, number int) bus.Micros {
	for _, x := range list {
		if slices.Contains(x.Events, number) {
			return x.From
		}
	}
	return 0
}

// keepFull drops the full traces that do not fit, the least severe first.
func (r *report) keepFull(p *packed, room int) {
	keep := make([]bool, len(p.stretches))
	kept := 0
	for _, e := range r.Events {
		i, ok := p.at[e.Number]
		if !ok || keep[i] {
			continue
		}
		if n := len(p.stretches[i].full); n <= room {
			room -= n
			keep[i] = true
			kept++
		}
	}
	for i := range keep {
		if !keep[i] {
			p.stretches[i].full = ""
		}
	}
	if kept < len(keep) {
		r.Partial = fmt.Sprintf("Full traces are in the page for the %d most severe of %d stretches; the others are drawn from reduced traces that keep the least and greatest value of each tenth of a second. joltbench report --full-mb sets the room; joltbench export has everything.", kept, len(keep))
	}
}
