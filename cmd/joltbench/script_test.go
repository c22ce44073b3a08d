package main

import (
	"html"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"joltwatch/cmd/develop/invented"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"joltbench": main})
}

// TestScript runs the command lines in testdata/script.
func TestScript(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("TZ", "UTC")
			return nil
		},
		UpdateScripts: os.Getenv("UPDATE_SCRIPTS") != "",
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"store": store, "spoil": spoil, "title": title,
		},
	})
}

// store writes the store of an invented stay: store DIR SEED DRIVES [LABEL].
func store(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: store DIR SEED DRIVES [LABEL]")
	}
	seed, err := strconv.ParseUint(args[1], 10, 64)
	ts.Check(err)
	drives, err := strconv.Atoi(args[2])
	ts.Check(err)
	s, err := invented.Week(100, seed)
	ts.Check(err)
	invented.Cut(s, drives)
	if len(args) > 3 {
		s.Label = args[3]
	}
	ts.Check(invented.Write(s, ts.MkAbs(args[0])))
}

// spoil turns bytes in the middle of the store's largest file of a kind:
// spoil DIR PATTERN.
func spoil(ts *testscript.TestScript, neg bool, args []string) {
	files, err := filepath.Glob(filepath.Join(ts.MkAbs(args[0]), args[1]))
	ts.Check(err)
	best, size := "", int64(0)
	for _, f := range files {
		if info, err := os.Stat(f); err == nil && info.Size() > size {
			best, size = f, info.Size()
		}
	}
	if best == "" {
		ts.Fatalf("no file matches %s", args[1])
	}
	b, err := os.ReadFile(best)
	ts.Check(err)
	for i := len(b) / 2; i < len(b)/2+32 && i < len(b); i++ {
		b[i] ^= 0xa5
	}
	ts.Check(os.WriteFile(best, b, 0o600))
}

// title fails unless the page's title, as a browser reads it, is the text.
func title(ts *testscript.TestScript, neg bool, args []string) {
	page := ts.ReadFile(args[0])
	_, rest, _ := strings.Cut(page, "<title>")
	got, _, _ := strings.Cut(rest, "</title>")
	if html.UnescapeString(got) != args[1] {
		ts.Fatalf("title %q, want %q", html.UnescapeString(got), args[1])
	}
}
