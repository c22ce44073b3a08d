package main

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/internal/page"
)

type figureCmd struct {
	stayArgs
	Event  int    `placeholder:"N" help:"The event to draw, by its number in joltbench events; the strongest by default."`
	Output string `short:"o" required:"" placeholder:"FILE.svg" help:"The picture to write; its ending says how: .svg or .png."`
}

// Help implements kong's long help.
func (figureCmd) Help() string {
	return `One event as a picture with title, units and annotations, for a workshop bulletin,
a lesson or a video. Examples:
  joltbench figure my-stay -o strongest.svg
  joltbench figure my-stay --event 17 -o late.png --units us`
}

// Run draws.
func (c *figureCmd) Run(h *host) error {
	format := strings.TrimPrefix(strings.ToLower(filepath.Ext(c.Output)), ".")
	if !slices.Contains(page.Formats, format) {
		return cli.Usage(fmt.Sprintf("-o %s: expected a name that ends in .%s", c.Output, strings.Join(page.Formats, " or .")))
	}
	s, view, err := c.read(h)
	if err != nil {
		return err
	}
	n := c.Event
	if n == 0 {
		if n = s.Verdict(view.Units, view.Times).Strongest; n == 0 {
			return fmt.Errorf("nothing out of the ordinary is on file: name an event with --event N")
		}
	}
	e, err := event(s, n)
	if err != nil {
		return err
	}
	if err := cli.WriteFile(h.stdout, c.Output, func(w io.Writer) error { return page.Figure(w, s, e, format, view) }); err != nil {
		return err
	}
	return done(s)
}
