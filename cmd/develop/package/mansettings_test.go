package main

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"joltwatch/detect"
)

var update = flag.Bool("update", false, "write the settings into the manual page")

// What stands between these lines of the page is made from the detectors.
const (
	manFrom = ".\\\" Settings: made by go test ./cmd/develop/package -run ManualSettings -update\n"
	manTo   = ".\\\" End of the settings.\n"
)

// The manual page has every setting with its unit, range, default and reason, as
// the detectors have them.
func TestManualSettings(t *testing.T) {
	const path = "man/joltwatch-vehicle.5"
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok1 := strings.Cut(string(b), manFrom)
	was, after, ok2 := strings.Cut(rest, manTo)
	if !ok1 || !ok2 {
		t.Fatalf("%s: no lines %q and %q", path, manFrom, manTo)
	}
	is := manSettings(detect.Tables())
	if is == was {
		return
	}
	if !*update {
		t.Fatalf("%s is not what the detectors say: go test ./cmd/develop/package -run ManualSettings -update", path)
	}
	if err := os.WriteFile(path, []byte(before+manFrom+is+manTo+after), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestManualSettingsSay(t *testing.T) {
	got := manSettings([]detect.Table{{Name: "shudder", Settings: []detect.Setting{
		{Key: "low_hz", Unit: "Hz", Default: 3, Least: 0.5, Most: 20, Reason: "from 3 Hz. It shakes at 3-20 Hz (cp)"}}}})
	want := ".Ss [detect.shudder]\n.Bl -tag -width Ds\n.It Ic low_hz\n3 Hz (0.5 to 20):\nfrom 3 Hz.\nIt shakes at 3\\-20 Hz (cp).\n.El\n"
	if got != want {
		t.Errorf("%s\nexpected\n%s", got, want)
	}
}

// manSettings writes tables as sections of a manual page in mdoc.
func manSettings(tables []detect.Table) string {
	var b strings.Builder
	for _, t := range tables {
		fmt.Fprintf(&b, ".Ss [detect.%s]\n.Bl -tag -width Ds\n", t.Name)
		for _, s := range t.Settings {
			unit := ""
			if s.Unit != "" {
				unit = " " + s.Unit
			}
			fmt.Fprintf(&b, ".It Ic %s\n%s\n%s\n", s.Key, manText(fmt.Sprintf("%g%s (%g to %g):", s.Default, unit, s.Least, s.Most)), manText(s.Reason+"."))
		}
		b.WriteString(".El\n")
	}
	return b.String()
}

// manText is plain text as a manual page has it: special characters by name, each
// sentence on lines of its own of less than 80 bytes.
func manText(text string) string {
	text = strings.NewReplacer("\\", "\\e", "-", "\\-", "²", "\\(S2", "³", "\\(S3", "·", "\\(bu", "°", "\\(de", "–", "\\(en", "×", "\\(mu", "±", "\\(+-").Replace(text)
	var b strings.Builder
	room := 0
	for i, word := range strings.Fields(text) {
		if strings.HasPrefix(word, ".") || strings.HasPrefix(word, "'") {
			word = "\\&" + word // no request
		}
		switch room -= 1 + len(word); {
		case i > 0 && room > 0:
			b.WriteByte(' ')
		default:
			if i > 0 {
				b.WriteByte('\n')
			}
			room = 78 - len(word)
		}
		b.WriteString(word)
		if strings.HasSuffix(word, ".") {
			room = 0
		}
	}
	return b.String()
}
