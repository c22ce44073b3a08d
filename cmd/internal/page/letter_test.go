package page

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"joltwatch/cmd/develop/invented"
	"joltwatch/detect"
	"joltwatch/storage/review"
)

func letter(t *testing.T, s *review.Stay) *Letter {
	t.Helper()
	l, err := NewLetter(s, "The workshop", View{})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// The letter speaks to somebody who drives: none of the trade's own words.
func TestLetterIsPlain(t *testing.T) {
	s, err := invented.Week(60, 4)
	if err != nil {
		t.Fatal(err)
	}
	l := letter(t, s)
	text := strings.ToLower(strings.Join(append(append(append(append([]string{}, l.Recorded...), l.Found...), l.Sure...), l.Next...), " "))
	for _, word := range []string{"rpm", "kpa", "lockup", "slip ", "turbine", "torque converter", "release-lag", "interval", "confidence", "fault code", "dragging", "evidence"} {
		if strings.Contains(text, word) {
			t.Errorf("%q is in the letter: %s", word, text)
		}
	}
	for _, want := range []string{"from 9 october 2025 to 15 october 2025", "21 drives", "294 times", "let go late", "seconds instead of the usual", "maker's service information"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in: %s", want, text)
		}
	}
	if strings.Contains(text, "you caused") || strings.Contains(text, "your fault") {
		t.Error("blame")
	}
}

// Nothing found is said with how sure that is, and asks for nothing.
func TestLetterOfNothing(t *testing.T) {
	s, err := invented.Week(10, 4)
	if err != nil {
		t.Fatal(err)
	}
	// What ailed the recorder is no finding in the vehicle.
	s.Events = s.Events[:2]
	for i, class := range []detect.Class{detect.BusErrors, detect.BusFramesLost} {
		s.Events[i].Kind, s.Events[i].Class = detect.KindBusFault, class
	}
	for i := range s.Drives {
		s.Drives[i].Account.Opportunities = []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: 15, Observable: 15}}
	}
	l := letter(t, s)
	// 315 chances: 3/315 is 1 in 105.
	if text := strings.Join(l.Sure, " "); !strings.Contains(text, "315 times") || !strings.Contains(text, "less than once in 105") {
		t.Errorf("sure: %s", text)
	}
	for i := range s.Drives {
		s.Drives[i].Account.Opportunities = nil
	}
	s.Drives[0].Account.Opportunities = []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: 4, Observable: 4}}
	// None in 4: below 1 - 0.05^(1/4), 53 %.
	if text := strings.Join(letter(t, s).Sure, " "); !strings.Contains(text, "4 times") || !strings.Contains(text, "too few to say how seldom") {
		t.Errorf("sure of four: %s", text)
	}
	// Where nothing was found and nothing could be seen, there is no letter.
	s.Drives[0].Account.Opportunities[0].Observable = 0
	none := *s
	none.Events = nil
	if _, err := NewLetter(&none, "", View{}); err == nil || !strings.Contains(err.Error(), "could not have been seen") {
		t.Errorf("a letter of nothing: %v", err)
	}
	if text := strings.Join(l.Found, " "); !strings.HasPrefix(text, "We found nothing out of the ordinary") ||
		!strings.Contains(text, "disturbed") || !strings.Contains(text, "missed a part") || strings.Contains(text, "lost its connection") {
		t.Errorf("found: %s", text)
	}
}

// Even with something of every kind it is one printed page.
func TestLetterIsOnePage(t *testing.T) {
	s, err := invented.Week(21, 4)
	if err != nil {
		t.Fatal(err)
	}
	for i, kind := range []string{detect.KindReleaseLag, detect.KindHillSlip, detect.KindGearsetSlip, detect.KindFlare, detect.KindShudder, detect.KindJolt, detect.KindMark, detect.KindBusFault, detect.KindRoleStale} {
		s.Events[i].Kind, s.Events[i].Class = kind, detect.Unknown
	}
	s.Events[0].Class, s.Events[1].Class, s.Events[9].Kind, s.Events[9].Class = detect.ReleaseLate, detect.HillUnasked, detect.KindReleaseLag, detect.ReleaseDragging
	s.Damaged = true
	var b bytes.Buffer
	if err := WriteLetter(&b, letter(t, s.Build(nil))); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "letter.html")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, seen := browser(t)
	run(t, ctx, chromedp.Navigate("file://"+path))
	paper, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4), chromedp.PDFPreferCSSPageSize()))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(regexp.MustCompile(`/Type /Page\b[^s]`).FindAll(paper, -1)); n != 1 {
		t.Errorf("the letter takes %d pages", n)
	}
	shot(t, ctx, "letter")
	clean(t, seen)
}

// Where no release could have shown, neither the letter nor the verdict says that
// none was late, whatever else was found.
func TestUnseenIsNotNone(t *testing.T) {
	s, err := invented.Week(10, 4)
	if err != nil {
		t.Fatal(err)
	}
	s.Events = s.Events[:1]
	s.Events[0].Kind, s.Events[0].Class = detect.KindHillSlip, detect.HillUnasked
	for i := range s.Drives {
		a := &s.Drives[i].Account
		a.StopsObserved, a.ReleaseTrials = 0, detect.ReleaseTrials{}
		for j := range a.Opportunities {
			if o := &a.Opportunities[j]; o.Kind == detect.KindReleaseLag {
				o.Observable, o.Hits = 0, 0
			}
		}
	}
	s = s.Build(nil)
	l := letter(t, s)
	if len(l.Sure) > 0 || !strings.Contains(strings.Join(l.Unknown, " "), "could not be seen") {
		t.Errorf("sure %q, unknown %q", l.Sure, l.Unknown)
	}
	s.Events = nil
	v := s.Build(nil).Verdict(review.Metric, review.Times{})
	text := ""
	for _, x := range v.Lines {
		text += x.Head + ": " + x.Text + "\n"
	}
	if !v.Blind || !strings.Contains(text, "could a late release have been seen") || !strings.Contains(text, "How sure: Could not be seen") || strings.Contains(strings.ToLower(text), "not once") || strings.Contains(text, "ordinary in 21 drives") {
		t.Errorf("%s", text)
	}
}
