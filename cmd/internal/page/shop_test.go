package page

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"joltwatch/cmd/develop/invented"
	"joltwatch/cmd/joltshop/questions"
	"joltwatch/cmd/joltshop/rank"
	"joltwatch/detect"
)

var shopDay = time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC)

// shopWeek is a fleet in which van-003 changed, van-005 stands out, van-007 is
// silent and van-009 fills up; name and group dress them.
func shopWeek(name func(i int) string, group, trouble string, vehicles int) *rank.Shop {
	a := &questions.Answers{}
	for i := range vehicles {
		v := name(i)
		week := func(hits int) questions.Count { return questions.Count{Seen: 220, Observable: 200, Hits: int64(hits)} }
		weeks := []questions.Count{week(i % 3)}
		for k := range 8 {
			weeks = append(weeks, week((i+k)%2))
		}
		switch i {
		case 3:
			weeks[0].Hits = 30
		case 5:
			for k := range weeks {
				weeks[k].Hits = 20
			}
		}
		a.Opportunities = append(a.Opportunities, questions.Opportunities{Vehicle: v, Group: group, Kind: detect.KindReleaseLag, Weeks: weeks},
			questions.Opportunities{Vehicle: v, Group: group, Kind: detect.KindShudder, Weeks: slices.Repeat([]questions.Count{{Seen: 90, Observable: 80}}, 9)})
		for ago := range 63 {
			if ago%7 > 4 {
				continue
			}
			lag := 0.15 + 0.002*float64((7*i+5*ago)%11)
			if i == 4 && ago < 7 {
				lag += 0.06
			}
			a.Days = append(a.Days, questions.Day{Vehicle: v, Group: group, Ago: int64(ago), LagS: lag, Stops: 40})
		}
		u := questions.Unit{Vehicle: v, Group: group, Last: shopDay.Add(20 * time.Hour), Reported: true, Program: "joltwatch test", StoreBytes: 4e8, QuotaBytes: 2e9, FreeBytes: 9e9, BytesADay: 2e6, LeftFiles: 2, LeftBytes: 3e6}
		switch i {
		case 8:
			u = questions.Unit{Vehicle: v, Group: group}
		case 7:
			u.Last = shopDay.Add(-10 * 24 * time.Hour)
		case 9:
			u.StoreBytes, u.BytesADay, u.Troubles = 19e8, 3e7, trouble
		}
		a.Units = append(a.Units, u)
		a.Coverage = append(a.Coverage, questions.Coverage{Vehicle: v, Group: group, Drives: 10, EngineOnS: 20000, MovingS: 15000, UnknownS: 300, Stops: 220, StopsObserved: 200})
	}
	return rank.New(a, rank.Options{LastDay: shopDay, HistoryDays: 56, Now: shopDay.Add(23 * time.Hour), Rate: 0.05, LeastRate: rank.LeastRate, LeastLag: rank.LeastLag, SilentDays: 4, FullDays: 14})
}

func van(i int) string { return fmt.Sprintf("van-%03d", i) }

func writeShop(t *testing.T, s *rank.Shop, note string) string {
	t.Helper()
	var b bytes.Buffer
	if err := Shop(&b, s, nil, note, "test"); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "shop.html")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// The page answers each question, loads nothing, and can be read by everyone.
func TestShopInBrowser(t *testing.T) {
	s := shopWeek(van, "panel", "the card refuses", 60)
	path := writeShop(t, s, "Invented data.")
	ctx, seen := browser(t)
	run(t, ctx, chromedp.Navigate("file://"+path), chromedp.WaitVisible(chromedp.CSS("#changed table")))
	cells := func(section string) string {
		return eval[string](t, ctx, `[...document.querySelectorAll("#`+section+` tbody tr")].map(r => r.cells[0].textContent).join()`)
	}
	if got := eval[string](t, ctx, `[...document.querySelectorAll("#todo h3")].map(h => h.textContent).join() + ": " + [...document.querySelectorAll("#todo .todo strong")].map(h => h.textContent).join()`); got != "Call in,Watch,Mend the recorder: van-003,van-005,van-004,van-008,van-007,van-009" {
		t.Errorf("to do: %s", got)
	}
	if got := cells("changed"); !strings.HasPrefix(got, "van-003") || !strings.Contains(got, "van-004") || strings.Contains(got, "van-007") {
		t.Errorf("changed: %s", got)
	}
	// Its own week makes van-003 stand out among the others too.
	if got := eval[string](t, ctx, `document.querySelector("#standing tbody tr td").textContent`); got != "van-005" {
		t.Errorf("stands out first: %s", got)
	}
	if got := cells("silent"); got != "van-008,van-007" {
		t.Errorf("silent: %s", got)
	}
	if got := cells("filling"); got != "van-009" {
		t.Errorf("filling: %s", got)
	}
	if got := eval[string](t, ctx, `document.querySelector("#watched tbody").textContent`); !strings.Contains(got, "clutch release") || !strings.Contains(got, "12000") || !strings.Contains(got, "below 0.06 %") {
		t.Errorf("watched: %s", got)
	}
	if n := eval[int](t, ctx, `document.querySelectorAll("#vehicles tbody tr").length`); n != 60 {
		t.Errorf("%d vehicles", n)
	}
	if n := eval[int](t, ctx, `document.querySelectorAll("#standing circle").length`); n != 60 {
		t.Errorf("%d dots", n)
	}
	// Each link within the page leads somewhere, each table and figure has a
	// name or headings, and headings do not skip a level.
	if bad := eval[string](t, ctx, `[...document.querySelectorAll("a[href^='#']")].filter(a => !document.getElementById(a.getAttribute("href").slice(1))).map(a => a.outerHTML).join()`); bad != "" {
		t.Errorf("links to nowhere: %s", bad)
	}
	if bad := eval[string](t, ctx, `(() => { let last = 0, bad = []; for (const h of document.querySelectorAll("h1,h2,h3")) { const l = +h.tagName[1]; if (l > last + 1) bad.push(h.textContent); last = l; } return bad.join(); })()`); bad != "" {
		t.Errorf("headings skip a level at %s", bad)
	}
	if bad := eval[int](t, ctx, `[...document.querySelectorAll("svg[role=img]")].filter(e => !e.getAttribute("aria-label")).length + [...document.querySelectorAll("table")].filter(e => !e.querySelector("th[scope]")).length`); bad != 0 {
		t.Errorf("%d tables or figures without a name", bad)
	}
	shot(t, ctx, "shop-1400")
	run(t, ctx, chromedp.EmulateViewport(390, 844), chromedp.Sleep(200*time.Millisecond))
	if over := eval[int](t, ctx, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		t.Errorf("on a telephone the page is %d pixels too wide", over)
	}
	shot(t, ctx, "shop-390")
	for _, width := range []int64{390, 820} {
		run(t, ctx, chromedp.EmulateViewport(width, 1000), chromedp.Sleep(200*time.Millisecond))
		if cut := eval[string](t, ctx, `[...document.querySelectorAll("#todo .todo, #todo p")].filter(e => e.scrollWidth > e.clientWidth + 1 || e.getBoundingClientRect().right > innerWidth).map(e => e.textContent.slice(0, 60)).join()`); cut != "" {
			t.Errorf("at %d pixels of width cut: %s", width, cut)
		}
		// No column is beside the sheet.
		if cut := eval[string](t, ctx, `[...document.querySelectorAll(".scroll")].filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.textContent.trim().slice(0, 60)).join()`); cut != "" {
			t.Errorf("at %d pixels of width columns are cut: %s", width, cut)
		}
	}
	clean(t, seen)
}

// Printed, each table is as wide as the sheet at most, and what can only be clicked is
// not there. The worst finding is shown with its picture, and a van's history.
func TestShopPrinted(t *testing.T) {
	s := shopWeek(van, "panel", "the card refuses", 30)
	s.Of, s.Weeks = van(3), []rank.Week{{First: shopDay.AddDate(0, 0, -6), Last: shopDay, Release: questions.Count{Seen: 9, Observable: 8, Hits: 3}, Days: 2, LagS: 0.25}}
	stay, err := invented.Week(20, 2)
	if err != nil {
		t.Fatal(err)
	}
	worst := stay.Worst()[0]
	shown := map[string]Shown{s.Todo[0].Vehicle: {File: "shop-van.html", Picture: Picture(stay, worst)}}
	var b bytes.Buffer
	if err := Shop(&b, s, shown, "", "test"); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "shop.html")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, seen := browser(t)
	run(t, ctx, chromedp.Navigate("file://"+path), chromedp.WaitVisible(chromedp.CSS("#history table")))
	if n := eval[int](t, ctx, `document.querySelector("#todo .todo").querySelectorAll("svg path, svg polyline").length`); n < 2 {
		t.Errorf("the picture of the worst finding holds %d traces", n)
	}
	if href := eval[string](t, ctx, `document.querySelector("#todo .todo .hint a").getAttribute("href")`); href != "shop-van.html" {
		t.Errorf("the full trace is at %q", href)
	}
	if row := eval[string](t, ctx, `document.querySelector("#history tbody tr").textContent`); row != "2026-03-07 to 2026-03-139830.25 s20" {
		t.Errorf("the week is %q", row)
	}
	const sheet = 687 // A4 less twice 14 mm, at 96 dots an inch
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	run(t, ctx, chromedp.EmulateViewport(sheet, 1000), chromedp.Sleep(200*time.Millisecond))
	if wide := eval[string](t, ctx, `[...document.querySelectorAll("table,svg")].filter(e => e.getClientRects().length && e.getBoundingClientRect().right > innerWidth + 1).map(e => e.closest("section").id + " " + Math.round(e.getBoundingClientRect().right)).join()`); wide != "" {
		t.Errorf("wider than the sheet: %s", wide)
	}
	if n := eval[int](t, ctx, `[...document.querySelectorAll("nav,.skip")].filter(e => e.getClientRects().length).length`); n > 0 {
		t.Errorf("%d things that can only be clicked are printed", n)
	}
	shot(t, ctx, "shop-print")
	clean(t, seen)
}

// Names, labels and numbers of a hostile sender do nothing in the page.
func TestHostileShop(t *testing.T) {
	s := shopWeek(func(i int) string { return attack + fmt.Sprint(i) }, attack, attack+"\n"+attack, 20)
	s.Remarks = append(s.Remarks, attack)
	for i := range s.Rows {
		s.Rows[i].EngineOnS, s.Rows[i].MovingS = math.Inf(1), math.NaN()
	}
	s.Filling[0].DaysLeft, s.Filling[0].Used = math.NaN(), math.Inf(-1)
	s.Common = append(s.Common, attack)
	shown := map[string]Shown{}
	for i := range s.Todo {
		a := &s.Todo[i]
		a.Reasons, a.Sure = append(a.Reasons, attack), attack
		shown[a.Vehicle] = Shown{File: attack}
	}
	var b bytes.Buffer
	if err := Shop(&b, s, shown, attack, attack); err != nil {
		t.Fatal(err)
	}
	safe(t, "the page", b.String())
	if strings.Contains(b.String(), "<script") {
		t.Error("the page holds a script")
	}
	path := filepath.Join(t.TempDir(), "shop.html")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, seen := browser(t)
	run(t, ctx, chromedp.Navigate("file://"+path), chromedp.Sleep(500*time.Millisecond))
	if eval[bool](t, ctx, `"owned" in window`) {
		t.Error("a sender ran code in the page")
	}
	if n := eval[int](t, ctx, `document.querySelectorAll("img,iframe,object,embed,link,base,script").length`); n != 0 {
		t.Errorf("%d elements that a sender brought", n)
	}
	if !eval[bool](t, ctx, `document.body.textContent.includes("window.owned=1")`) {
		t.Error("the name is not shown as text")
	}
	clean(t, seen)
}

// A shop without anything yet has a page that says so.
func TestEmptyShop(t *testing.T) {
	s := rank.New(&questions.Answers{}, rank.Options{LastDay: shopDay, HistoryDays: 56, Now: shopDay, Rate: 0.05, LeastRate: rank.LeastRate, LeastLag: rank.LeastLag, SilentDays: 4, FullDays: 14})
	body, err := os.ReadFile(writeShop(t, s, ""))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"No vehicle has sent anything yet", "None, of 0 tests", "No stop was observed"} {
		if !strings.Contains(string(body), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}
