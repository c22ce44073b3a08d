package main

import (
	"encoding/json"
	"fmt"
	"text/tabwriter"

	"joltwatch/cmd/internal/cli"
	"joltwatch/storage"
)

type verifyCmd struct {
	storeArg
	JSON bool `name:"json" help:"One JSON object a file, then one for the store."`
}

// Help implements kong's long help.
func (verifyCmd) Help() string {
	return `Reads every block of every file, decodes every stored frame, and checks that what
the events refer to is there. A store that a run is writing to can be verified.
Nothing is changed.

Exit codes: 0 intact; 3 repaired, or with the unfinished end that a power cut
leaves, in which nothing acknowledged was; 4 damaged: something that was stored
cannot be read; 1 the store could not be looked at.`
}

// damaged is the error of a verification that found damage.
type damaged struct{ error }

// ExitCode tells damage from all else that needs attention.
func (damaged) ExitCode() int { return 4 }

// Run verifies the store.
func (c *verifyCmd) Run(h *host) error {
	v, err := storage.Verify(c.Dir)
	if err != nil {
		return err
	}
	if c.JSON {
		err = c.json(h, v)
	} else {
		err = c.text(h, v)
	}
	if err != nil {
		return err
	}
	switch v.State {
	case storage.Damaged:
		return damaged{fmt.Errorf("%s is damaged: what is sound around the damage is read by all commands", c.Dir)}
	case storage.Repaired:
		return cli.Attention(fmt.Errorf("%s was cut off by a loss of power; nothing that was acknowledged is missing", c.Dir))
	}
	return nil
}

func (c *verifyCmd) json(h *host, v *storage.Verification) error {
	enc := json.NewEncoder(h.stdout)
	enc.SetEscapeHTML(false)
	for _, f := range v.Files {
		if err := enc.Encode(f); err != nil {
			return err
		}
	}
	whole := *v
	whole.Files = nil
	return enc.Encode(whole)
}

func (c *verifyCmd) text(h *host, v *storage.Verification) error {
	w := tabwriter.NewWriter(h.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "file\tbytes\tblocks\tframes\tstate")
	for _, f := range v.Files {
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%s\n", f.File, f.Size, f.Blocks, f.Frames, f.State)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, f := range v.Files {
		for _, d := range f.Damage {
			fmt.Fprintln(h.stdout, cli.Plain(d.Error()))
		}
		if f.Note != "" {
			fmt.Fprintf(h.stdout, "%s: %s\n", f.File, cli.Plain(f.Note))
		}
	}
	for _, m := range v.Missing {
		fmt.Fprintf(h.stdout, "missing: %s\n", cli.Plain(m))
	}
	for _, s := range v.Strange {
		fmt.Fprintf(h.stdout, "not of the store: %s\n", cli.Plain(s))
	}
	running := ""
	if v.Running {
		running = ", being written to"
	}
	fmt.Fprintf(h.stdout, "%s: %s%s: runs %d, events %d, frames %d\n", cli.Plain(c.Dir), v.State, running, v.Runs, v.Events, v.Frames)
	return nil
}
