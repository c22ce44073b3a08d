package main

import (
	"fmt"
	"io"
	"math"
	"text/tabwriter"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/internal/page"
	"joltwatch/storage/review"
	"joltwatch/storage/review/stats"
)

type compareCmd struct {
	viewArgs
	Before string `arg:"" help:"The store of the first stay." placeholder:"BEFORE"`
	After  string `arg:"" help:"The store of the second stay." placeholder:"AFTER"`
	Page   string `placeholder:"FILE.html" help:"Write the comparison as a page too; - for standard output, in place of the tables."`
	JSON   bool   `name:"json" help:"One JSON object a line: share, rate and measure objects, the verdict, then cautions."`
}

// Help implements kong's long help.
func (compareCmd) Help() string {
	return `Sets rates and distributions of two stays side by side, with exact intervals and
an effect size, and says so where the data are too few. Example:
  joltbench compare before-repair after-repair --page compare.html`
}

// Run compares.
func (c *compareCmd) Run(h *host) error {
	times, err := c.times()
	if err != nil {
		return err
	}
	before, err := openStay(h, c.Before)
	if err != nil {
		return err
	}
	after, err := openStay(h, c.After)
	if err != nil {
		return err
	}
	x := review.Compare(before, after)
	if c.Page != "" {
		if err := cli.WriteFile(h.stdout, c.Page, func(w io.Writer) error {
			return page.Compare(w, x, page.View{Units: c.Units, Times: times}, cli.Release())
		}); err != nil {
			return err
		}
	}
	switch {
	case c.JSON && c.Page != "-":
		err = compareJSON(h.stdout, x)
	case c.Page != "-":
		err = compareText(h.stdout, x, times)
	}
	if err != nil {
		return err
	}
	return done(before, after)
}

func compareText(out io.Writer, x *review.Comparison, zone review.Times) error {
	fmt.Fprintf(out, "before  %s, %s\nafter   %s, %s\n", cli.Plain(x.Before.Title()), x.Before.Span(zone), cli.Plain(x.After.Title()), x.After.Span(zone))
	fmt.Fprintf(out, "\n%s\n", x.Sentence())
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\nPer observed opportunity\tbefore\tafter\tp\t")
	for _, s := range x.Shares {
		fmt.Fprintf(w, "  %s\t%d of %d (%s … %s)\t%d of %d (%s … %s)\t%.3g\t%s\n", cli.Plain(review.KindWords(s.Kind)),
			s.Before.Hits, s.Before.Observable, review.Share(s.Before.Share.Low), review.Share(s.Before.Share.High),
			s.After.Hits, s.After.Observable, review.Share(s.After.Share.Low), review.Share(s.After.Share.High), s.P, s.Says)
	}
	w.Flush()
	fmt.Fprintln(w, "\nPer hour of moving\tbefore\tafter\tafter/before\t")
	for _, r := range x.Rates {
		ratio := "–"
		if r.HasRatio {
			ratio = fmt.Sprintf("%s (%.2f … %s)", times(r.Ratio.Estimate), r.Ratio.Low, times(r.Ratio.High))
		}
		fmt.Fprintf(w, "  %s %s\t%d: %.2f (%.2f … %.2f)\t%d: %.2f (%.2f … %.2f)\t%s\t%s\n", cli.Plain(review.KindWords(r.Kind)), cli.Plain(r.Class.String()),
			r.Before.Count, r.Before.Rate.Estimate, r.Before.Rate.Low, r.Before.Rate.High,
			r.After.Count, r.After.Rate.Estimate, r.After.Rate.Low, r.After.Rate.High, ratio, r.Says)
	}
	w.Flush()
	fmt.Fprintln(w, "\nHow much\tvalues\tmedians\tdifference\tCliff's delta\t")
	for _, m := range x.Measures {
		words, unit := review.MeasureWords(m.Measure)
		fmt.Fprintf(w, "  %s: %s\t%d, %d\t", cli.Plain(review.KindWords(m.Kind)), cli.Plain(words), m.N1, m.N2)
		if m.N1 == 0 || m.N2 == 0 {
			fmt.Fprintf(w, "–\t–\t–\t%s\n", m.Says)
			continue
		}
		d := m.Shift.Delta
		fmt.Fprintf(w, "%.3g, %.3g %s\t%+.3g %s\t%.2f (%.2f … %.2f)\t%s\n", m.Shift.Median1, m.Shift.Median2, unit, m.Shift.Difference, unit, d.Estimate, d.Low, d.High, m.Says)
	}
	w.Flush()
	fmt.Fprintln(out, "\n"+review.MethodNote)
	for _, c := range x.Cautions {
		fmt.Fprintln(out, "- "+cli.Plain(c))
	}
	return nil
}

// times writes a ratio; over none at all it has no bound.
func times(v float64) string {
	if math.IsInf(v, 0) {
		return "∞"
	}
	return fmt.Sprintf("%.2f", v)
}

// bounds is an interval in JSON; what is not finite is null.
type bounds struct {
	Estimate *float64 `json:"estimate"`
	Low      *float64 `json:"low"`
	High     *float64 `json:"high"`
}

func newBounds(i stats.Interval) bounds {
	return bounds{cli.Finite(i.Estimate), cli.Finite(i.Low), cli.Finite(i.High)}
}

func compareJSON(out io.Writer, x *review.Comparison) error {
	l := cli.NewLines(out)
	type side struct {
		Count uint64  `json:"count"`
		Of    float64 `json:"of"`
		bounds
	}
	type object struct {
		About   string  `json:"about"`
		Kind    string  `json:"kind"`
		Class   *string `json:"class,omitempty"`
		Unit    string  `json:"unit"`
		Before  side    `json:"before"`
		After   side    `json:"after"`
		Ratio   *bounds `json:"ratio,omitempty"`
		P       float64 `json:"p,omitempty"`
		Verdict string  `json:"verdict"`
	}
	for _, s := range x.Shares {
		o := object{About: "share", Kind: s.Kind, Unit: "per observed opportunity", P: s.P, Verdict: s.Says,
			Before: side{s.Before.Hits, float64(s.Before.Observable), newBounds(s.Before.Share)},
			After:  side{s.After.Hits, float64(s.After.Observable), newBounds(s.After.Share)}}
		l.Add(o)
	}
	for _, r := range x.Rates {
		class := r.Class.String()
		o := object{About: "rate", Kind: r.Kind, Class: &class, Unit: "per hour moving", Verdict: r.Says,
			Before: side{uint64(r.Before.Count), r.Before.Hours, newBounds(r.Before.Rate)},
			After:  side{uint64(r.After.Count), r.After.Hours, newBounds(r.After.Rate)}}
		if r.HasRatio {
			b := newBounds(r.Ratio)
			o.Ratio = &b
		}
		l.Add(o)
	}
	for _, m := range x.Measures {
		o := struct {
			About        string   `json:"about"`
			Kind         string   `json:"kind"`
			Measure      string   `json:"measure"`
			NBefore      int      `json:"n_before"`
			NAfter       int      `json:"n_after"`
			MedianBefore *float64 `json:"median_before"`
			MedianAfter  *float64 `json:"median_after"`
			Difference   *float64 `json:"difference"`
			Delta        *bounds  `json:"cliffs_delta"`
			Enough       bool     `json:"enough"`
			Verdict      string   `json:"verdict"`
		}{About: "measure", Kind: m.Kind, Measure: m.Measure, NBefore: m.N1, NAfter: m.N2, Enough: m.Shift.Enough, Verdict: m.Says}
		if m.N1 > 0 && m.N2 > 0 {
			b := newBounds(m.Shift.Delta)
			o.MedianBefore, o.MedianAfter, o.Difference, o.Delta = &m.Shift.Median1, &m.Shift.Median2, &m.Shift.Difference, &b
		}
		l.Add(o)
	}
	l.Add(struct {
		About string `json:"about"`
		Says  string `json:"says"`
	}{"verdict", x.Sentence()})
	l.Add(struct {
		About    string   `json:"about"`
		Cautions []string `json:"cautions"`
	}{"cautions", x.Cautions})
	return l.Err()
}
