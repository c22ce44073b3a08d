// Speed measures what decoding and the whole line cost and prints each value beside
// its aim: by the time of a processor, and by the instructions that each kind of
// board's processor takes. It exits with 1 where an aim is missed, or where
// instructions have grown. It is run from the repository's root:
//
//	go run ./cmd/develop/speed
//
// Whatever else the machine does is not in the time, which is the processor's; what of
// it is felt all the same (caches, the processor's clock) falls on both sides of a
// comparison alike, because the two take turns. Instructions do not depend on it.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"text/tabwriter"

	"github.com/alecthomas/kong"

	"joltwatch/cmd/internal/cli"
)

type options struct {
	Count        int    `default:"5" help:"How often each benchmark runs."`
	Time         string `default:"1s" help:"How long each run takes, or how many frames it has (100000x)."`
	Instructions bool   `help:"Count instructions only, and compare them with the record."`
	Record       bool   `help:"Write what was counted into the record."`
}

func main() {
	var c options
	kong.Parse(&c, kong.Name("speed"), kong.Description("Print what decoding and the whole line cost beside the aims."))
	cli.Tool("speed", func(context.Context) error {
		missed, err := c.run(os.Stdout)
		if err == nil && missed > 0 {
			err = fmt.Errorf("%d aims missed", missed)
		}
		return err
	})
}

func (c *options) run(w io.Writer) (missed int, err error) {
	got, err := countAll()
	if err != nil {
		return 0, err
	}
	if c.Record {
		if err := os.WriteFile(recordFile, []byte(got.text()), 0o644); err != nil {
			return 0, err
		}
	}
	text, err := os.ReadFile(recordFile)
	if err != nil {
		return 0, err
	}
	old, err := readRecord(string(text))
	if err != nil {
		return 0, err
	}
	rows, err := recordRows(got, old)
	if err != nil {
		return 0, err
	}
	if !c.Instructions {
		timed, err := c.timeRows()
		if err != nil {
			return 0, err
		}
		rows = append(append(rows, aimRows(got)...), timed...)
	}
	return write(w, rows)
}

// row is one line of the table; without an aim it is for information.
type row struct {
	what, value, aim string
	met              bool
}

func write(w io.Writer, rows []row) (missed int, err error) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "what\tvalue\taim\t")
	for _, r := range rows {
		verdict := ""
		if r.aim != "" {
			verdict = "met"
			if !r.met {
				verdict = "MISSED"
				missed++
			}
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", r.what, r.value, r.aim, verdict)
	}
	return missed, t.Flush()
}
