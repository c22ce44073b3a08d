package main

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// columnReport says what a column of a table was taken for, and why.
type columnReport struct {
	Column string  `json:"column"`
	Role   string  `json:"role,omitempty"`
	Unit   string  `json:"unit,omitempty"`
	Values uint64  `json:"values"`
	Min    float64 `json:"min"`
	Max    float64 `json:"max"`
	Says   string  `json:"says"`
}

// columns are what was found in a table.
type columns struct {
	time string
	list []columnReport
}

// columnStat is how a column behaves.
type columnStat struct {
	n, changes uint64
	min, max   float64
	last, step float64 // the largest change from one value to the next
	whole      bool    // whole numbers only
}

func (s *columnStat) add(v float64) {
	if s.n == 0 {
		*s = columnStat{min: v, max: v, last: v, whole: true}
	}
	s.n++
	if v != s.last {
		s.changes++
		s.step = max(s.step, math.Abs(v-s.last))
	}
	s.min, s.max, s.last = min(s.min, v), max(s.max, v), v
	s.whole = s.whole && v == math.Trunc(v)
}

// proposeColumns looks for the roles among the columns of a table, by heading, unit
// and behaviour.
func proposeColumns(path string) (*columns, error) {
	probe, err := bus.OpenTable(path, bus.TableOptions{})
	if err != nil {
		return nil, err
	}
	head := *probe.Head()
	probe.Close()
	var names []string
	for _, c := range head.Columns {
		names = append(names, c.Heading)
	}
	stats, err := columnStats(path, names)
	if err != nil {
		return nil, err
	}
	out := &columns{time: head.Columns[head.Time].Heading}
	for i, c := range head.Columns {
		if i != head.Time {
			out.list = append(out.list, columnReport{Column: c.Heading, Unit: c.Unit, Values: stats[i].n,
				Min: round3(stats[i].min), Max: round3(stats[i].max), Says: "not recognised"})
		}
	}
	taken := map[string]bool{}
	for _, w := range roleWords() {
		out.take(w, head.Columns, stats, taken)
	}
	return out, nil
}

// columnStats reads the whole table.
func columnStats(path string, names []string) ([]columnStat, error) {
	src, err := bus.OpenTable(path, bus.TableOptions{Channels: names})
	if err != nil {
		return nil, err
	}
	defer src.Close()
	stats := make([]columnStat, len(names))
	for f, err := range bus.Frames(src) {
		if err != nil {
			return nil, err
		}
		if f.Kind == bus.Reading {
			stats[f.ID].add(f.Value())
		}
	}
	return stats, nil
}

// roleWord is how a role is recognised: all words of one of the phrases stand in
// the heading, none of Not does, and the values behave like it.
type roleWord struct {
	role    stream.Role
	phrases []string
	not     string
	behaves func(s *columnStat, low, high float64) bool
}

// converter are the words for the converter clutch.
const converter = "tcc|lock|converter|wandler|clutch|kupplung"

// roleWords lists the roles, those with the plainer headings last (words that
// recordings carry, common practice, no source).
func roleWords() []roleWord {
	within := func(lo, hi float64) func(*columnStat, float64, float64) bool {
		return func(_ *columnStat, low, high float64) bool { return low >= lo && high <= hi }
	}
	speed := within(-50, 12000)
	command := func(s *columnStat, low, high float64) bool {
		// A command steps at once; oil takes time.
		return low >= 0 && high <= 3000 && s.step >= 0.8*(s.max-s.min)
	}
	few := func(n float64) func(*columnStat, float64, float64) bool {
		return func(s *columnStat, low, high float64) bool { return s.whole && low >= -2 && high <= n }
	}
	wanted := "command|commanded|desired|target|requested|soll"
	return []roleWord{
		{stream.TurbineSpeed, []string{"turbine|turbinen", "input shaft|speed|rpm", "eingang drehzahl", "eingangsdrehzahl", "turbinendrehzahl"}, "output|slip|engine", speed},
		{stream.OutputSpeed, []string{"output shaft|speed|rpm", "abtrieb drehzahl", "abtriebsdrehzahl", "ausgangsdrehzahl"}, "slip|engine", speed},
		{stream.SlipCommand, []string{"slip " + wanted, "schlupf soll"}, "wheel", speed},
		{stream.SlipReported, []string{"slip", "schlupf"}, "wheel|" + wanted, speed},
		{stream.ClutchPressureCommand, []string{converter + " pressure|druck " + wanted}, "", within(0, 3000)},
		{stream.ClutchPressureCommand, []string{converter + " pressure|druck"}, "actual|measured|ist", command},
		{stream.ClutchPressure, []string{converter + " pressure|druck"}, wanted, within(-50, 3000)},
		{stream.LockupState, []string{converter + " state|status|engaged|zustand"}, "", few(2)},
		{stream.ClutchCommand, []string{converter + " duty|command|solenoid|pwm|magnetventil"}, "pressure|druck", within(0, 100)},
		{stream.Gear, []string{"gear", "gang", "rapport", "marcha"}, "ratio|shift|selector|box", few(14)},
		{stream.EngineTorque, []string{"engine|motor torque|moment|drehmoment"}, "", within(-2000, 5000)},
		{stream.FluidTemperature, []string{"trans|transmission|gearbox|atf|fluid|getriebe temp|temperature|temperatur"}, "coolant|engine", within(-45, 180)},
		{stream.Accelerator, []string{"accelerator", "accel pedal", "pedal", "gaspedal", "fahrpedal", "throttle"}, "brake|bremse", within(-1, 105)},
		{stream.Brake, []string{"brake", "bremse", "frein"}, "pressure|druck|temp", few(1)},
		{stream.Grade, []string{"grade", "slope", "steigung"}, "", within(-50, 50)},
		{stream.SupplyVoltage, []string{"battery|supply|module voltage|volt", "spannung", "voltage"}, "sensor", within(5, 40)},
		{stream.EngineSpeed, []string{"engine speed|rpm|rev|revs", "motordrehzahl", "drehzahl", "rpm", "engine|motor"}, "torque|temp|load|time|run|output|input|turbine", speed},
		{stream.VehicleSpeed, []string{"vehicle speed", "road speed", "geschwindigkeit", "fahrzeuggeschwindigkeit", "vitesse", "velocidad", "speed"}, "engine|wheel|fan|shaft|turbine|output|input|wind", within(-60, 300)},
	}
}

// take gives a role to the first column that is recognised as it.
func (c *columns) take(w roleWord, all []bus.TableColumn, stats []columnStat, taken map[string]bool) {
	if taken[w.role.String()] {
		return
	}
	at := -1
	for i := range all {
		if all[i].Heading == c.time {
			continue
		}
		at++
		x := &c.list[at]
		if x.Role != "" || stats[i].n == 0 || !w.heads(all[i].Name) {
			continue
		}
		low, okLow := vehicle.Convert(stats[i].min, unitOr(x.Unit, w.role), w.role)
		high, okHigh := vehicle.Convert(stats[i].max, unitOr(x.Unit, w.role), w.role)
		if w.role.Unit() == "" {
			low, high, okLow, okHigh = stats[i].min, stats[i].max, true, true
		}
		switch {
		case !okLow || !okHigh:
			x.Says = fmt.Sprintf("named like %s, but its unit %q is not understood; state role and unit", w.role, x.Unit)
		case !w.behaves(&stats[i], min(low, high), max(low, high)):
			x.Says = fmt.Sprintf("named like %s, but its values are not like it", w.role)
		default:
			x.Role, x.Says = w.role.String(), "by its heading, and its values fit"
			if x.Unit != "" && w.role.Unit() != "" {
				x.Says = "by its heading and unit, and its values fit"
			} else if w.role.Unit() != "" {
				x.Unit, x.Says = w.role.Unit(), "by its heading, taken for "+w.role.Unit()+": no unit is stated"
			}
			taken[w.role.String()] = true
			return
		}
	}
}

func unitOr(unit string, role stream.Role) string {
	if unit == "" {
		return role.Unit()
	}
	return unit
}

// heads reports whether a heading names the role.
func (w *roleWord) heads(heading string) bool {
	words := strings.FieldsFunc(strings.ToLower(heading), func(r rune) bool {
		return strings.ContainsRune(" _-./:,;", r)
	})
	has := func(any string) bool {
		for _, a := range strings.Split(any, "|") {
			if a != "" && slices.Contains(words, a) {
				return true
			}
		}
		return false
	}
	if has(w.not) {
		return false
	}
	for _, phrase := range w.phrases {
		all := true
		for _, one := range strings.Fields(phrase) {
			all = all && has(one)
		}
		if all {
			return true
		}
	}
	return false
}

// vehicleFile is the vehicle file that the proposals make.
func (c *columns) vehicleFile(from string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "label = %q\n\n[table]\ntime = %q\n", filepath.Base(from), c.time)
	for _, x := range c.list {
		if x.Role == "" {
			continue
		}
		fmt.Fprintf(&b, "\n[[role]]\nname = %q\nchannel = %q\n", x.Role, x.Column)
		if r, _ := stream.ParseRole(x.Role); r.Unit() != "" {
			fmt.Fprintf(&b, "unit = %q\n", x.Unit)
		}
	}
	return b.String()
}

// print shows the proposals and the vehicle file that they make.
func (c *columns) print(w io.Writer, from string) {
	fmt.Fprintf(w, "Columns of %s; the time is %q\n", from, c.time)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, x := range c.list {
		role := x.Role
		if role == "" {
			role = "-"
		}
		fmt.Fprintf(t, "  %s\t%s\t%d values\t%.4g … %.4g %s\t%s\n", x.Column, role, x.Values, x.Min, x.Max, x.Unit, x.Says)
	}
	t.Flush()
	fmt.Fprintf(w, "\nThe vehicle file that these make; correct it where they are wrong, and give it by --vehicle:\n\n%s\n", indent(c.vehicleFile(from)))
}

func indent(text string) string {
	return "    " + strings.ReplaceAll(strings.TrimRight(text, "\n"), "\n", "\n    ") + "\n"
}
