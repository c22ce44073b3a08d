package page

import (
	"math"

	"joltwatch/bus"
	"joltwatch/storage/review"
)

// whyBlock is the chain and the candidates of one event, in both systems of units.
type whyBlock struct {
	Number int
	What   string
	When   string
	Says   dual
	Links  []whyLink
	Rows   []whyRow
}

type whyLink struct {
	Name, Text, Usual string
	Note              dual
	Exceptional       bool
	From, To          place
}

type whyRow struct {
	Title                 string
	Named                 bool
	For, Against, Missing []whyFact
}

type whyFact struct {
	Text dual
	At   place
}

// place is an instant in the traces, in s from the start of their stretch.
type place struct {
	Known bool
	S     float64
}

// mostWhys is how many events have their candidates in the page, the worst first.
const mostWhys = 100

// why words the table of an event; sec gives an instant its place, nil where no
// traces are in the page.
func why(s *review.Stay, e *eventRow, sec func(bus.Micros) float64) (whyBlock, bool) {
	m, u := s.Why(e.Event, review.Metric), s.Why(e.Event, review.US)
	if m == nil {
		return whyBlock{}, false
	}
	at := func(known bool, x bus.Micros) place {
		if !known || sec == nil {
			return place{}
		}
		return place{true, math.Round(sec(x)*1e3) / 1e3}
	}
	facts := func(m, u []review.Fact) []whyFact {
		var list []whyFact
		for i := range m {
			list = append(list, whyFact{dual{m[i].Text, u[i].Text}, at(m[i].Placed, m[i].At)})
		}
		return list
	}
	b := whyBlock{Number: e.Number, What: e.What, When: e.When, Says: dual{m.Says, u.Says}}
	for i := range m.Links {
		l := &m.Links[i]
		b.Links = append(b.Links, whyLink{l.Name, l.Text(), l.Usual, dual{l.Note, u.Links[i].Note}, l.Exceptional, at(true, l.From), at(true, l.To)})
	}
	for i := range m.Candidates {
		x, y := &m.Candidates[i], &u.Candidates[i]
		b.Rows = append(b.Rows, whyRow{x.Title, x.Named(), facts(x.For, y.For), facts(x.Against, y.Against), facts(x.Missing, y.Missing)})
	}
	return b, true
}
