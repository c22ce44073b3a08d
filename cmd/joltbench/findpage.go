package main

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/internal/page"
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
	p := findPage{
		Policy: page.Policy(findStyle), Style: template.CSS(findStyle), Log: log,
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
			page.Series{Name: "ratio", Class: "dots", T: res.Times, V: p.ratio(turbine, output), Dots: true})
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
func (p *plots) add(title, note string, series ...page.Series) {
	series = slices.DeleteFunc(series, func(s page.Series) bool { return s.V == nil })
	if len(series) > 0 {
		p.out = append(p.out, findPlot{title, note, page.OverTime(series)})
	}
}

// of is the trace of a role that was found, or nil.
func (p *plots) of(r stream.Role) []float64 {
	if x := p.res.Best(r); x != nil {
		return x.Trace
	}
	return nil
}

func (p *plots) line(name, class string, v []float64) page.Series {
	return page.Series{Name: name, Class: class, T: p.res.Times, V: v}
}

// answers are those to a standard request, as dots.
func (p *plots) answers(x find.Parameter) page.Series {
	for _, r := range p.res.References {
		if r.Parameter == x {
			return page.Series{Name: "answers for " + r.Name, Class: "dots", T: r.At, V: r.Values, Dots: true}
		}
	}
	return page.Series{}
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
