// Package export writes what is in a stay for other tools: tables as CSV or
// Parquet, and raw frames as a text log.
package export

import (
	"fmt"
	"math"
	"strings"
	"time"

	"joltwatch/bus"
	"joltwatch/storage/review"
	"joltwatch/stream"
)

// Type is that of a column.
type Type uint8

const (
	Int Type = iota
	Float
	Text
	Time // microseconds UTC
)

// Column is one column of a Table. The unit is empty where the value has none.
type Column struct {
	Name string
	Unit string
	Type Type
}

// Table is what is exported: columns, and rows one at a time. A cell is nil,
// int64, float64, string or time.Time, as its column says.
type Table struct {
	Name    string
	Columns []Column
	// Rows calls yield for each row, in order; the row is valid during the
	// call only.
	Rows func(yield func(row []any) error) error
}

// Events is one row an event, with a column for each measure that any of them
// has.
func Events(s *review.Stay) *Table {
	t := &Table{Name: "events", Columns: []Column{
		{"event", "", Int}, {"id", "", Text}, {"kind", "", Text}, {"class", "", Text}, {"run", "", Int}, {"drive", "", Int},
		{"start_us", "µs", Int}, {"end_us", "µs", Int}, {"start_time", "", Time}, {"end_time", "", Time}, {"severity", "", Float},
		{"gear", "", Float}, {"speed_kmh", "km/h", Float}, {"fluid_temperature_c", "°C", Float}, {"accelerator_percent", "%", Float},
		{"since_engine_start_s", "s", Float}, {"missing_inputs", "", Text},
	}}
	at := map[string]int{}
	taken := map[string]bool{}
	for _, c := range t.Columns {
		taken[c.Name] = true
	}
	for i := range s.Events {
		for _, m := range s.Events[i].Measures {
			if _, ok := at[m.Name]; ok {
				continue
			}
			at[m.Name] = len(t.Columns)
			_, unit := review.MeasureWords(m.Name)
			name := m.Name
			for taken[name] {
				name = "measured_" + name
			}
			taken[name] = true
			t.Columns = append(t.Columns, Column{name, unit, Float})
		}
	}
	t.Rows = func(yield func([]any) error) error {
		for i := range s.Events {
			e := &s.Events[i]
			row := make([]any, len(t.Columns))
			copy(row, []any{int64(e.Number), e.ID, e.Kind, e.Class.String(), int64(e.Boot), int64(e.Drive), int64(e.Start), int64(e.End),
				when(e.Clock, e.Start), when(e.Clock, e.End), number(e.Severity), optional(e.Context.Gear), optional(e.Context.SpeedKmh),
				optional(e.Context.FluidTemperatureC), optional(e.Context.AcceleratorPct), number(e.Context.SinceStartS), strings.Join(e.MissingInputs, "; ")})
			for _, m := range e.Measures {
				row[at[m.Name]] = number(m.Value)
			}
			if err := yield(row); err != nil {
				return err
			}
		}
		return nil
	}
	return t
}

// Drives is one row a drive.
func Drives(s *review.Stay) *Table {
	t := &Table{Name: "drives", Columns: []Column{
		{"drive", "", Int}, {"run", "", Int}, {"start_us", "µs", Int}, {"end_us", "µs", Int}, {"start_time", "", Time}, {"end_time", "", Time},
		{"engine_on_s", "s", Float}, {"moving_s", "s", Float}, {"closed_s", "s", Float}, {"partial_s", "s", Float}, {"coast_s", "s", Float},
		{"open_s", "s", Float}, {"unknown_s", "s", Float}, {"stops", "", Int}, {"stops_observed", "", Int},
		{"frames", "", Int}, {"bad_lines", "", Int}, {"dropped", "", Int}, {"error_frames", "", Int},
	}}
	t.Rows = func(yield func([]any) error) error {
		for i := range s.Drives {
			d := &s.Drives[i]
			a := &d.Account
			err := yield([]any{int64(d.Number), int64(d.Boot), int64(a.Start), int64(a.End), when(d.Clock, a.Start), when(d.Clock, a.End),
				number(a.EngineOnS), number(a.MovingS), number(a.ClosedS), number(a.PartialS), number(a.CoastS), number(a.OpenS), number(a.UnknownS),
				int64(a.Stops), int64(a.StopsObserved), int64(a.Frames), int64(a.BadLines), int64(a.Dropped), int64(a.Errors)})
			if err != nil {
				return err
			}
		}
		return nil
	}
	return t
}

// Samples is one row for each instant at which a mapped signal arrived in the
// stretches given, with a column for each role, empty where none arrived or
// the bus said "not available".
func Samples(s *review.Stay, stretches []review.Stretch, progress func(done, total int)) *Table {
	return traces("samples", s, stretches, progress, false)
}

// Rows is one row for each common instant of the stretches given: the roles
// aligned in time and slip, empty where unknown.
func Rows(s *review.Stay, stretches []review.Stretch, progress func(done, total int)) *Table {
	return traces("rows", s, stretches, progress, true)
}

func traces(name string, s *review.Stay, stretches []review.Stretch, progress func(done, total int), aligned bool) *Table {
	t := &Table{Name: name, Columns: []Column{{"run", "", Int}, {"at_us", "µs", Int}, {"time", "", Time}}}
	first := len(t.Columns)
	for r := range stream.NumRoles {
		t.Columns = append(t.Columns, Column{r.String(), r.Unit(), Float})
	}
	if aligned {
		t.Columns = append(t.Columns, Column{review.Slip, "rpm", Float})
	}
	t.Rows = func(yield func([]any) error) error {
		for i, x := range stretches {
			if progress != nil {
				progress(i, len(stretches))
			}
			plan := s.PlanOf(x.Boot)
			if plan == nil {
				return review.ErrNoPlan
			}
			frames, err := s.Frames(x.Boot, x.From, x.To)
			if err != nil && len(frames) == 0 {
				return err
			}
			st, err := stream.New(plan)
			if err != nil {
				return err
			}
			w := &sink{stretch: x, columns: len(t.Columns), first: first, aligned: aligned, yield: yield}
			for j := range frames {
				st.Push(&frames[j], w)
			}
			st.Flush(w)
			w.flush()
			if w.err != nil {
				return w.err
			}
		}
		return nil
	}
	return t
}

// sink turns what a stream makes into rows of a table.
type sink struct {
	stretch review.Stretch
	columns int
	first   int
	aligned bool
	row     []any
	at      bus.Micros
	yield   func([]any) error
	err     error
}

// Frame implements stream.Sink.
func (w *sink) Frame(*bus.Frame) {}

// Samples implements stream.Sink.
func (w *sink) Samples(of []stream.Sample) {
	if w.aligned {
		return
	}
	at := of[0].At
	if w.row != nil && w.at != at {
		w.flush()
	}
	if w.row == nil {
		w.start(at)
	}
	for i := range of {
		if x := &of[i]; x.OK {
			w.row[w.first+int(x.Role)] = number(x.Value)
		}
	}
}

// Row implements stream.Sink.
func (w *sink) Row(r *stream.Row) {
	if !w.aligned {
		return
	}
	w.start(r.At)
	for x := range stream.NumRoles {
		if r.Has(x) {
			w.row[w.first+int(x)] = interpolated(r.V[x])
		}
	}
	if r.Has(stream.EngineSpeed, stream.TurbineSpeed) {
		w.row[w.first+int(stream.NumRoles)] = interpolated(r.V[stream.EngineSpeed] - r.V[stream.TurbineSpeed])
	}
	w.flush()
}

func (w *sink) start(at bus.Micros) {
	w.at = at
	w.row = make([]any, w.columns)
	w.row[0], w.row[1], w.row[2] = int64(w.stretch.Boot), int64(at), when(w.stretch.Clock, at)
}

func (w *sink) flush() {
	if w.row != nil && w.err == nil {
		w.err = w.yield(w.row)
	}
	w.row = nil
}

// when is the wall time, or nil.
func when(c bus.Clock, at bus.Micros) any {
	if t, ok := review.Wall(c, at); ok {
		return t
	}
	return nil
}

func optional(v *float64) any {
	if v == nil {
		return nil
	}
	return number(*v)
}

// number is nil for what is no number. A millionth of a unit is finer than any
// signal of a vehicle: what is beyond it comes from the arithmetic.
func number(v float64) any { return rounded(v, 1e6) }

// interpolated is a number between samples, which is known to a hundredth of
// its unit at best.
func interpolated(v float64) any { return rounded(v, 100) }

func rounded(v, perUnit float64) any {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	if r := math.Round(v*perUnit) / perUnit; !math.IsInf(r, 0) {
		return r + 0 // without a sign on nothing
	}
	return v
}

// timeText is how CSV writes a time.
const timeText = "2006-01-02T15:04:05.000000Z"

// text writes a cell.
func text(cell any) (string, error) {
	switch v := cell.(type) {
	case nil:
		return "", nil
	case int64:
		return fmt.Sprint(v), nil
	case float64:
		return fmt.Sprint(v), nil
	case string:
		return v, nil
	case time.Time:
		return v.UTC().Format(timeText), nil
	}
	return "", fmt.Errorf("a cell of type %T", cell)
}
