package main

import (
	"cmp"
	"fmt"
	"io"

	"joltwatch/cmd/internal/cli"
	"joltwatch/storage/review"
)

// one prints a single event with its chain and its candidates.
func (c *eventsCmd) one(h *host, s *review.Stay, times review.Times) error {
	e, err := event(s, c.Event)
	if err != nil {
		return err
	}
	w := s.Why(e, c.Units)
	if c.JSON {
		l := cli.NewLines(h.stdout)
		l.Add(struct {
			eventJSON
			Why *review.Why `json:"why,omitempty"`
		}{eventObject(e), w})
		return cmp.Or(l.Err(), done(s))
	}
	if err := writeEvents(h.stdout, c.Units, times, []*review.Event{e}); err != nil {
		return err
	}
	for _, m := range e.Measures {
		fmt.Fprintf(h.stdout, "  %s\n", cli.Plain(c.Units.Measure(m)))
	}
	if w == nil {
		fmt.Fprintln(h.stdout, "\nAn ordinary one, or of a kind that has no candidates.")
		return done(s)
	}
	writeWhy(h.stdout, w, e)
	return done(s)
}

// writeWhy prints the chain and the candidates; instants are s from the event's
// start.
func writeWhy(out io.Writer, w *review.Why, e *review.Event) {
	if len(w.Links) > 0 {
		fmt.Fprintln(out, "\nWhere the time went (s, with what the samples allow):")
	}
	for i := range w.Links {
		l := &w.Links[i]
		fmt.Fprintf(out, "  %-28s %s", l.Name, l.Text())
		if l.Usual != "" {
			fmt.Fprintf(out, "; usual %s", l.Usual)
		}
		if l.Note != "" {
			fmt.Fprintf(out, "; %s", cli.Plain(l.Note))
		}
		fmt.Fprintln(out)
	}
	fmt.Fprintf(out, "\n%s.\n", wrapped(cli.Plain(review.Capital(w.Says)), 0, 78))
	for i := range w.Candidates {
		x := &w.Candidates[i]
		fmt.Fprintf(out, "\n%s\n", x.Title)
		writeFacts(out, "for", x.For, e)
		writeFacts(out, "against", x.Against, e)
		writeFacts(out, "missing", x.Missing, e)
	}
	fmt.Fprintf(out, "\n%s\n", wrapped(review.WhyNote, 0, 78))
}

func writeFacts(out io.Writer, head string, list []review.Fact, e *review.Event) {
	for _, x := range list {
		at := ""
		if x.Placed {
			at = fmt.Sprintf(" [%+.2f s]", (x.At - e.Start).Seconds())
		}
		fmt.Fprintf(out, "  %-8s %s\n", head, wrapped(cli.Plain(x.Text)+at, 11, 78))
	}
}
