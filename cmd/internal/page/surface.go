package page

import (
	"fmt"
	"html"
	"image/color"
	"io"
	"math"
	"strings"

	"github.com/fogleman/gg"
	"github.com/golang/freetype/truetype"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// surface is what the figure of an event is drawn on. A class names how a
// thing looks; inks has the looks.
type surface interface {
	line(x1, y1, x2, y2 float64, class string)
	rect(x, y, w, h float64, class string)
	// path joins points; a NaN lifts the pen.
	path(x, y []float64, class string)
	text(x, y float64, class, t string)
}

// ink is how a class of thing looks on paper.
type ink struct {
	stroke, fill string // colours as #rrggbb, "" for none
	width        float64
	dash         []float64
	opacity      float64 // of the fill; 0 is opaque
	size         float64 // of text, pixels
	bold         bool
	anchor       float64 // 0 begins, 0.5 is centred, 1 ends at the point
}

// inks are the looks of a figure that stands by itself; page.css has those of
// figures in a page.
var inks = map[string]ink{
	"heading":                         {fill: "#1c2326", size: 19, bold: true},
	"subheading":                      {fill: "#414c50", size: 13},
	"title":                           {fill: "#1c2326", size: 13, bold: true},
	"tick":                            {fill: "#414c50", size: 12},
	"tick end":                        {fill: "#414c50", size: 12, anchor: 1},
	"tick mid":                        {fill: "#414c50", size: 12, anchor: 0.5},
	"note":                            {fill: "#6b5000", size: 12},
	"paper":                           {fill: "#ffffff"},
	"grid":                            {stroke: "#e3e7e2", width: 1},
	"instant":                         {stroke: "#8a6800", fill: "#d9a400", opacity: 0.3, width: 0.7},
	"habit":                           {fill: "#9aa5a0", opacity: 0.28},
	"limit":                           {stroke: "#8c2f16", width: 1.8, dash: []float64{7, 4}},
	"trace t-engine-speed":            {stroke: "#a63d00", width: 2.8},
	"trace t-turbine-speed":           {stroke: "#0a5fa5", width: 1.6},
	"trace t-output-speed":            {stroke: "#5a5a3c", width: 1.4, dash: []float64{5, 3}},
	"trace t-slip":                    {stroke: "#7a2f83", width: 1.6},
	"trace t-clutch-pressure":         {stroke: "#2e7d32", width: 1.6},
	"trace t-vehicle-speed":           {stroke: "#37474f", width: 1.6},
	"trace t-clutch-command":          {stroke: "#00695c", width: 1.6, dash: []float64{7, 3}},
	"trace":                           {stroke: "#37474f", width: 1.4},
	"trace t-clutch-pressure-command": {stroke: "#00695c", width: 1.6, dash: []float64{7, 3}},
}

// inkOf returns the look of a class, or of its first word where the whole has
// none; text of a trace takes the trace's colour.
func inkOf(class string) ink {
	if k, ok := inks[class]; ok {
		return k
	}
	first, rest, _ := strings.Cut(class, " ")
	k := inks[first]
	if t, ok := inks["trace "+rest]; ok && first == "tick" {
		k.fill = t.stroke
	}
	return k
}

// path implements surface on the figures of a page.
func (s *svg) path(x, y []float64, class string) {
	s.raw(`<path class="%s" d="%s"/>`, class, pathData(x, y))
}

func pathData(x, y []float64) string {
	var b strings.Builder
	pen := byte('M')
	for i := range x {
		if math.IsNaN(y[i]) {
			pen = 'M'
			continue
		}
		fmt.Fprintf(&b, "%c%.1f %.1f", pen, x[i], y[i])
		pen = 'L'
	}
	return b.String()
}

// sheet is a figure as an SVG document of its own (W3C SVG 1.1): its looks are
// attributes, so that any drawing program shows it alike.
type sheet struct {
	b    strings.Builder
	w, h float64
}

func (s *sheet) look(class string) string {
	k := inkOf(class)
	b := ` fill="none"`
	if k.fill != "" {
		b = ` fill="` + k.fill + `"`
	}
	if k.opacity > 0 {
		b += fmt.Sprintf(` fill-opacity="%g"`, k.opacity)
	}
	if k.stroke != "" {
		b += fmt.Sprintf(` stroke="%s" stroke-width="%g"`, k.stroke, k.width)
	}
	if len(k.dash) > 0 {
		b += fmt.Sprintf(` stroke-dasharray="%g %g"`, k.dash[0], k.dash[1])
	}
	return b
}

func (s *sheet) line(x1, y1, x2, y2 float64, class string) {
	fmt.Fprintf(&s.b, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"%s/>`+"\n", x1, y1, x2, y2, s.look(class))
}

func (s *sheet) rect(x, y, w, h float64, class string) {
	fmt.Fprintf(&s.b, `<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f"%s/>`+"\n", x, y, max(w, 0), max(h, 0), s.look(class))
}

func (s *sheet) path(x, y []float64, class string) {
	fmt.Fprintf(&s.b, `<path d="%s"%s/>`+"\n", pathData(x, y), s.look(class))
}

func (s *sheet) text(x, y float64, class, t string) {
	k := inkOf(class)
	anchor := map[float64]string{0: "start", 0.5: "middle", 1: "end"}[k.anchor]
	weight := "normal"
	if k.bold {
		weight = "bold"
	}
	fmt.Fprintf(&s.b, `<text x="%.1f" y="%.1f" font-size="%g" font-weight="%s" text-anchor="%s"%s>%s</text>`+"\n",
		x, y, k.size, weight, anchor, s.look(class), html.EscapeString(t))
}

// writeTo writes the document.
func (s *sheet) writeTo(w io.Writer, title string) error {
	_, err := fmt.Fprintf(w, `<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" width="%g" height="%g" viewBox="0 0 %g %g" font-family="DejaVu Sans, Verdana, sans-serif">
<title>%s</title>
%s</svg>
`, s.w, s.h, s.w, s.h, html.EscapeString(title), s.b.String())
	return err
}

// raster is a figure in pixels, so many to a unit of the figure.
type raster struct {
	c     *gg.Context
	fonts map[bool]*truetype.Font
	scale float64
}

func newRaster(w, h, scale float64) (*raster, error) {
	r := &raster{c: gg.NewContext(int(w*scale), int(h*scale)), fonts: map[bool]*truetype.Font{}, scale: scale}
	for bold, ttf := range map[bool][]byte{false: goregular.TTF, true: gobold.TTF} {
		f, err := truetype.Parse(ttf)
		if err != nil {
			return nil, err
		}
		r.fonts[bold] = f
	}
	return r, nil
}

// use fills and strokes what has been laid down.
func (r *raster) use(k ink) {
	if k.fill != "" && k.size == 0 {
		r.c.SetColor(colour(k.fill, k.opacity))
		r.c.FillPreserve()
	}
	if k.stroke != "" {
		r.c.SetColor(colour(k.stroke, 0))
		r.c.SetLineWidth(k.width * r.scale)
		dash := make([]float64, len(k.dash))
		for i, d := range k.dash {
			dash[i] = d * r.scale
		}
		r.c.SetDash(dash...)
		r.c.StrokePreserve()
	}
	r.c.ClearPath()
}

func (r *raster) line(x1, y1, x2, y2 float64, class string) {
	r.c.DrawLine(x1*r.scale, y1*r.scale, x2*r.scale, y2*r.scale)
	r.use(inkOf(class))
}

func (r *raster) rect(x, y, w, h float64, class string) {
	r.c.DrawRectangle(x*r.scale, y*r.scale, max(w, 0)*r.scale, max(h, 0)*r.scale)
	r.use(inkOf(class))
}

func (r *raster) path(x, y []float64, class string) {
	k := inkOf(class)
	k.fill = ""
	pen := false
	for i := range x {
		switch {
		case math.IsNaN(y[i]):
			pen = false
		case pen:
			r.c.LineTo(x[i]*r.scale, y[i]*r.scale)
		default:
			r.c.MoveTo(x[i]*r.scale, y[i]*r.scale)
			pen = true
		}
	}
	r.use(k)
}

func (r *raster) text(x, y float64, class, t string) {
	k := inkOf(class)
	r.c.SetFontFace(truetype.NewFace(r.fonts[k.bold], &truetype.Options{Size: k.size * r.scale}))
	r.c.SetColor(colour(k.fill, 0))
	r.c.DrawStringAnchored(t, x*r.scale, y*r.scale, k.anchor, 0)
}

// colour reads #rrggbb; an opacity of 0 is opaque.
func colour(hex string, opacity float64) color.Color {
	c := color.NRGBA{A: 255}
	fmt.Sscanf(hex, "#%02x%02x%02x", &c.R, &c.G, &c.B)
	if opacity > 0 {
		c.A = uint8(255*opacity + 0.5)
	}
	return c
}
