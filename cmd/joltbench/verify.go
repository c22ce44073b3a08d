package main

import (
	"fmt"
	"io"
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
	return `Reads every block of every file, decodes every stored frame, checks that what the
events refer to is there, and holds every file against what the others record of
it: files and runs are chained. A store that a run is writing to can be verified.
Nothing is changed.

That nothing acknowledged is missing is said only where the chain proves it. The
last run proves itself only where it ended in order; where the power was cut, the
next run looks at what is there and records it. Copy a stay whole; a copy that was
cut short is then told from one that was not.

Exit codes: 0 intact, and proven whole; 3 repaired, or what is there is sound and
whether more was there cannot be told; 4 damaged: something that was stored is
missing or cannot be read; 1 the store could not be looked at.`
}

// damaged is the error of a verification that found damage.
type damaged struct{ error }

// ExitCode tells damage from all else that needs attention.
func (damaged) ExitCode() int { return 4 }

// Run verifies the store.
func (c *verifyCmd) Run(h *host) error {
	if err := isStay(c.Dir); err != nil {
		return err
	}
	p := cli.NewProgress(h.stderr)
	v, err := storage.VerifyTold(c.Dir, p.Bytes("checking"))
	p.End()
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
	switch {
	case v.State == storage.Damaged:
		return damaged{fmt.Errorf("%s is damaged: what is sound around the damage is read by all commands", c.Dir)}
	case v.State == storage.Repaired:
		return cli.Attention(fmt.Errorf("%s was cut off by a loss of power and repaired; nothing that was acknowledged is missing: the chain of its files proves it", c.Dir))
	case v.State == storage.Unproven:
		return cli.Attention(fmt.Errorf("%s: what is there is sound; that nothing more was there cannot be proven", c.Dir))
	}
	return nil
}

func (c *verifyCmd) json(h *host, v *storage.Verification) error {
	l := cli.NewLines(h.stdout)
	for _, f := range v.Files {
		l.Add(f)
	}
	whole := *v
	whole.Files = nil
	l.Add(whole)
	return l.Err()
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
	if l := v.Lost; l != nil {
		fmt.Fprintf(h.stdout, "not stored for lack of room: %s\n", l)
	}
	proof(h.stdout, v.Proof)
	for _, s := range v.Strange {
		fmt.Fprintf(h.stdout, "not of the store: %s\n", cli.Plain(s))
	}
	running := ""
	if v.Running {
		running = ", being written to"
	}
	if v.Whole && v.State != storage.Damaged {
		fmt.Fprintln(h.stdout, "nothing that was acknowledged is missing")
	}
	fmt.Fprintf(h.stdout, "%s: %s%s: runs %d, events %d, frames %d\n", cli.Plain(c.Dir), v.State, running, v.Runs, v.Events, v.Frames)
	return nil
}

// proof says what proves the runs whole, or up to where; runs of which the same
// is said stand together.
func proof(w io.Writer, list []storage.Proof) {
	for i := 0; i < len(list); {
		p := list[i]
		n := i + 1
		for n < len(list) && list[n].Whole && p.Whole && n < len(list)-1 {
			n++
		}
		word := "not proven whole: " + p.By
		if p.Whole {
			word = "proven whole: " + p.By
		}
		if n > i+1 {
			fmt.Fprintf(w, "runs %d to %d: proven whole: each by the run after it\n", p.Run, list[n-1].Run)
		} else {
			fmt.Fprintf(w, "run %d: %s\n", p.Run, cli.Plain(word))
		}
		i = n
	}
}
