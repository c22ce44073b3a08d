package review

import (
	"fmt"
	"slices"
	"strings"

	"joltwatch/bus"
	"joltwatch/detect"
)

// Why is what a finding out of the ordinary is consistent with: the links of what
// happened, one after the other, and for each candidate what was measured for and
// against it and what is missing. It is no verdict on a part, and holds no
// probability.
type Why struct {
	// Says is the table in a sentence.
	Says       string      `json:"says"`
	Links      []Link      `json:"links,omitempty"`
	Candidates []Candidate `json:"candidates"`
}

// WhyNote stands below every table of candidates.
const WhyNote = "Consistent with, never a verdict on a part: common practice, not a diagnosis. Pressure and stall tests, and any repair, follow the maker's instructions, local rules and licensed practice."

// Link is one step of a chain with the interval that the samples allow, in s.
type Link struct {
	Name        string     `json:"name"`
	MinS        float64    `json:"min_s"`
	MaxS        float64    `json:"max_s"`
	Usual       string     `json:"usual,omitempty"`
	Note        string     `json:"note,omitempty"`
	From, To    bus.Micros `json:"-"`
	Exceptional bool       `json:"exceptional,omitempty"`
}

// Text writes a link: "0.92 s (0.90 to 0.95)".
func (l *Link) Text() string {
	mid := (l.MinS + l.MaxS) / 2
	return fmt.Sprintf("%.2f s (%.2f to %.2f)", mid, l.MinS, l.MaxS)
}

// CandidateKey names a candidate to programs.
type CandidateKey string

// The candidates.
const (
	WhyPlates   CandidateKey = "plates"
	WhyOil      CandidateKey = "oil"
	WhyValve    CandidateKey = "valve"
	WhyCommand  CandidateKey = "command"
	WhyIdle     CandidateKey = "idle"
	WhyOneWay   CandidateKey = "one-way"
	WhyLining   CandidateKey = "lining"
	WhyGearset  CandidateKey = "gearset"
	WhyArtefact CandidateKey = "artefact"
)

// candidateTitles say what each is, as a technician says it.
var candidateTitles = map[CandidateKey]string{
	WhyPlates:   "the plates stay together after the oil is gone",
	WhyOil:      "the oil leaves slowly",
	WhyValve:    "a valve or solenoid moves late",
	WhyCommand:  "the command comes late: control, or a signal that it waits for",
	WhyIdle:     "the engine stops by itself: idle control, fuel, air",
	WhyOneWay:   "the converter's one-way clutch",
	WhyLining:   "the converter clutch cannot carry the torque at the pressure it is given",
	WhyGearset:  "the gearset's own clutches slip, not the converter",
	WhyArtefact: "bus or sensor: a signal that does not show what is",
}

// Candidate is one possibility with its facts.
type Candidate struct {
	Key     CandidateKey `json:"key"`
	Title   string       `json:"title"`
	For     []Fact       `json:"for"`
	Against []Fact       `json:"against"`
	Missing []Fact       `json:"missing"`
}

// Fact is something measured, or missing, with its instant where it has one.
type Fact struct {
	Text   string     `json:"text"`
	At     bus.Micros `json:"-"`
	Placed bool       `json:"-"`
}

// Named reports whether something measured speaks for the candidate and nothing
// against it.
func (c *Candidate) Named() bool { return len(c.For) > 0 && len(c.Against) == 0 }

func (c *Candidate) rank() int { return 2*(len(c.For)-len(c.Against)) - len(c.Missing)/2 }

// whyBuilder fills a table for one finding.
type whyBuilder struct {
	f *detect.Finding
	u Units
	w Why
}

// WhyOf returns the table of a finding; nil where it is ordinary or of a kind that
// has none.
func WhyOf(f *detect.Finding, u Units) *Why {
	if detect.Ordinary(f.Kind, f.Class) {
		return nil
	}
	b := &whyBuilder{f: f, u: u}
	switch f.Kind {
	case detect.KindReleaseLag:
		b.release()
	case detect.KindEngineDied:
		b.died()
	case detect.KindHillSlip:
		b.slip()
	case detect.KindGearsetSlip:
		b.gearset()
	case detect.KindApply:
		b.apply()
	default:
		return nil
	}
	b.settle()
	return &b.w
}

// Why returns the table of an event of the stay; nil where there is none.
func (s *Stay) Why(e *Event, u Units) *Why {
	w := WhyOf(&e.Finding, u)
	if w == nil {
		return nil
	}
	for _, kind := range []string{detect.KindJolt, detect.KindEngineDied} {
		if x := s.beside(e, kind); x != nil {
			w.felt(e, x, u)
		}
	}
	return w
}

// beside is the first event of a kind while another lasts or within a second of it;
// nil where there is none.
func (s *Stay) beside(e *Event, kind string) *Event {
	for i := range s.Events {
		x := &s.Events[i]
		if x.Kind == kind && x.Boot == e.Boot && x.Start >= e.Start-bus.Second && x.Start <= e.End+bus.Second {
			return x
		}
	}
	return nil
}

// felt adds to a chain what the driver feels of it: the body's jerk, or that the
// engine stops.
func (w *Why) felt(e, x *Event, u Units) {
	parted, ok := (&whyBuilder{f: &e.Finding}).instant(detect.InstantParted)
	if !ok {
		return
	}
	at := detect.Instant{At: x.Start, Early: x.Start, Late: max(x.Start, x.End)}
	note := "the body's jerk"
	if x.Kind == detect.KindEngineDied {
		note = "the engine stopped"
	} else if m, ok := Main(&x.Finding); ok {
		note += ", " + u.Measure(m)
	}
	low, _, high := span(parted, at)
	w.Links = append(w.Links, Link{Name: feltLink, MinS: low, MaxS: high, Note: note, From: parted.At, To: x.Start})
}

const feltLink = "plates apart to felt"

// add starts candidates.
func (b *whyBuilder) add(keys ...CandidateKey) {
	for _, k := range keys {
		b.w.Candidates = append(b.w.Candidates, Candidate{Key: k, Title: candidateTitles[k]})
	}
}

// of is a candidate, started where it was not yet.
func (b *whyBuilder) of(k CandidateKey) *Candidate {
	i := slices.IndexFunc(b.w.Candidates, func(c Candidate) bool { return c.Key == k })
	if i < 0 {
		b.add(k)
		i = len(b.w.Candidates) - 1
	}
	return &b.w.Candidates[i]
}

// pro, con and lack put a fact to candidates; name is that of the instant at which
// it is seen, empty where it is from the finding's beginning on.
func (b *whyBuilder) pro(text, name string, keys ...CandidateKey) {
	for _, k := range keys {
		c := b.of(k)
		c.For = append(c.For, b.fact(text, name))
	}
}

func (b *whyBuilder) con(text, name string, keys ...CandidateKey) {
	for _, k := range keys {
		c := b.of(k)
		c.Against = append(c.Against, b.fact(text, name))
	}
}

func (b *whyBuilder) lack(text string, keys ...CandidateKey) {
	for _, k := range keys {
		c := b.of(k)
		c.Missing = append(c.Missing, Fact{Text: text})
	}
}

func (b *whyBuilder) fact(text, name string) Fact {
	if name == "" {
		return Fact{text, b.f.Start, true}
	}
	if x, ok := b.instant(name); ok {
		return Fact{text, x.At, true}
	}
	return Fact{Text: text}
}

func (b *whyBuilder) instant(name string) (detect.Instant, bool) {
	i := slices.IndexFunc(b.f.Instants, func(x detect.Instant) bool { return name != "" && x.Name == name })
	if i < 0 {
		return detect.Instant{}, false
	}
	return b.f.Instants[i], true
}

// get returns a measure and whether it is there.
func (b *whyBuilder) get(name string) (float64, bool) { return b.f.Get(name) }

func (b *whyBuilder) lacks(role string) bool { return slices.Contains(b.f.MissingInputs, role) }

// span is the time between two instants with what the samples allow, in s.
func span(from, to detect.Instant) (low, mid, high float64) {
	low = max(0, (to.Early - from.Late).Seconds())
	high = max(low, (to.Late - from.Early).Seconds())
	return low, min(max((to.At-from.At).Seconds(), low), high), high
}

// settle puts the candidates in order and the table in a sentence.
func (b *whyBuilder) settle() {
	w := &b.w
	slices.SortStableFunc(w.Candidates, func(x, y Candidate) int { return y.rank() - x.rank() })
	var named, open []string
	for i := range w.Candidates {
		c := &w.Candidates[i]
		switch {
		case c.Named():
			named = append(named, c.Title)
		case len(c.Against) == 0:
			open = append(open, c.Title)
		}
		for _, list := range []*[]Fact{&c.For, &c.Against, &c.Missing} {
			if *list == nil {
				*list = []Fact{}
			}
		}
	}
	switch {
	case len(named) > 0:
		w.Says = "consistent with: " + strings.Join(named, "; or ")
	case len(open) > 0:
		w.Says = "not to be told apart: " + strings.Join(open, "; ")
	default:
		w.Says = "what was measured speaks against each of the usual candidates: read the traces"
	}
}
