package main

import (
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltbench/export"
	"joltwatch/storage/review"
)

type exportCmd struct {
	storeArg
	What   string `enum:"events,drives,samples,rows,frames" default:"events" help:"What to export: ${enum}."`
	As     string `enum:"auto,csv,parquet,log" default:"auto" help:"The form: ${enum}; auto goes by the file's ending, then CSV."`
	Event  int    `placeholder:"N" help:"Only the evidence of event N (samples, rows, frames)."`
	Output string `short:"o" required:"" placeholder:"FILE" help:"The file to write; - for standard output."`
	JSON   bool   `name:"json" help:"Say as one JSON object what was written."`
}

// Help implements kong's long help.
func (exportCmd) Help() string {
	return `events and drives are one row each. samples are the decoded values as they
arrived, one row an instant; rows are aligned in time, with slip. frames are the
raw frames of one event as a SocketCAN text log, to be replayed by joltwatch run
--from or any other tool. Units stand in the headings of CSV and in the column
metadata of Parquet (key "unit"). Examples:
  joltbench export my-stay -o events.csv
  joltbench export my-stay --what rows -o rows.parquet
  joltbench export my-stay --what frames --event 12 -o event12.log`
}

// Run exports.
func (c *exportCmd) Run(h *host) error {
	as := c.As
	if as == "auto" {
		switch ext := filepath.Ext(c.Output); ext {
		case ".parquet":
			as = "parquet"
		case ".log":
			as = "log"
		case "", ".csv", ".txt":
			as = "csv"
		default:
			if c.Output != "-" && c.What != "frames" {
				return cli.Usage(fmt.Sprintf("-o %s: no form is known by the ending %s; expected .csv, .parquet or .log, or give the form with --as", c.Output, ext))
			}
			as = "csv"
		}
		if c.What == "frames" {
			as = "log"
		}
	}
	switch {
	case (as == "log") != (c.What == "frames"):
		return cli.Usage("frames are exported as log, and only they are")
	case c.What == "frames" && c.Event == 0:
		return cli.Usage("--what frames needs --event N")
	case c.Event != 0 && (c.What == "events" || c.What == "drives"):
		return cli.Usage("--event goes with samples, rows and frames")
	case c.JSON && c.Output == "-":
		return cli.Usage("--json and -o - would both write to standard output")
	}
	s, err := c.open(h)
	if err != nil {
		return err
	}
	stretches := s.Stretches(60 * bus.Second)
	if c.Event != 0 {
		e := s.Find(c.Event)
		if e == nil {
			return fmt.Errorf("%s has no event %d; expected 1 to %d: joltbench events %s lists them", c.Dir, c.Event, len(s.Events), c.Dir)
		}
		if !e.HasEvidence() {
			return fmt.Errorf("no evidence is on file for event %d", c.Event)
		}
		stretches = []review.Stretch{{Boot: e.Boot, Clock: e.Clock, From: e.From, To: e.To}}
	}
	p := cli.NewProgress(h.stderr)
	rows := 0
	err = cli.WriteFile(h.stdout, c.Output, func(w io.Writer) error {
		if c.What == "frames" {
			return c.frames(h, w, s, stretches[0], &rows)
		}
		t := counted(c.table(s, stretches, p.Steps("exporting, stretch")), &rows)
		if as == "parquet" {
			return export.Parquet(w, t)
		}
		return export.CSV(w, t)
	})
	p.End()
	if err != nil {
		return err
	}
	if c.JSON {
		err := json.NewEncoder(h.stdout).Encode(struct {
			Written string `json:"written"`
			What    string `json:"what"`
			As      string `json:"as"`
			Rows    int    `json:"rows"`
		}{c.Output, c.What, as, rows})
		if err != nil {
			return err
		}
	}
	return done(s)
}

func (c *exportCmd) table(s *review.Stay, stretches []review.Stretch, told func(done, total int)) *export.Table {
	switch c.What {
	case "drives":
		return export.Drives(s)
	case "samples":
		return export.Samples(s, stretches, told)
	case "rows":
		return export.Rows(s, stretches, told)
	}
	return export.Events(s)
}

func (c *exportCmd) frames(h *host, w io.Writer, s *review.Stay, x review.Stretch, rows *int) error {
	frames, err := s.Frames(x.Boot, x.From, x.To)
	if err != nil && len(frames) == 0 {
		return err
	}
	if err != nil {
		fmt.Fprintf(h.stderr, "joltbench: %s\n", cli.Plain(err.Error()))
	}
	var buses []string
	if plan := s.PlanOf(x.Boot); plan != nil {
		buses = plan.Buses
	}
	left, err := export.TextLog(w, frames, x.Clock, buses)
	if left > 0 {
		fmt.Fprintf(h.stderr, "joltbench: %d notices and readings have no place in a text log and were left out\n", left)
	}
	*rows = len(frames) - left
	return err
}

// counted counts the rows that go by.
func counted(t *export.Table, n *int) *export.Table {
	x := *t
	x.Rows = func(yield func([]any) error) error {
		return t.Rows(func(row []any) error {
			*n++
			return yield(row)
		})
	}
	return &x
}
