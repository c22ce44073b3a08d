package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltbench/watch"
	"joltwatch/storage/review"
)

type watchCmd struct {
	storeArg
	Every time.Duration `default:"2s" help:"How often to look."`
	Once  bool          `help:"Show how it stands and stop."`
	JSON  bool          `name:"json" help:"Follow as JSON: one summary object a line whenever something changed."`
}

// Help implements kong's long help.
func (watchCmd) Help() string {
	return `Follows a running stay: both speeds and the count of late releases large, the last
finding, the value of each signal and how much of the time it was known, and the
time per clutch state. It reads only what is on file: values are written every
minute or so and with each event, events at once. q ends it. Where standard output is no
terminal it shows how things stand once. A passenger reads this, never the driver.`
}

// Run follows the stay until q or an interrupt.
func (c *watchCmd) Run(h *host) error {
	if c.Every < 200*time.Millisecond {
		return cli.Usage("--every: expected 200ms or more")
	}
	out, _ := h.stdout.(*os.File)
	terminal := out != nil && term.IsTerminal(int(out.Fd()))
	if c.Once || !terminal && !c.JSON {
		// Who follows may wait for a stay that is still to begin.
		if err := isStay(c.Dir); err != nil {
			return err
		}
	}
	s, err := review.Load(c.Dir)
	if err != nil {
		return err
	}
	if c.JSON {
		return c.follow(h, s)
	}
	if c.Once || !terminal {
		for _, l := range watch.Screen(s, nil, 80, 60) {
			fmt.Fprintln(h.stdout, l)
		}
		return done(s)
	}
	return c.show(h, s, out)
}

// follow writes a summary object whenever it differs from the one before.
func (c *watchCmd) follow(h *host, s *review.Stay) error {
	last := ""
	for {
		t := s.Total()
		b, err := json.Marshal(summaryObject(s, &t))
		if err != nil {
			return err
		}
		if string(b) != last {
			last = string(b)
			if _, err := fmt.Fprintln(h.stdout, last); err != nil {
				return err
			}
		}
		if c.Once {
			return done(s)
		}
		select {
		case <-h.ctx.Done():
			return nil
		case <-time.After(c.Every):
		}
		if s, err = review.Load(c.Dir); err != nil {
			return err
		}
	}
}

// show keeps a screen of its own on the terminal and leaves it as it was.
func (c *watchCmd) show(h *host, s *review.Stay, out *os.File) error {
	keys := make(chan byte)
	if in := int(os.Stdin.Fd()); term.IsTerminal(in) {
		old, err := term.MakeRaw(in)
		if err == nil {
			defer term.Restore(in, old) //nolint:errcheck // nothing is left to do
			go func() {
				b := make([]byte, 1)
				for {
					if n, err := os.Stdin.Read(b); n == 0 || err != nil {
						return
					}
					keys <- b[0]
				}
			}()
		}
	}
	fmt.Fprint(out, "\x1b[?1049h\x1b[?25l") // another screen, no cursor
	defer fmt.Fprint(out, "\x1b[?25h\x1b[?1049l")
	// before is the stay as it was with the account before this one.
	var before *review.Stay
	for {
		width, height, err := term.GetSize(int(out.Fd()))
		if err != nil {
			width, height = 80, 24
		}
		lines := watch.Screen(s, before, width, height-1)
		lines = append(lines, "q ends")
		fmt.Fprint(out, "\x1b[H\x1b[2J"+strings.Join(lines, "\r\n"))
		select {
		case <-h.ctx.Done():
			return nil
		case k := <-keys:
			if k == 'q' || k == 'Q' || k == 3 { // 3 is Ctrl-C in raw mode
				return nil
			}
		case <-time.After(c.Every):
		}
		next, err := review.Load(c.Dir)
		if err != nil {
			return err
		}
		if a, b := next.Total(), s.Total(); a.EngineOnS != b.EngineOnS {
			before = s
		}
		s = next
	}
}
