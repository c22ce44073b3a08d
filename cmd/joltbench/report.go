package main

import (
	"encoding/json"
	"fmt"
	"io"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/internal/page"
	"joltwatch/storage/review"
)

type reportCmd struct {
	stayArgs
	Output  string `short:"o" required:"" placeholder:"FILE.html" help:"The page to write; - for standard output."`
	Against string `placeholder:"DIR" help:"Another stay to show beside this one in the distributions."`
	FullMB  int    `name:"full-mb" default:"6" help:"Room in the page for full traces, MB; the strongest events come first."`
	JSON    bool   `name:"json" help:"Say as one JSON object what was written."`
}

// Help implements kong's long help.
func (reportCmd) Help() string {
	return `Writes one self-contained page: open it in any browser, with no network, or print
it. In the page: n and p go to the next and previous event, + and - zoom, the
arrows move the cursor, w shows the whole stretch, m measures. Examples:
  joltbench report my-stay -o week.html
  joltbench report after -o after.html --against before`
}

// Run writes the page.
func (c *reportCmd) Run(h *host) error {
	if c.FullMB < 0 || c.FullMB > 500 {
		return fmt.Errorf("--full-mb %d: expected 0 to 500", c.FullMB)
	}
	s, view, err := c.read(h)
	if err != nil {
		return err
	}
	stays := []*review.Stay{s}
	o := page.Options{View: view, FullBytes: c.FullMB << 20, Version: cli.Release()}
	if c.Against != "" {
		if o.Other, err = openStay(h, c.Against); err != nil {
			return err
		}
		stays = append(stays, o.Other)
	}
	p := cli.NewProgress(h.stderr)
	o.Progress = p.Steps("packing traces, stretch")
	err = cli.WriteFile(h.stdout, c.Output, func(w io.Writer) error { return page.Report(w, s, o) })
	p.End()
	if err != nil {
		return err
	}
	if c.JSON && c.Output != "-" {
		if err := said(h, c.Output, s); err != nil {
			return err
		}
	}
	return done(stays...)
}

// said tells machines what was written.
func said(h *host, path string, s *review.Stay) error {
	return json.NewEncoder(h.stdout).Encode(struct {
		Written string   `json:"written"`
		Events  int      `json:"events"`
		Remarks []string `json:"remarks"`
	}{path, len(s.Events), append([]string{}, s.Remarks...)})
}
