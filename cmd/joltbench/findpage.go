package main

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"

	"joltwatch/cmd/internal/cli"
	"joltwatch/stream"
	"joltwatch/stream/find"
)

//go:embed find.css
var findStyle string

//go:embed find.tmpl
var findTemplate string

type findPage struct {
	Policy string
	Style  template.CSS
	Log    string
	Facts  string
	Plots  []findPlot
	Roles  []findPageRole
}

type findPageRole struct {
	Name  string
	Found bool
	Why   string
	Rows  []findPageRow
}

type findPageRow struct {
	Rank                          int
	Fit, Place, Field, Step, Each string
	Evidence                      []string
}

type findPlot struct {
	Title, Note string
	Figure      template.HTML
}

// writeFindPage writes one page that loads nothing from anywhere.
func writeFindPage(w io.Writer, log string, res *find.Result, interfaces []string) error {
	sum := sha256.Sum256([]byte(findStyle))
	p := findPage{
		Policy: "default-src 'none'; base-uri 'none'; form-action 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'",
		Style:  template.CSS(findStyle), Log: log,
		Facts: fmt.Sprintf("%d frames, %d identifiers, %.0f s, %d kinds of standard answers", res.Frames, len(res.Identifiers), res.Duration.Seconds(), len(res.References)),
	}
	for _, r := range res.Roles {
		x := findPageRole{Name: strings.ReplaceAll(r.Role.String(), "_", " "), Found: r.Found, Why: r.Why}
		for i, q := range r.Proposals {
			x.Rows = append(x.Rows, findPageRow{Rank: i + 1, Fit: fmt.Sprintf("%.0f", q.Fit), Place: findPlace(&q, interfaces), Field: q.Field.String(),
				Step: findScale(&q, r.Role), Each: fmt.Sprintf("%.4g ms", float64(q.Period)/1000), Evidence: q.Evidence})
		}
		p.Roles = append(p.Roles, x)
	}
	p.Plots = findPlots(res)
	return template.Must(template.New("find").Parse(findTemplate)).Execute(&cli.PlainWriter{W: w}, p)
}

// plots draws what was found, a figure for what is seen together.
type plots struct {
	res *find.Result
	out []findPlot
}

func findPlots(res *find.Result) []findPlot {
	p := plots{res: res}
	engine, turbine, output := p.of(stream.EngineSpeed), p.of(stream.TurbineSpeed), p.of(stream.OutputSpeed)
	p.add("Speeds, rpm", "The turbine joins the engine when the clutch is closed, stands with the brake on in drive, and rides along in neutral.",
		p.line("engine", "s1", engine), p.line("turbine", "s2", turbine), p.line("output", "s3", output), p.answers(find.ParamEngineSpeed))
	if turbine != nil && output != nil {
		p.add("Turbine over output speed", "The gears are levels; the ratio leaves them in shifts and in neutral only. Found:"+ratioText(res.Ratios)+".",
			findSeries{"ratio", "dots", res.Times, p.ratio(turbine, output), true})
	}
	if engine != nil && turbine != nil {
		p.add("Slip, engine less turbine, rpm", "Positive under power, a little negative in overrun, and nothing with the clutch closed.",
			p.line("slip", "s1", each(engine, func(i int, v float64) float64 { return v - turbine[i] })))
	}
	p.add("Road speed, km/h", "", p.line("road speed", "s1", p.of(stream.VehicleSpeed)), p.answers(find.ParamRoadSpeed))
	p.add("Pedal, gear and brake", "", p.line("pedal, %", "s1", p.of(stream.Accelerator)), p.line("gear, times 10", "s2", p.gear()),
		p.line("brake, on = 5", "s3", each(p.of(stream.Brake), func(_ int, v float64) float64 { return 5 * v })))
	return p.out
}

// add adds a figure of the series that there are.
func (p *plots) add(title, note string, series ...findSeries) {
	series = slices.DeleteFunc(series, func(s findSeries) bool { return s.v == nil })
	if len(series) > 0 {
		p.out = append(p.out, findPlot{title, note, drawTime(series)})
	}
}

// of is the trace of a role that was found, or nil.
func (p *plots) of(r stream.Role) []float64 {
	if x := p.res.Best(r); x != nil {
		return x.Trace
	}
	return nil
}

func (p *plots) line(name, class string, v []float64) findSeries {
	return findSeries{name, class, p.res.Times, v, false}
}

// answers are those to a standard request, as dots.
func (p *plots) answers(x find.Parameter) findSeries {
	for _, r := range p.res.References {
		if r.Parameter == x {
			return findSeries{"answers for " + r.Name, "dots", r.At, r.Values, true}
		}
	}
	return findSeries{}
}

// ratio is turbine over output speed where that may be a gear's.
func (p *plots) ratio(turbine, output []float64) []float64 {
	most, top := 0.0, 0.0
	for _, r := range p.res.Ratios {
		most = math.Max(most, r)
	}
	for _, v := range output {
		if v > top {
			top = v
		}
	}
	return each(turbine, func(i int, v float64) float64 {
		if output[i] > 0.04*top && v/output[i] < 1.25*most {
			return v / output[i]
		}
		return math.NaN()
	})
}

// gear is the gear times 10, to be seen beside a pedal.
func (p *plots) gear() []float64 {
	x := p.res.Best(stream.Gear)
	if x == nil {
		return nil
	}
	return each(x.Trace, func(_ int, v float64) float64 {
		if g, ok := x.States[int64(v)]; ok {
			return float64(10 * g)
		}
		return math.NaN()
	})
}

// each is f of every value; nil of none.
func each(v []float64, f func(i int, v float64) float64) []float64 {
	if v == nil {
		return nil
	}
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = f(i, x)
	}
	return out
}

type findSeries struct {
	name, class string
	t, v        []float64
	dots        bool
}

// drawTime draws series over time, at most some thousand points of each.
func drawTime(all []findSeries) template.HTML {
	const w, h, left, right, top, bottom = 960.0, 260.0, 56.0, 12.0, 24.0, 34.0
	lo, hi, end := 0.0, 1.0, 1.0
	for _, s := range all {
		for i, v := range s.v {
			if !math.IsNaN(v) && !math.IsInf(v, 0) {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
			end = math.Max(end, s.t[i])
		}
	}
	step := niceStep((hi - lo) / 5)
	lo, hi = math.Floor(lo/step)*step, math.Ceil(hi/step)*step
	x := func(t float64) float64 { return left + t/end*(w-left-right) }
	y := func(v float64) float64 { return h - bottom - (v-lo)/(hi-lo)*(h-top-bottom) }
	var b strings.Builder
	var names []string
	for _, s := range all {
		names = append(names, s.name)
	}
	fmt.Fprintf(&b, `<svg viewBox="0 0 %g %g" role="img" aria-label="%s over time">`, w, h, template.HTMLEscapeString(strings.Join(names, ", ")))
	for v := lo; v <= hi+step/2; v += step {
		fmt.Fprintf(&b, `<line x1="%g" x2="%g" y1="%.1f" y2="%.1f" class="grid"/><text x="%g" y="%.1f" class="tick end">%.4g</text>`, left, w-right, y(v), y(v), left-6, y(v)+4, v)
	}
	ts := niceStep(end / 8)
	for t := 0.0; t <= end; t += ts {
		fmt.Fprintf(&b, `<text x="%.1f" y="%g" class="tick mid">%.4g s</text>`, x(t), h-12, t)
	}
	for _, s := range all {
		if s.dots {
			stride := 1 + len(s.v)/3000
			for i := 0; i < len(s.v); i += stride {
				if !math.IsNaN(s.v[i]) {
					fmt.Fprintf(&b, `<circle cx="%.1f" cy="%.1f" r="1.4" class="%s"/>`, x(s.t[i]), y(s.v[i]), s.class)
				}
			}
			continue
		}
		stride := 1 + len(s.v)/2500
		open := false
		for i := 0; i < len(s.v); i += stride {
			v := s.v[i]
			if math.IsNaN(v) || i > 0 && s.t[i]-s.t[max(0, i-stride)] > 2 {
				if open {
					b.WriteString(`"/>`)
					open = false
				}
				if math.IsNaN(v) {
					continue
				}
			}
			if !open {
				fmt.Fprintf(&b, `<polyline class="line %s" points="`, s.class)
				open = true
			}
			fmt.Fprintf(&b, "%.1f,%.1f ", x(s.t[i]), y(v))
		}
		if open {
			b.WriteString(`"/>`)
		}
	}
	at := left
	for _, s := range all {
		fmt.Fprintf(&b, `<text x="%.1f" y="14" class="key %s">%s</text>`, at, s.class, template.HTMLEscapeString(s.name))
		at += 9*float64(len(s.name)) + 20
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
}

func niceStep(x float64) float64 {
	if !(x > 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= x {
			return m * p
		}
	}
	return 10 * p
}
