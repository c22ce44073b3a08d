package main

import (
	"errors"
	"fmt"
	"io"
	"sort"
	"strings"
	"text/tabwriter"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/stream"
	"joltwatch/stream/dbc"
	"joltwatch/stream/vehicle"
)

type defsCmd struct {
	Files     []string `arg:"" name:"file" help:"Definition files (DBC)." placeholder:"FILE"`
	From      string   `placeholder:"LOG" help:"Check the definitions against a recorded log; - is standard input."`
	Interface string   `placeholder:"NAME" help:"Use only the frames of this interface of the log."`
	J1939     bool     `name:"j1939" help:"Match 29-bit identifiers by parameter group, from any sender."`
	Problems  bool     `help:"Say only what is wrong; leave the messages out."`
	JSON      bool     `name:"json" help:"One JSON object a line: messages, problems, the recording."`
}

// Help implements kong's long help.
func (defsCmd) Help() string {
	return `Lists the messages and signals of definition files, and warns at
file:line:column of what had to be repaired or left out, of signals that lie
over each other and of scalings that do not fit their limits. One bad definition
costs that definition, not the file.

With --from, says of each message how often it occurs in a recording, and of each
signal whether it moves, between which values, and how often it leaves its
limits:

  joltbench defs van.dbc --from drive.log.gz

A signal is named MESSAGE.SIGNAL in a vehicle file. Exit code 3: some definition
had to be left out.`
}

// Run lists the files.
func (c *defsCmd) Run(h *host) error {
	var files []*definitions
	var failed []error
	lost := 0
	for _, path := range c.Files {
		f, err := dbc.Read(path)
		if err != nil {
			failed = append(failed, err)
			continue
		}
		d := newDefinitions(f, c.J1939)
		for _, p := range d.problems {
			if p.Lost {
				lost++
			}
		}
		files = append(files, d)
	}
	var rec *recording
	if c.From != "" && len(files) > 0 {
		var err error
		if rec, err = c.record(h, files); err != nil {
			return err
		}
	}
	for i, d := range files {
		var err error
		if c.JSON {
			err = d.writeJSON(h.stdout, rec, c.Problems)
		} else {
			if i > 0 {
				fmt.Fprintln(h.stdout)
			}
			err = d.write(h.stdout, rec, c.Problems)
		}
		if err != nil {
			return err
		}
	}
	if rec != nil {
		if err := rec.write(h.stdout, c.From, c.JSON); err != nil {
			return err
		}
	}
	switch {
	case len(failed) > 0:
		for _, err := range failed[:len(failed)-1] {
			fmt.Fprintf(h.stderr, "joltbench: %s\n", cli.Plain(err.Error()))
		}
		return errors.New(cli.Plain(failed[len(failed)-1].Error()))
	case lost > 0:
		return cli.Attention(fmt.Errorf("%d definitions could not be used; the lines above say where and why", lost))
	}
	return nil
}

// definitions is one file and what a recording shows of it.
type definitions struct {
	file     *dbc.File
	problems []dbc.Problem
	decoder  *stream.Decoder
	messages []messageSeen // as in file.Messages
	// byKey lists the messages by identifier or parameter group.
	byKey map[defKey][]int
	j1939 bool
}

// defKey is an identifier, or the parameter group of one.
type defKey struct {
	id       uint32
	extended bool
}

func (d *definitions) key(id uint32, extended bool) defKey {
	if d.j1939 && extended {
		id, _ = stream.PGN(id)
	}
	return defKey{id, extended}
}

type messageSeen struct {
	frames      uint64
	first, last bus.Micros
	signals     []signalSeen
}

type signalSeen struct {
	n, outside uint64
	moved      uint64 // changes of the raw value
	raw        int64  // the last
	min, max   float64
	valid      uint64
}

func newDefinitions(f *dbc.File, j1939 bool) *definitions {
	d := &definitions{file: f, j1939: j1939, byKey: map[defKey][]int{}}
	d.problems = append(append(d.problems, f.Problems...), f.Check()...)
	sort.SliceStable(d.problems, func(i, j int) bool { return d.problems[i].Pos.Line < d.problems[j].Pos.Line })
	plan := &stream.Plan{}
	for i, m := range f.Messages {
		k := d.key(m.ID, m.Extended)
		d.byKey[k] = append(d.byKey[k], i)
		x := stream.Message{Name: m.Name, Bus: -1, ID: m.ID, Extended: m.Extended, SourceAddress: -1}
		if j1939 && m.Extended {
			x.Match = stream.MatchPGN
			x.ID, _ = stream.PGN(m.ID)
		}
		for _, s := range m.Signals {
			y := vehicle.Signal(s)
			if y.RawMin > y.RawMax {
				y.RawMin, y.RawMax = 0, 0 // limits that make no sense count for nothing here
			}
			x.Signals = append(x.Signals, y)
		}
		plan.Messages = append(plan.Messages, x)
		d.messages = append(d.messages, messageSeen{signals: make([]signalSeen, len(m.Signals))})
	}
	decoder, err := stream.NewDecoder(plan)
	if err != nil {
		// The reader lets nothing through that the decoder refuses.
		d.problems = append(d.problems, dbc.Problem{File: f.Name, Pos: dbc.Pos{Line: 1, Column: 1}, Lost: true, Text: err.Error()})
		decoder, _ = stream.NewDecoder(&stream.Plan{})
	}
	d.decoder = decoder
	return d
}

// take counts one frame.
func (d *definitions) take(f *bus.Frame) bool {
	of := d.byKey[d.key(f.ID, f.Flags&bus.Extended != 0)]
	for _, m := range of {
		seen := &d.messages[m]
		if seen.frames == 0 {
			seen.first = f.At
		}
		seen.frames++
		seen.last = f.At
	}
	if len(of) == 0 {
		return false
	}
	samples, _ := d.decoder.Decode(f)
	for i := range samples {
		m, n := d.decoder.Signal(i)
		d.messages[m].signals[n].take(&samples[i])
	}
	return true
}

func (s *signalSeen) take(x *stream.Sample) {
	if s.n > 0 && x.Raw != s.raw {
		s.moved++
	}
	s.n++
	s.raw = x.Raw
	if !x.OK {
		s.outside++
		return
	}
	if s.valid == 0 {
		s.min, s.max = x.Value, x.Value
	}
	s.valid++
	s.min, s.max = min(s.min, x.Value), max(s.max, x.Value)
}

// recording is what a log holds apart from what the files define.
type recording struct {
	frames, defined   uint64
	identifiers       int
	definedIDs        int
	badLines, foreign uint64
}

// record reads the log through the decoders of all files.
func (c *defsCmd) record(h *host, files []*definitions) (*recording, error) {
	var opt bus.LogOptions
	if c.Interface != "" {
		opt.Interfaces = []string{c.Interface}
	}
	log, err := bus.OpenLog(c.From, opt)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	rec := &recording{}
	seen := map[defKey]bool{} // identifiers, and whether a file defines them
	for f, err := range bus.Frames(log) {
		if err != nil {
			return nil, err
		}
		if h.ctx.Err() != nil {
			return nil, fmt.Errorf("interrupted while reading %s", c.From)
		}
		if f.Kind != bus.Data {
			continue
		}
		rec.frames++
		defined := false
		for _, d := range files {
			defined = d.take(f) || defined
		}
		if defined {
			rec.defined++
		}
		k := defKey{f.ID, f.Flags&bus.Extended != 0}
		seen[k] = seen[k] || defined
	}
	rec.identifiers = len(seen)
	for _, defined := range seen {
		if defined {
			rec.definedIDs++
		}
	}
	rec.badLines = log.Stats().BadLines
	rec.foreign, _ = log.Foreign()
	return rec, nil
}

func (r *recording) write(w io.Writer, name string, asJSON bool) error {
	if asJSON {
		l := cli.NewLines(w)
		l.Add(map[string]any{"type": "recording", "name": name, "frames": r.frames, "frames_defined": r.defined,
			"identifiers": r.identifiers, "identifiers_defined": r.definedIDs, "bad_lines": r.badLines, "frames_of_other_interfaces": r.foreign})
		return l.Err()
	}
	_, err := fmt.Fprintf(w, "\n%s: %d frames; of %d identifiers %d are defined, with %d of the frames; %d lines not understood\n",
		cli.Plain(name), r.frames, r.identifiers, r.definedIDs, r.defined, r.badLines)
	if err == nil && r.foreign > 0 {
		_, err = fmt.Fprintf(w, "%d frames of other interfaces were passed over\n", r.foreign)
	}
	return err
}

// write is the listing for people.
func (d *definitions) write(w io.Writer, rec *recording, only bool) error {
	signals := 0
	for _, m := range d.file.Messages {
		signals += len(m.Signals)
	}
	fmt.Fprintf(w, "%s: %d messages, %d signals\n", cli.Plain(d.file.Name), len(d.file.Messages), signals)
	for _, p := range d.problems {
		fmt.Fprintf(w, "%s\n", cli.Plain(p.Error()))
	}
	if only {
		return nil
	}
	for i, m := range d.file.Messages {
		sender := ""
		if m.Transmitter != "" {
			sender = " from " + cli.Plain(m.Transmitter)
		}
		fmt.Fprintf(w, "\n%s  %s  %d bytes%s%s\n", identifier(m), cli.Plain(m.Name), m.Size, sender, d.messages[i].text(rec))
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for j, s := range m.Signals {
			fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\n", cli.Plain(s.Name), place(s), scaling(s), cli.Plain(condition(s)), cli.Plain(d.messages[i].signals[j].text(rec, s)))
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	return nil
}

// identifier shows 11 bits with three digits and 29 bits with eight.
func identifier(m *dbc.Message) string {
	if m.Extended {
		return fmt.Sprintf("0x%08X", m.ID)
	}
	return fmt.Sprintf("0x%03X", m.ID)
}

func place(s *dbc.Signal) string {
	order := "little-endian"
	if s.BigEndian {
		order = "big-endian"
	}
	kind := ""
	switch {
	case s.Float:
		kind = " float"
	case s.Signed:
		kind = " signed"
	}
	return fmt.Sprintf("bit %d, length %d, %s%s", s.Start, s.Length, order, kind)
}

func scaling(s *dbc.Signal) string {
	text := fmt.Sprintf("%g a step", s.Factor)
	if s.Offset != 0 {
		text += fmt.Sprintf(" from %g", s.Offset)
	}
	if s.Min < s.Max {
		text += fmt.Sprintf(", %g to %g", s.Min, s.Max)
	}
	if s.Unit != "" {
		text += " " + cli.Plain(s.Unit)
	}
	return text
}

// condition says when a multiplexed signal is there.
func condition(s *dbc.Signal) string {
	var parts []string
	if s.Switch {
		parts = append(parts, "switch")
	}
	for _, c := range s.Mux {
		var ranges []string
		for _, r := range c.Ranges {
			if r[0] == r[1] {
				ranges = append(ranges, fmt.Sprint(r[0]))
			} else {
				ranges = append(ranges, fmt.Sprintf("%d-%d", r[0], r[1]))
			}
		}
		parts = append(parts, fmt.Sprintf("while %s is %s", c.Switch.Name, strings.Join(ranges, ", ")))
	}
	return strings.Join(parts, ", ")
}

// period is the mean time between frames, in seconds; 0 below two frames.
func (m *messageSeen) period() float64 {
	if m.frames < 2 {
		return 0
	}
	return (m.last - m.first).Seconds() / float64(m.frames-1)
}

func (m *messageSeen) text(rec *recording) string {
	switch {
	case rec == nil:
		return ""
	case m.frames == 0:
		return "; not in the recording"
	case m.frames == 1:
		return "; 1 frame"
	}
	return fmt.Sprintf("; %d frames, one every %.4g ms", m.frames, 1000*m.period())
}

func (s *signalSeen) text(rec *recording, d *dbc.Signal) string {
	switch {
	case rec == nil || s.n == 0:
		return ""
	case s.valid == 0:
		return fmt.Sprintf("always outside its limits (raw %d)", s.raw)
	}
	text := fmt.Sprintf("moves from %.6g to %.6g", s.min, s.max)
	if s.moved == 0 {
		text = fmt.Sprintf("stands at %.6g", s.min)
	}
	for _, v := range d.Values {
		if s.moved == 0 && v.Raw == s.raw {
			text += " (" + v.Text + ")"
		}
	}
	if s.outside > 0 {
		text += fmt.Sprintf("; outside its limits %d times in %d", s.outside, s.n)
	}
	return text
}

type defMessageJSON struct {
	Type     string          `json:"type"`
	File     string          `json:"file"`
	Line     int             `json:"line"`
	Name     string          `json:"name"`
	ID       uint32          `json:"id"`
	Extended bool            `json:"extended"`
	Size     int             `json:"size"`
	Sender   string          `json:"sender"`
	Frames   *uint64         `json:"frames,omitempty"`
	PeriodS  *float64        `json:"period_s,omitempty"`
	Signals  []defSignalJSON `json:"signals"`
}

type defSignalJSON struct {
	Name      string   `json:"name"`
	Line      int      `json:"line"`
	Start     int      `json:"start"`
	Length    int      `json:"length"`
	BigEndian bool     `json:"big_endian"`
	Signed    bool     `json:"signed"`
	Float     bool     `json:"float"`
	Factor    float64  `json:"factor"`
	Offset    float64  `json:"offset"`
	Min       float64  `json:"min"`
	Max       float64  `json:"max"`
	Unit      string   `json:"unit"`
	Condition string   `json:"condition,omitempty"`
	Samples   *uint64  `json:"samples,omitempty"`
	Outside   *uint64  `json:"outside,omitempty"`
	Moves     *uint64  `json:"moves,omitempty"`
	SeenMin   *float64 `json:"seen_min,omitempty"`
	SeenMax   *float64 `json:"seen_max,omitempty"`
}

func (d *definitions) writeJSON(w io.Writer, rec *recording, only bool) error {
	l := cli.NewLines(w)
	for _, p := range d.problems {
		l.Add(map[string]any{"type": "problem", "file": p.File, "line": p.Pos.Line, "column": p.Pos.Column, "lost": p.Lost, "text": p.Text})
	}
	if only {
		return l.Err()
	}
	for i, m := range d.file.Messages {
		o := defMessageJSON{Type: "message", File: d.file.Name, Line: m.Pos.Line, Name: m.Name, ID: m.ID, Extended: m.Extended,
			Size: m.Size, Sender: m.Transmitter, Signals: []defSignalJSON{}}
		seen := &d.messages[i]
		if rec != nil {
			o.Frames = &seen.frames
			if p := seen.period(); p > 0 {
				o.PeriodS = &p
			}
		}
		for j, s := range m.Signals {
			x := defSignalJSON{Name: s.Name, Line: s.Pos.Line, Start: s.Start, Length: s.Length, BigEndian: s.BigEndian, Signed: s.Signed,
				Float: s.Float, Factor: s.Factor, Offset: s.Offset, Min: s.Min, Max: s.Max, Unit: s.Unit, Condition: condition(s)}
			if y := &seen.signals[j]; rec != nil {
				x.Samples, x.Outside, x.Moves = &y.n, &y.outside, &y.moved
				if y.valid > 0 {
					x.SeenMin, x.SeenMax = &y.min, &y.max
				}
			}
			o.Signals = append(o.Signals, x)
		}
		l.Add(o)
	}
	return l.Err()
}
