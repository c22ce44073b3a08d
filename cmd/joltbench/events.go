package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/detect"
	"joltwatch/storage/review"
)

type eventsCmd struct {
	storeArg
	Kind  string `help:"Only this kind (release-lag, hill-slip, …)."`
	Class string `help:"Only this class (late, unasked, …)."`
	Sort  string `enum:"time,severity" default:"time" help:"Order: ${enum}."`
	JSON  bool   `name:"json" help:"One JSON object a line."`
}

// Help implements kong's long help.
func (eventsCmd) Help() string {
	return `Each line is one event. Times are UTC where the unit knew the time, else seconds
from the start of the recording. Examples:
  joltbench events my-stay --kind release-lag --sort severity
  joltbench events my-stay --json | jq 'select(.class=="late")'`
}

// Run lists the events.
func (c *eventsCmd) Run(h *host) error {
	s, err := c.open(h)
	if err != nil {
		return err
	}
	var list []*review.Event
	all := s.Worst()
	if c.Sort == "time" {
		all = all[:0]
		for i := range s.Events {
			all = append(all, &s.Events[i])
		}
	}
	for _, e := range all {
		if (c.Kind == "" || e.Kind == c.Kind) && (c.Class == "" || e.Class == c.Class) {
			list = append(list, e)
		}
	}
	if c.JSON {
		enc := json.NewEncoder(h.stdout)
		enc.SetEscapeHTML(false)
		for _, e := range list {
			if err := enc.Encode(eventObject(e)); err != nil {
				return err
			}
		}
		return done(s)
	}
	if len(list) == 0 {
		fmt.Fprintln(h.stdout, "No events. joltbench summary says how sure that is.")
		return done(s)
	}
	if err := writeEvents(h.stdout, list); err != nil {
		return err
	}
	return done(s)
}

func writeEvents(out io.Writer, list []*review.Event) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "no.\tstart\tdrive\tkind\tclass\tmeasures\tgear\tspeed\tfluid\tmissing inputs")
	for _, e := range list {
		x := e.Context
		fmt.Fprintf(w, "%d\t%s\t%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", e.Number, review.WhenText(e.Clock, e.Start), e.Drive,
			cli.Plain(e.Kind), cli.Plain(e.Class), cli.Plain(measureText(e.Measures, 3)), review.GearText(x.Gear), optional(x.SpeedKmh, "km/h"),
			optional(x.FluidTemperatureC, "°C"), cli.Plain(strings.Join(e.MissingInputs, ", ")))
	}
	return w.Flush()
}

// measureText writes the first few measures with their units.
func measureText(list []detect.Measure, most int) string {
	var parts []string
	for i, m := range list {
		if i == most {
			break
		}
		words, unit := review.MeasureWords(m.Name)
		parts = append(parts, strings.TrimSpace(words+" "+review.Digits(m.Value, unit)+" "+unit))
	}
	return strings.Join(parts, ", ")
}

func optional(v *float64, unit string) string {
	if v == nil {
		return "–"
	}
	return review.Digits(*v, unit) + " " + unit
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
	o := eventJSON{Number: e.Number, ID: e.ID, Kind: e.Kind, Class: e.Class, Start: when(e.Start), End: when(e.End),
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
