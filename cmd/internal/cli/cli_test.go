package cli

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"testing"
)

type world struct{ said string }

type doCmd struct {
	How string `arg:""`
}

func (c *doCmd) Run(w *world) error {
	switch c.How {
	case "well":
		return nil
	case "look":
		return fmt.Errorf("done: %w", Attention(errors.New("look")))
	case "wrong":
		return Usage("not so")
	case "worst":
		return worst{}
	}
	return errors.New(w.said)
}

type worst struct{}

func (worst) Error() string { return "worst" }
func (worst) ExitCode() int { return 4 }

func TestMainExitCodes(t *testing.T) {
	for _, x := range []struct {
		args []string
		code int
		said string
	}{
		{[]string{"do", "well"}, 0, ""},
		{[]string{"do", "badly"}, 1, "prog: of the world\n"},
		{[]string{"do", "wrong"}, 2, "prog: not so; see prog --help\n"},
		{[]string{"undo"}, 2, "see prog --help\n"},
		{[]string{"do"}, 2, "prog: expected \"<how>\"; see prog do --help\n"},
		{[]string{"do", "look"}, 3, "prog: done: look\n"},
		{[]string{"do", "worst"}, 4, "prog: worst\n"},
	} {
		var c struct {
			Do doCmd `cmd:""`
			Version
		}
		var out, errs bytes.Buffer
		code := Program{Name: "prog", Description: "It does.", Commands: &c, Host: func(context.Context) any { return &world{"of the world"} }}.Main(x.args, &out, &errs)
		if code != x.code || !strings.HasSuffix(errs.String(), x.said) || x.code > 0 && strings.Count(errs.String(), "\n") != 1 {
			t.Errorf("%q: %d %q, want %d %q", x.args, code, errs.String(), x.code, x.said)
		}
	}
}

func TestHelpAndVersion(t *testing.T) {
	for args, want := range map[string]string{"": "It does.", "--help": "It does.", "--version": Number} {
		var c struct {
			Do doCmd `cmd:""`
			Version
		}
		var out, errs bytes.Buffer
		code := Program{Name: "prog", Description: "It does.", Commands: &c}.Main(strings.Fields(args), &out, &errs)
		if code != 0 || !strings.Contains(out.String(), want) || errs.Len() > 0 {
			t.Errorf("%q: %d %q %q", args, code, out.String(), errs.String())
		}
	}
}

func TestStamped(t *testing.T) {
	got := stamped([]debug.BuildSetting{{Key: "vcs", Value: "git"}, {Key: "vcs.revision", Value: strings.Repeat("a", 40)}, {Key: "vcs.modified", Value: "true"}})
	if want := Number + "+gaaaaaaaaaa.changed"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
