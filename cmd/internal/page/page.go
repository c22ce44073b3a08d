// Package page writes the review as single self-contained pages: nothing is
// loaded from anywhere, all text from a store is escaped, and a content policy
// in the page lets only its own scripts run.
package page

import (
	"bufio"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"strings"

	"joltwatch/cmd/internal/cli"
	"joltwatch/storage/review"
)

//go:embed *.tmpl page.css report.js vendored
var files embed.FS

// read returns an embedded file, which is there or the build is wrong.
func read(name string) string {
	b, err := files.ReadFile(name)
	if err != nil {
		panic(err)
	}
	return string(b)
}

// Policy is the content policy that allows exactly these scripts and this
// style.
func Policy(style string, scripts ...string) string {
	hash := func(text string) string {
		h := sha256.Sum256([]byte(text))
		return " 'sha256-" + base64.StdEncoding.EncodeToString(h[:]) + "'"
	}
	p := "default-src 'none'; base-uri 'none'; form-action 'none'; style-src" + hash(style)
	if len(scripts) > 0 {
		p += "; script-src"
		for _, s := range scripts {
			p += hash(s)
		}
	}
	return p
}

// head is what every page starts with.
type head struct {
	Title  string
	Policy string
	Style  template.CSS
	Units  review.Units
}

func newHead(title string, units review.Units, style string, scripts ...string) head {
	if units == "" {
		units = review.Metric
	}
	return head{Title: title, Policy: Policy(style, scripts...), Style: template.CSS(style), Units: units}
}

var templates = template.Must(template.New("").Funcs(template.FuncMap{
	"duration": review.DurationText,
	"percent":  review.Percent,
	"period":   review.Period,
	"kind":     review.KindWords,
	"share":    review.Share,
	"plural":   review.Plural,
	"capital":  review.Capital,
	"whyNote":  func() template.HTML { return review.WhyNote },
	"finding":  review.Finding,
	"role":     func(name string) string { return strings.ReplaceAll(name, "_", " ") },
	"measure": func(name string) string {
		words, unit := review.MeasureWords(name)
		if unit == "" {
			return words
		}
		return words + ", " + unit
	},
	"join": func(list []string) string { return strings.Join(list, ", ") },
}).ParseFS(files, "*.tmpl"))

// plain is what every page is written through, so that no text of a stay or a
// vehicle file reverses or hides what stands beside it.
func plain(w io.Writer) io.Writer { return &cli.PlainWriter{W: w} }

// plainJSON shows as a dot also the control characters that JSON has escaped.
func plainJSON(text []byte) string {
	var b strings.Builder
	for i := 0; i < len(text); i++ {
		switch {
		case text[i] != '\\':
			b.WriteByte(text[i])
			continue
		case text[i+1] == 'b' || text[i+1] == 'f' || text[i+1] == 'r':
			b.WriteString("·")
		case text[i+1] == 'u' && string(text[i+2:i+4]) == "00" && text[i+4] < '2':
			b.WriteString("·")
			i += 4
		default:
			b.Write(text[i : i+2])
		}
		i++
	}
	return b.String()
}

// script writes a script element of the page's own text.
func script(w io.Writer, text string) { fmt.Fprintf(w, "<script>%s</script>\n", text) }

// data writes a data block: a script element that is never run. The text must
// hold no '<'.
func data(w io.Writer, id, text string) {
	fmt.Fprintf(w, "<script type=\"text/plain\" id=\"%s\">%s</script>\n", id, text)
}

// Options of a report.
type Options struct {
	// Other is a second stay to show beside this one; nil for none.
	Other *review.Stay
	// FullBytes is how much of the page full traces may take; the most severe
	// events come first, the others have reduced traces only.
	FullBytes int
	// View is how the reader wants times and units.
	View View
	// Version is that of the program that writes the page.
	Version string
	// Progress is told of each stretch of evidence that was packed.
	Progress func(done, total int)
}

// Report writes the page of a stay.
func Report(w io.Writer, s *review.Stay, o Options) error {
	uplot, own := read("vendored/uPlot.iife.min.js"), read("report.js")
	style := read("vendored/uPlot.min.css") + read("page.css")
	r := newReport(s, o)
	r.Head = newHead("Stay: "+s.Title(), o.View.Units, style, uplot, own)
	packed, err := r.pack(s, o)
	if err != nil {
		return err
	}
	out := bufio.NewWriter(plain(w))
	if err := templates.ExecuteTemplate(out, "report.tmpl", r); err != nil {
		return err
	}
	index, err := json.Marshal(packed.index) // escapes <, > and &
	if err != nil {
		return err
	}
	data(out, "index", plainJSON(index))
	for i, x := range packed.stretches {
		data(out, fmt.Sprintf("reduced-%d", i), x.reduced)
		if x.full != "" {
			data(out, fmt.Sprintf("full-%d", i), x.full)
		}
	}
	script(out, uplot)
	script(out, own)
	fmt.Fprint(out, "</body>\n</html>\n")
	return out.Flush()
}
