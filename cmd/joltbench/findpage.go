package main

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
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

func findPlots(res *find.Result) []findPlot {
	var out []findPlot
	trace := func(r stream.Role) []float64 {
		if p := res.Best(r); p != nil {
			return p.Trace
		}
		return nil
	}
	engine, turbine, output := trace(stream.EngineSpeed), trace(stream.TurbineSpeed), trace(stream.OutputSpeed)
	var series []findSeries
	for _, x := range []struct {
		name, class string
		v           []float64
	}{{"engine", "s1", engine}, {"turbine", "s2", turbine}, {"output", "s3", output}} {
		if x.v != nil {
			series = append(series, findSeries{x.name, x.class, res.Times, x.v, false})
		}
	}
	for _, r := range res.References {
		if r.Parameter == find.ParamEngineSpeed {
			series = append(series, findSeries{"answers for engine speed", "dots", r.At, r.Values, true})
		}
	}
	if len(series) > 0 {
		out = append(out, findPlot{"Speeds, rpm", "The turbine joins the engine when the clutch is closed, stands with the brake on in drive, and rides along in neutral.", drawTime(series, "rpm")})
	}
	if turbine != nil && output != nil {
		ratio := make([]float64, len(turbine))
		most := 0.0
		for _, r := range res.Ratios {
			most = math.Max(most, r)
		}
		top := 0.0
		for _, v := range output {
			if v > top {
				top = v
			}
		}
		for i := range ratio {
			ratio[i] = math.NaN()
			if output[i] > 0.04*top && turbine[i]/output[i] < 1.25*most {
				ratio[i] = turbine[i] / output[i]
			}
		}
		out = append(out, findPlot{"Turbine over output speed", "The gears are levels; the ratio leaves them in shifts and in neutral only. Found:" + ratioText(res.Ratios) + ".",
			drawTime([]findSeries{{"ratio", "dots", res.Times, ratio, true}}, "ratio")})
	}
	if engine != nil && turbine != nil {
		slip := make([]float64, len(engine))
		for i := range slip {
			slip[i] = engine[i] - turbine[i]
		}
		out = append(out, findPlot{"Slip, engine less turbine, rpm", "Positive under power, a little negative in overrun, and nothing with the clutch closed.", drawTime([]findSeries{{"slip", "s1", res.Times, slip, false}}, "rpm")})
	}
	var road []findSeries
	if v := trace(stream.VehicleSpeed); v != nil {
		road = append(road, findSeries{"road speed", "s1", res.Times, v, false})
	}
	for _, r := range res.References {
		if r.Parameter == find.ParamRoadSpeed {
			road = append(road, findSeries{"answers for road speed", "dots", r.At, r.Values, true})
		}
	}
	if len(road) > 0 {
		out = append(out, findPlot{"Road speed, km/h", "", drawTime(road, "km/h")})
	}
	var rest []findSeries
	if v := trace(stream.Accelerator); v != nil {
		rest = append(rest, findSeries{"pedal, %", "s1", res.Times, v, false})
	}
	if p := res.Best(stream.Gear); p != nil {
		v := make([]float64, len(p.Trace))
		for i, x := range p.Trace {
			v[i] = math.NaN()
			if g, ok := p.States[int64(x)]; ok {
				v[i] = float64(10 * g)
			}
		}
		rest = append(rest, findSeries{"gear, times 10", "s2", res.Times, v, false})
	}
	if v := trace(stream.Brake); v != nil {
		on := make([]float64, len(v))
		for i := range v {
			on[i] = 5 * v[i]
		}
		rest = append(rest, findSeries{"brake, on = 5", "s3", res.Times, on, false})
	}
	if len(rest) > 0 {
		out = append(out, findPlot{"Pedal, gear and brake", "", drawTime(rest, "")})
	}
	return out
}

type findSeries struct {
	name, class string
	t, v        []float64
	dots        bool
}

// drawTime draws series over time, at most some thousand points of each.
func drawTime(all []findSeries, unit string) template.HTML {
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
