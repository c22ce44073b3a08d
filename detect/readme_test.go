package detect_test

import (
	"os"
	"strings"
	"testing"

	"joltwatch/detect"
)

// The table of the README lists the detectors and their classes as All does.
func TestReadmeListsDetectors(t *testing.T) {
	b, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, ok := strings.Cut(string(b), "| kind | classes | read as |\n|---|---|---|\n")
	if !ok {
		t.Fatal("README.md has no table of kinds, classes and how they are read")
	}
	table, _, _ := strings.Cut(text, "\n\n")
	rows := strings.Split(table, "\n")
	for i, s := range detect.All {
		var classes []string
		for _, c := range s.Classes() {
			classes = append(classes, c.String())
		}
		want := strings.Join(strings.Fields("| `"+s.Kind+"` | "+strings.Join(classes, ", ")+" |"), " ")
		if i >= len(rows) || !strings.HasPrefix(rows[i], want+" ") {
			t.Errorf("row %d of README.md does not begin with %s", i+1, want)
		}
	}
	if len(rows) != len(detect.All) {
		t.Errorf("%d rows in README.md, %d detectors", len(rows), len(detect.All))
	}
}
