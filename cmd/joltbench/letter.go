package main

import (
	"encoding/json"
	"fmt"
	"io"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/internal/page"
)

type letterCmd struct {
	stayArgs
	Output   string `short:"o" placeholder:"FILE.html" help:"The page to write; - for standard output."`
	Workshop string `help:"The workshop's name, at the top of the page."`
	JSON     bool   `name:"json" help:"The sentences of the letter as one JSON object on standard output."`
}

// Help implements kong's long help.
func (letterCmd) Help() string {
	return `One printed page in plain words for the customer: what was recorded, what was
found or not and how sure that is, what comes next, and a note on consent and
privacy. Read it before you hand it over. Example:
  joltbench letter my-stay -o letter.html --workshop "Our workshop"`
}

// Run writes the letter.
func (c *letterCmd) Run(h *host) error {
	if c.Output == "" && !c.JSON {
		return cli.Usage("letter needs -o FILE.html or --json")
	}
	s, view, err := c.read(h)
	if err != nil {
		return err
	}
	l, err := page.NewLetter(s, c.Workshop, view)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Dir, err)
	}
	if c.JSON {
		if err := json.NewEncoder(h.stdout).Encode(l); err != nil {
			return err
		}
	}
	if c.Output != "" {
		if err := cli.WriteFile(h.stdout, c.Output, func(w io.Writer) error { return page.WriteLetter(w, l) }); err != nil {
			return err
		}
	}
	return done(s)
}
