package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/stream"
	"joltwatch/stream/find"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestFindScript runs the command lines in testdata/find.
func TestFindScript(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/find",
		RequireExplicitExec: true,
		UpdateScripts:       os.Getenv("UPDATE_SCRIPTS") != "",
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"unknown": unknown, "right": right},
	})
}

// unknown writes a two-minute drive of an invented vehicle with a scrambled
// layout as a log: unknown FILE SEED.
func unknown(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: unknown FILE SEED")
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), scrambled(ts, args[1]).Log, 0o644))
}

func scrambled(ts *testscript.TestScript, text string) *drive.Result {
	seed, err := strconv.ParseUint(text, 10, 64)
	ts.Check(err)
	r, err := drive.Scramble(drive.Recipe("van", seed), seed, true)
	ts.Check(err)
	return r
}

// right compares the first proposals in the JSON lines of a file with where
// the layout has them: right FILE SEED ROLE….
func right(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: right FILE SEED ROLE…")
	}
	r := scrambled(ts, args[1])
	want := map[string]string{}
	for _, m := range r.Layout.Messages {
		for _, s := range m.Signals {
			if name := s.Role.String(); !s.Unmapped && want[name] == "" {
				id := strings.ToUpper(strconv.FormatUint(uint64(m.ID), 16))
				for len(id) < 3 || m.Extended && len(id) < 8 {
					id = "0" + id
				}
				want[name] = id
			}
		}
	}
	lines := ts.ReadFile(args[0])
	for _, role := range args[2:] {
		found := false
		for _, line := range bytes.Split([]byte(lines), []byte("\n")) {
			var x struct {
				Type, Role, ID string
				Rank           int
			}
			if json.Unmarshal(line, &x) != nil || x.Type != "proposal" || x.Role != role || x.Rank != 1 {
				continue
			}
			found = true
			if x.ID != want[role] {
				ts.Fatalf("%s: proposed in %s, it is in %s", role, x.ID, want[role])
			}
		}
		if !found {
			ts.Fatalf("%s: nothing proposed", role)
		}
	}
}

// TestFindPagePlots: every plot of a page shows something.
func TestFindPagePlots(t *testing.T) {
	if testing.Short() {
		t.Skip("short: the search was not run")
	}
	r, err := drive.Scramble(drive.Recipe("van", 11), 11, true)
	if err != nil {
		t.Fatal(err)
	}
	s := find.NewSurvey(find.Options{})
	for i := range r.Frames {
		s.Add(&r.Frames[i])
	}
	plots := findPlots(s.Analyse(nil))
	if len(plots) != 5 {
		t.Fatalf("%d plots, want 5", len(plots))
	}
	for _, p := range plots {
		if n := strings.Count(string(p.Figure), "<circle") + 100*strings.Count(string(p.Figure), "<path"); n < 100 {
			t.Errorf("%s: nothing drawn", p.Title)
		}
		if strings.Contains(string(p.Figure), "NaN") || strings.Contains(string(p.Figure), "Inf") {
			t.Errorf("%s: drawn at no place", p.Title)
		}
	}
}

// TestHostileFindPage: nothing that a log, its name or an interface brings runs in the
// page, steers a terminal or turns the direction of writing.
func TestHostileFindPage(t *testing.T) {
	const attack = "</script><script>window.owned=1</script><img src=x onerror=\"window.owned=1\">\"'{{.}}<!--\u202etxt\u200f\u061c\u2066\x1b[2J\u009b\r"
	res := &find.Result{
		Frames: 9, Times: []float64{0, 1, 2}, Ratios: []float64{math.NaN(), math.Inf(1), 2},
		References: []find.ReferenceSeen{{Parameter: find.ParamEngineSpeed, Name: attack, Unit: attack, Answers: 2, At: []float64{0, 1}, Values: []float64{math.NaN(), 1e9}}},
	}
	for _, r := range []stream.Role{stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed, stream.VehicleSpeed, stream.Accelerator, stream.Gear} {
		res.Roles = append(res.Roles, find.RoleResult{Role: r, Found: r != stream.Gear, Why: attack,
			Proposals: []find.Proposal{{Evidence: []string{attack}, Scale: math.Inf(1), Trace: []float64{math.NaN(), -1e9, 1e9}, States: map[int64]int64{1: 2}}}})
	}
	var b bytes.Buffer
	if err := writeFindPage(&b, attack+".log", res, []string{attack}); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	for _, bad := range []string{"<script", "<img", "\u202e", "\u200f", "\u061c", "\u2066", "\x1b", "\u009b", "\r"} {
		if strings.Contains(page, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if n := strings.Count(page, "·txt···"); n < 3 {
		t.Errorf("the page shows %d times that characters were left out", n)
	}
	for _, figure := range regexp.MustCompile(`<svg[^>]*>(?s:.*?)</svg>`).FindAllString(page, -1) {
		if strings.Contains(figure, "NaN") || strings.Contains(figure, "Inf") {
			t.Errorf("something is drawn at no place: %.200s", figure)
		}
	}
}
