package page

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"joltwatch/cmd/develop/invented"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/storage/review"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

const attack = `</script><script>window.owned=1</script><img src=x onerror="window.owned=1">"'><svg onload=window.owned=1>{{.}}<!--` + "\u202etxt\u200f\u061c\u2066\x1b[2J\x9b\r"

// hostile is a stay from someone who wants to run code in the page: every text
// that a store, a vehicle file or a definition file can bring is an attack.
func hostile(t *testing.T) *review.Stay {
	t.Helper()
	s, err := invented.Week(20, 2)
	if err != nil {
		t.Fatal(err)
	}
	s.Label, s.Settings, s.Programs = attack, attack, []string{attack}
	s.Remarks = []string{attack}
	plan := *s.Plan
	plan.Vehicle = attack
	plan.Buses = []string{attack}
	plan.Sources = map[string][]string{attack: {attack}, stream.EngineSpeed.String(): {attack}}
	s.Plan = &plan
	for i := range s.Events {
		e := &s.Events[i]
		e.ID = attack
		e.Class.UnmarshalText([]byte(attack)) //nolint:errcheck // takes anything
		if i%2 == 0 {
			e.Kind = attack
		}
		e.MissingInputs = []string{attack}
		e.Measures = append(e.Measures, detect.Measure{Name: attack, Value: 1e300}, detect.Measure{Name: "lag_s", Value: -1e308})
		e.Instants = append(e.Instants, detect.Instant{Name: attack, At: e.Start, Early: e.Start, Late: e.End})
		e.Percentiles = []detect.Percentile{{Measure: attack, Share: 2, N: 9}}
		x := 1e300
		e.Context.Gear, e.Context.FluidTemperatureC = &x, &x
	}
	for i := range s.Drives {
		a := &s.Drives[i].Account
		a.Roles = append(a.Roles, detect.RoleCover{Role: attack, FreshS: -1, PeriodS: 1e300})
		a.Opportunities = append(a.Opportunities, detect.Opportunity{Kind: attack, Seen: 3, Observable: 2, Hits: 9})
		a.Bands = append(a.Bands, detect.Band{Of: "speed_kmh", Label: attack, Closed: 1e300})
		if i == 3 {
			a.Start, a.End = -1<<62, 1<<62
		}
	}
	return s
}

// safe looks in the text of a page for what of an attack may not be in it: what
// runs, what steers, and what changes the direction of writing.
func safe(t *testing.T, name, text string) {
	t.Helper()
	for _, bad := range []string{"<img", "<script>window", "<svg onload", "\u202e", "\u200f", "\u061c", "\u2066", "\x1b", "\u009b", "\r", `[2J` + "\ufffd", `\u001b`} {
		if strings.Contains(text, bad) {
			t.Errorf("%s holds %q", name, bad)
		}
	}
	if !strings.Contains(text, "·txt···") {
		t.Errorf("%s does not show that characters were left out", name)
	}
}

// None of it runs, in any page, and each page is still whole.
func TestHostileStore(t *testing.T) {
	s := hostile(t)
	dir := t.TempDir()
	pages := map[string]func(*bytes.Buffer) error{
		"report": func(b *bytes.Buffer) error {
			return Report(b, s, Options{FullBytes: 1 << 20, Version: "test", Other: s})
		},
		"letter": func(b *bytes.Buffer) error {
			l, err := NewLetter(s, attack, View{})
			if err != nil {
				return err
			}
			return WriteLetter(b, l)
		},
		"figure":  func(b *bytes.Buffer) error { return Figure(b, s, s.Worst()[0], "svg", View{}) },
		"compare": func(b *bytes.Buffer) error { return Compare(b, review.Compare(s, s), View{}, "test") },
	}
	for name, write := range pages {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		safe(t, name, b.String())
		if err := os.WriteFile(filepath.Join(dir, name+".html"), b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	ctx, seen := browser(t)
	for name := range pages {
		run(t, ctx, chromedp.Navigate("file://"+filepath.Join(dir, name+".html")), chromedp.Sleep(500*time.Millisecond))
		if eval[bool](t, ctx, `"owned" in window`) {
			t.Errorf("%s: the store ran code in the page", name)
		}
		if n := eval[int](t, ctx, `document.querySelectorAll("img,iframe,object,embed,link,base").length`); n != 0 {
			t.Errorf("%s: %d elements that the store brought", name, n)
		}
		if !eval[bool](t, ctx, `document.body.textContent.includes("window.owned=1")`) {
			t.Errorf("%s: the label is not shown as text", name)
		}
	}
	complaints, requests := seen()
	if len(complaints) > 0 || len(requests) != len(pages) {
		t.Errorf("complaints %q, requests %q", complaints, requests)
	}
}

// The policy in the page stops a script that is not the page's own, even if
// one got in.
func TestPolicy(t *testing.T) {
	s, err := invented.Week(5, 2)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := Report(&b, s, Options{Version: "test"}); err != nil {
		t.Fatal(err)
	}
	broken := strings.Replace(b.String(), "<main>", `<main><script>window.owned=1</script><p onclick="window.owned=1" id="bait">x</p>`, 1)
	path := filepath.Join(t.TempDir(), "page.html")
	if err := os.WriteFile(path, []byte(broken), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, _ := browser(t)
	run(t, ctx, chromedp.Navigate("file://"+path), chromedp.Click(chromedp.CSS("#bait")))
	if eval[bool](t, ctx, `"owned" in window`) {
		t.Error("the policy let a foreign script run")
	}
}

// A plan that no decoder could have made costs the traces, not the page.
func TestHostilePlan(t *testing.T) {
	s, err := invented.Week(10, 2)
	if err != nil {
		t.Fatal(err)
	}
	plan := *s.Plan
	plan.Messages = append([]stream.Message{}, plan.Messages...)
	plan.Messages[0].Signals = append([]stream.Signal{{Name: attack, Role: 200, Start: 65535, Length: 255, Source: 255, Scale: 1e308}}, plan.Messages[0].Signals...)
	s.Plan = &plan
	var b bytes.Buffer
	if err := Report(&b, s, Options{Version: "test"}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "could not be read in full") {
		t.Error("the page does not say that the traces are missing")
	}
}

// A definition file and a vehicle file full of attacks, through the readers
// that every file goes through.
func TestHostileDefinitions(t *testing.T) {
	r, err := drive.Run(drive.Scenario{Name: "x", Vehicle: "van", Seed: 1, Steps: []drive.Step{{Do: "start", ForS: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	// A vehicle file with control characters is refused.
	attack := strings.NewReplacer("\x1b", "", "\x9b", "", "\r", "").Replace(attack)
	quoted := strings.ReplaceAll(attack, `"`, `'`)
	dbc := r.DBC[0] + "\nCM_ \"" + quoted + "\";\n" + "BO_ 99 " + quoted + ": 8 X\n SG_ " + quoted + " : 0|8@1+ (1,0) [0|1] \"" + quoted + "\" X\n"
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, r.DBCNames[0]), []byte(dbc), 0o600); err != nil {
		t.Fatal(err)
	}
	text := "label = '''" + attack + "'''\n" + dropLabel(r.VehicleTOML)
	set := map[string]any{}
	f, err := vehicle.Parse(filepath.Join(dir, "vehicle.toml"), []byte(text), &set)
	if err != nil {
		t.Fatal(err)
	}
	s := (&review.Stay{Label: f.Label, Plan: f.Plan, Settings: string(f.Text), Remarks: f.Warnings}).Build(nil)
	var b bytes.Buffer
	if err := Report(&b, s, Options{Version: "test"}); err != nil {
		t.Fatal(err)
	}
	safe(t, "the page", b.String())
	if !strings.Contains(b.String(), "window.owned=1") {
		t.Error("the label is not shown as text")
	}
}

func dropLabel(text string) string {
	var keep []string
	for _, l := range strings.Split(text, "\n") {
		if !strings.HasPrefix(l, "label") {
			keep = append(keep, l)
		}
	}
	return strings.Join(keep, "\n")
}
