package main

import (
	"fmt"
	"os"
	"path/filepath"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/internal/page"
	"joltwatch/storage"
	"joltwatch/storage/review"
)

// storeArg is the store that a command reads.
type storeArg struct {
	Dir string `arg:"" help:"The store directory that joltwatch wrote." placeholder:"DIR"`
}

// viewArgs are how the reader wants times and units.
type viewArgs struct {
	Units review.Units `enum:"metric,us" default:"metric" help:"Units of what people read: ${enum}. What machines read stays metric."`
	Zone  string       `placeholder:"ZONE" help:"Time zone of what people read, by its IANA name (Europe/Berlin, UTC); the computer's own by default."`
}

// stayArgs are those of a command that shows a stay to people.
type stayArgs struct {
	storeArg
	viewArgs
}

// read reads the stay; view is how the reader wants it.
func (a stayArgs) read(h *host) (s *review.Stay, view page.View, err error) {
	view.Units = a.Units
	if view.Times, err = a.times(); err != nil {
		return nil, view, err
	}
	s, err = a.open(h)
	return s, view, err
}

// times returns the zone, or what is wrong with its name.
func (a viewArgs) times() (review.Times, error) {
	t, err := review.NewTimes(a.Zone)
	if err != nil {
		return t, cli.Usage(err.Error())
	}
	return t, nil
}

// open reads the stay and says on standard error what is missing.
func (a storeArg) open(h *host) (*review.Stay, error) { return openStay(h, a.Dir) }

// event returns one of the stay by its number.
func event(s *review.Stay, n int) (*review.Event, error) {
	e := s.Find(n)
	if e == nil {
		return nil, fmt.Errorf("no event %d; expected 1 to %d", n, len(s.Events))
	}
	return e, nil
}

func openStay(h *host, dir string) (*review.Stay, error) {
	if err := isStay(dir); err != nil {
		return nil, err
	}
	s, err := review.Load(dir)
	if err != nil {
		return nil, err
	}
	for _, r := range s.Remarks {
		fmt.Fprintf(h.stderr, "joltbench: %s: %s\n", dir, cli.Plain(r))
	}
	return s, nil
}

// isStay is an error where the folder holds no stay. A damaged one is one.
func isStay(dir string) error {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return fmt.Errorf("%s: no such directory; expected the store directory that joltwatch run --store wrote", dir)
	}
	s, err := storage.Read(dir)
	if err == nil && len(s.Boots()) == 0 && !hasJournal(dir) {
		return fmt.Errorf("%s: no stay in this folder; expected one that joltwatch run --store has made", dir)
	}
	return nil // what cannot be read is told by the reader
}

func hasJournal(dir string) bool {
	names, err := filepath.Glob(filepath.Join(dir, "*.journal*"))
	return err == nil && len(names) > 0
}

// done returns the error of a command whose work is done: none, or that the
// store needs attention.
func done(stays ...*review.Stay) error {
	for _, s := range stays {
		if s.Damaged {
			return cli.Attention(fmt.Errorf("%s is damaged in places; what could be read is shown: joltbench verify %s says where", s.Dir, s.Dir))
		}
	}
	return nil
}
