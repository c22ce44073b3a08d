package main

import (
	"bytes"
	"strings"
	"testing"

	"joltwatch/cmd/develop/invented"
	"joltwatch/cmd/internal/cli"
	"joltwatch/storage/review"
)

// A store from someone else can not steer the terminal.
func TestPlain(t *testing.T) {
	if got := cli.Plain("van\x1b[2J\r\n\u202e7\x9b"); strings.ContainsAny(got, "\x1b\r\n\u202e") || strings.IndexByte(got, 0x9b) >= 0 || !strings.HasPrefix(got, "van") {
		t.Errorf("%q", got)
	}
	s, err := invented.Week(20, 1)
	if err != nil {
		t.Fatal(err)
	}
	for i := range s.Events {
		e := &s.Events[i]
		e.Class.UnmarshalText([]byte("\x1b]0;x\x07")) //nolint:errcheck // takes anything
		e.Kind, e.MissingInputs = "\x1b[31m", []string{"\x1b[1A"}
		e.Measures[0].Name = "\x1b[5n_s"
	}
	s.Label = "\x1b[2J"
	var out bytes.Buffer
	if err := writeEvents(&out, review.Metric, review.Times{}, s.Worst()); err != nil {
		t.Fatal(err)
	}
	if err := compareText(&out, review.Compare(s, s), review.Times{}); err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(out.String(), "\x1b\x07") {
		t.Error("control characters of the store reach the terminal")
	}
}
