package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/detect"
	"joltwatch/storage/review"
)

type eventsCmd struct {
	storeArg
	viewArgs
	Kind  string `help:"Only this kind (release-lag, hill-slip, …)."`
	Class string `help:"Only this class (late, unasked, …)."`
	Event int    `placeholder:"N" help:"One event: where its time went, link by link, and what was measured for and against each candidate."`
	All   bool   `help:"Ordinary ones too, each on its line."`
	Sort  string `enum:"time,severity" default:"severity" help:"Order: ${enum}."`
	JSON  bool   `name:"json" help:"One JSON object a line, ordinary ones too."`
}

// Help implements kong's long help.
func (eventsCmd) Help() string {
	return `What is out of the ordinary, the worst first, a line each; the ordinary ones are
counted, and listed with --all, --kind or --class. Examples:
  joltbench events my-stay
  joltbench events my-stay --event 17
  joltbench events my-stay --kind release-lag --sort time
  joltbench events my-stay --json | jq 'select(.class=="late")'`
}

// Run lists the events.
func (c *eventsCmd) Run(h *host) error {
	times, err := c.times()
	if err != nil {
		return err
	}
	if err := c.complete(); err != nil {
		return err
	}
	s, err := c.open(h)
	if err != nil {
		return err
	}
	if c.Event != 0 {
		return c.one(h, s, times)
	}
	var list []*review.Event
	for _, e := range c.sorted(s) {
		if (c.Kind == "" || e.Kind == c.Kind) && (c.Class == "" || e.Class.String() == c.Class) {
			list = append(list, e)
		}
	}
	if c.JSON {
		l := cli.NewLines(h.stdout)
		for _, e := range list {
			l.Add(eventObject(e))
		}
		return cmp.Or(l.Err(), done(s))
	}
	if len(list) == 0 {
		fmt.Fprintln(h.stdout, "No events. joltbench summary says how sure that is.")
		return done(s)
	}
	if err := c.write(h.stdout, s, times, list); err != nil {
		return err
	}
	return done(s)
}

// complete takes the names of kinds and classes as tables and pages show them, and
// the beginnings of one.
func (c *eventsCmd) complete() (err error) {
	var kinds, classes []string
	c.spelled()
	for _, s := range detect.All {
		kinds = append(kinds, s.Kind)
		for _, x := range s.Classes() {
			if x.String() != "" && !slices.Contains(classes, x.String()) {
				classes = append(classes, x.String())
			}
		}
	}
	if c.Kind, err = completed("--kind", c.Kind, kinds); err == nil {
		c.Class, err = completed("--class", c.Class, classes)
	}
	return err
}

// spelled takes the words of tables and pages: "clutch release" is a kind,
// "dragging release" a kind and its class.
func (c *eventsCmd) spelled() {
	for _, s := range detect.All {
		if plain(c.Kind) == plain(review.KindWords(s.Kind)) {
			c.Kind = s.Kind
		}
		for _, x := range s.Classes() {
			switch plain(review.Finding(s.Kind, x)) {
			case plain(c.Kind):
				c.Kind, c.Class = s.Kind, cmp.Or(c.Class, x.String())
			case plain(c.Class):
				c.Kind, c.Class = cmp.Or(c.Kind, s.Kind), x.String()
			}
		}
	}
}

// plain is a name without what people write in different ways.
func plain(s string) string {
	return strings.NewReplacer(" ", "-", "_", "-").Replace(strings.ToLower(s))
}

// completed returns the one of names that text is, or begins, whatever stands
// between its words.
func completed(option, text string, names []string) (string, error) {
	var fits []string
	for _, n := range names {
		if text == "" {
			return "", nil
		}
		if plain(text) == plain(n) {
			return n, nil
		}
		if strings.HasPrefix(plain(n), plain(text)) {
			fits = append(fits, n)
		}
	}
	if len(fits) != 1 {
		return "", cli.Usage(fmt.Sprintf("%s %s: expected one of %s", option, text, strings.Join(names, ", ")))
	}
	return fits[0], nil
}

func (c *eventsCmd) sorted(s *review.Stay) []*review.Event {
	if c.Sort == "severity" {
		return s.Worst()
	}
	list := make([]*review.Event, len(s.Events))
	for i := range s.Events {
		list[i] = &s.Events[i]
	}
	return list
}

// write prints what is out of the ordinary, and the rest as counts unless it
// was asked for.
func (c *eventsCmd) write(out io.Writer, s *review.Stay, times review.Times, list []*review.Event) error {
	shown := list
	if !c.All && c.Kind == "" && c.Class == "" {
		shown = slices.DeleteFunc(slices.Clone(list), func(e *review.Event) bool { return !e.Strange() })
	}
	if len(shown) == 0 {
		fmt.Fprintln(out, "Nothing out of the ordinary. joltbench summary says how sure that is.")
	} else if err := writeEvents(out, c.Units, times, shown); err != nil {
		return err
	}
	if len(shown) < len(list) {
		fmt.Fprintf(out, "\n%d ordinary: %s (--all lists them)\n", len(list)-len(shown), wrapped(cli.Plain(s.OrdinaryCounts()), 0, 200))
	}
	return nil
}

func writeEvents(out io.Writer, u review.Units, times review.Times, list []*review.Event) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	start := "start"
	if len(list) > 0 {
		start += " (" + times.Name(list[0].Clock, list[0].Start) + ")"
	}
	fmt.Fprintf(w, "no.\t%s\tdrive\twhat\thow much\tgear\tspeed\tfluid\n", start)
	for _, e := range list {
		x := e.Context
		fmt.Fprintf(w, "%d\t%s\t%d\t%s\t%s\t%s\t%s\t%s\n", e.Number, times.When(e.Clock, e.Start), e.Drive,
			cli.Plain(review.Finding(e.Kind, e.Class)), cli.Plain(measureText(u, e, 3)), review.GearText(x.Gear),
			u.Optional(x.SpeedKmh, "km/h"), u.Optional(x.FluidTemperatureC, "°C"))
	}
	return w.Flush()
}

// measureText writes the first few measures with their units, the chief one
// first.
func measureText(u review.Units, e *review.Event, most int) string {
	var parts []string
	chief, ok := review.Main(&e.Finding)
	if ok {
		parts = append(parts, u.Measure(chief))
	}
	for _, m := range e.Measures {
		if len(parts) == most {
			break
		}
		if m != chief {
			parts = append(parts, u.Measure(m))
		}
	}
	return strings.Join(parts, ", ")
}

// measures keeps the order of the finding in JSON.
type measures []detect.Measure

// MarshalJSON implements json.Marshaler.
func (m measures) MarshalJSON() ([]byte, error) {
	b := []byte{'{'}
	for i, x := range m {
		if i > 0 {
			b = append(b, ',')
		}
		name, err := json.Marshal(x.Name)
		if err != nil {
			return nil, err
		}
		value, err := json.Marshal(x.Value)
		if err != nil {
			value = []byte("null") // not a number
		}
		b = append(append(append(b, name...), ':'), value...)
	}
	return append(b, '}'), nil
}

type eventJSON struct {
	Number        int                 `json:"number"`
	ID            string              `json:"id"`
	Kind          string              `json:"kind"`
	Class         string              `json:"class"`
	Start         any                 `json:"start"`
	End           any                 `json:"end"`
	Drive         int                 `json:"drive"`
	Boot          uint32              `json:"boot"`
	Severity      float64             `json:"severity"`
	Measures      measures            `json:"measures"`
	Instants      []instantJSON       `json:"instants"`
	MissingInputs []string            `json:"missing_inputs"`
	Context       detect.Context      `json:"context"`
	Percentiles   []detect.Percentile `json:"percentiles"`
	Evidence      bool                `json:"evidence"`
}

type instantJSON struct {
	Name  string `json:"name"`
	At    any    `json:"at"`
	Early any    `json:"early"`
	Late  any    `json:"late"`
}

func eventObject(e *review.Event) eventJSON {
	when := func(at bus.Micros) any { return review.When(e.Clock, at) }
	o := eventJSON{Number: e.Number, ID: e.ID, Kind: e.Kind, Class: e.Class.String(), Start: when(e.Start), End: when(e.End),
		Drive: e.Drive, Boot: e.Boot, Severity: e.Severity, Measures: e.Measures, Instants: []instantJSON{},
		MissingInputs: e.MissingInputs, Context: e.Context, Percentiles: e.Percentiles, Evidence: e.HasEvidence()}
	for _, i := range e.Instants {
		o.Instants = append(o.Instants, instantJSON{i.Name, when(i.At), when(i.Early), when(i.Late)})
	}
	if o.MissingInputs == nil {
		o.MissingInputs = []string{}
	}
	if o.Percentiles == nil {
		o.Percentiles = []detect.Percentile{}
	}
	return o
}
