package page

import (
	"bufio"
	"io"

	"joltwatch/storage/review"
)

type comparison struct {
	Head          head
	C             *review.Comparison
	Charts        []Chart
	Undrawn       string // the titles of the charts with nothing to show
	Method        string
	Caution       []string
	Version       string
	Before, After string // when the stays were
}

// Compare writes the page of a comparison.
func Compare(w io.Writer, c *review.Comparison, view View, version string) error {
	x := comparison{Head: newHead("Comparison: "+c.Before.Title()+" and "+c.After.Title(), view.Units, read("page.css")),
		C: c, Charts: charts(c.After, c.Before, view.Times), Method: review.MethodNote, Caution: review.Cautions, Version: version,
		Before: c.Before.Span(view.Times), After: c.After.Span(view.Times)}
	x.Charts, x.Undrawn = drawn(x.Charts)
	out := bufio.NewWriter(plain(w))
	if err := templates.ExecuteTemplate(out, "compare.tmpl", x); err != nil {
		return err
	}
	return out.Flush()
}
