package page

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"joltwatch/cmd/develop/invented"
	"joltwatch/cmd/develop/wait"
	"joltwatch/storage/review"
)

// browser starts a headless browser that notes what the page complains of and
// what it asks for, or skips.
func browser(t *testing.T) (context.Context, func() (complaints, requests []string)) {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Skip("no Chromium on this machine: the page was not opened in a browser")
	}
	if testing.Short() {
		t.Skip("short: the page was not opened in a browser")
	}
	ctx, cancel1 := chromedp.NewContext(t.Context(),
		chromedp.WithAllocatorOptions(chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.WindowSize(1400, 1000)))
	t.Cleanup(cancel1)
	ctx, cancel2 := context.WithDeadline(ctx, wait.End(t))
	t.Cleanup(cancel2)
	var mu sync.Mutex
	var complaints, requests []string
	note := func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := ev.(type) {
		case *runtime.EventConsoleAPICalled:
			complaints = append(complaints, "console "+string(e.Type))
		case *runtime.EventExceptionThrown:
			complaints = append(complaints, e.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			complaints = append(complaints, e.Entry.Text)
		case *network.EventRequestWillBeSent:
			requests = append(requests, e.Request.URL)
		}
	}
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Listen(ctx, note); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	return ctx, func() ([]string, []string) {
		mu.Lock()
		defer mu.Unlock()
		return append([]string(nil), complaints...), append([]string(nil), requests...)
	}
}

// write writes the report of the stay and returns its URL.
func write(t *testing.T, s *review.Stay, o Options) string {
	t.Helper()
	var b bytes.Buffer
	if err := Report(&b, s, o); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "stay.html")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return "file://" + path
}

func run(t *testing.T, ctx context.Context, actions ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, actions...); err != nil {
		t.Fatal(err)
	}
}

func eval[T any](t *testing.T, ctx context.Context, js string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// settled waits until the page has drawn what was asked of it: until its
// script's own queue and two frames have passed.
func settled(t *testing.T, ctx context.Context) {
	t.Helper()
	const js = `new Promise(done => setTimeout(() => requestAnimationFrame(() => requestAnimationFrame(() => done(true))), 0))`
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](js, chromedp.EvalAwaitPromise)); err != nil {
		t.Fatal(err)
	}
}

// until waits for an expression of the page to become true; the context's
// limit ends it.
func until(t *testing.T, ctx context.Context, what, js string) {
	t.Helper()
	for !eval[bool](t, ctx, js) {
		if ctx.Err() != nil {
			t.Fatalf("%s: %v", what, ctx.Err())
		}
		settled(t, ctx)
	}
}

// clean fails where the page complained or asked for anything but itself.
func clean(t *testing.T, seen func() ([]string, []string)) {
	t.Helper()
	complaints, requests := seen()
	for _, c := range complaints {
		t.Errorf("the page complained: %s", c)
	}
	for i, r := range requests {
		if i > 0 || !strings.HasPrefix(r, "file://") {
			t.Errorf("the page asked for %s", r)
		}
	}
}

// shots is where the screenshots go; nowhere unless asked for.
func shot(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	b, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	if len(b) < 10_000 {
		t.Errorf("screenshot %s has %d bytes: an empty page?", name, len(b))
	}
	if dir := os.Getenv("JOLTBENCH_SCREENSHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name+".png"), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// quoted writes a text as JavaScript does.
func quoted(text string) string {
	b, _ := json.Marshal(text)
	return string(b)
}

const readout = `[...document.querySelectorAll("#readout tr")].map(r => r.cells[0].textContent + "=" + r.cells[1].textContent).join(";")`

func TestInBrowser(t *testing.T) {
	s, err := invented.Week(500, 1)
	if err != nil {
		t.Fatal(err)
	}
	ctx, seen := browser(t)
	url := write(t, s, Options{FullBytes: 6 << 20, Version: "test"})
	run(t, ctx, chromedp.Navigate(url), chromedp.WaitVisible(chromedp.CSS("#plots canvas")))
	timing := eval[map[string]float64](t, ctx, `({load: performance.timing.loadEventEnd - performance.timing.navigationStart, drawn: performance.getEntriesByName('drawn')[0].startTime})`)
	t.Logf("loaded %.0f ms after the start; traces drawn after %.0f ms", timing["load"], timing["drawn"])

	title := eval[string](t, ctx, `document.querySelector("#event-title").textContent`)
	if want := fmt.Sprintf("Event %d:", s.Worst()[0].Number); !strings.HasPrefix(title, want) {
		t.Errorf("first shown is %q, want the most severe, %q", title, want)
	}
	if n := eval[int](t, ctx, `document.querySelectorAll("#plots canvas").length`); n < 5 {
		t.Errorf("%d plots", n)
	}
	// Each heading and control has a name, and headings do not skip a level.
	if bad := eval[string](t, ctx, `[...document.querySelectorAll("button,select,input,svg[role=img],table,#plots")].filter(e => !(e.textContent.trim() || e.getAttribute("aria-label") || e.closest("label"))).map(e => e.outerHTML.slice(0,80)).join("\n")`); bad != "" {
		t.Errorf("without a name: %s", bad)
	}
	if bad := eval[string](t, ctx, `(() => { let last = 0, bad = []; for (const h of document.querySelectorAll("h1,h2,h3")) { const l = +h.tagName[1]; if (l > last + 1) bad.push(h.textContent); last = l; } return bad.join(); })()`); bad != "" {
		t.Errorf("headings skip a level at %s", bad)
	}

	// The cursor reads values with units, and follows mouse and keys.
	before := eval[string](t, ctx, readout)
	if !strings.Contains(before, "engine=") || !strings.Contains(before, " rpm") || !strings.Contains(before, "slip=") {
		t.Errorf("readout: %s", before)
	}
	box := eval[map[string]float64](t, ctx, `(() => { document.querySelector("#plots").scrollIntoView(); const r = document.querySelector("#plots .u-over").getBoundingClientRect(); return {x: r.x, y: r.y, w: r.width, h: r.height}; })()`)
	titleIs := func(e *review.Event) string {
		return fmt.Sprintf(`document.querySelector("#event-title").textContent.startsWith("Event %d:")`, e.Number)
	}
	run(t, ctx, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, box["x"]+box["w"]*0.8, box["y"]+box["h"]/2))
	until(t, ctx, "the mouse moves the cursor", readout+" !== "+quoted(before))
	// The keys work without a focus.
	moved := eval[string](t, ctx, `document.querySelector("#cursor-time").textContent`)
	run(t, ctx, chromedp.KeyEvent(kb.ArrowLeft), chromedp.KeyEvent(kb.ArrowLeft))
	until(t, ctx, "the keys move the cursor", `document.querySelector("#cursor-time").textContent !== `+quoted(moved))
	shot(t, ctx, "traces-1400")

	// The wheel zooms all plots and brings the full traces; dragging moves
	// along; w shows the whole stretch again.
	y := box["y"] + box["h"]/2
	wide := axisLabels(t, ctx)
	for range 4 {
		run(t, ctx, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseWheel, box["x"]+box["w"]*0.4, y, func(p *input.DispatchMouseEventParams) { p.DeltaX, p.DeltaY = 0.01, -120 }))
	}
	until(t, ctx, "the wheel brings full traces", `document.querySelector("#resolution").textContent.startsWith("Full traces")`)
	settled(t, ctx)
	near := axisLabels(t, ctx)
	if near == wide {
		t.Error("the wheel does not zoom")
	}
	shot(t, ctx, "zoomed")
	run(t, ctx, chromedp.DragAndDropXY(box["x"]+box["w"]*0.6, y, box["x"]+box["w"]*0.3, y, 5))
	settled(t, ctx)
	if axisLabels(t, ctx) == near {
		t.Error("dragging does not move along")
	}
	// Two cursors measure.
	run(t, ctx, chromedp.KeyEvent("m"), chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.ArrowRight))
	until(t, ctx, "m measures", `document.querySelector("#cursor-time").textContent.includes("from the pin") && /rpm \(/.test(document.querySelector("#readout").textContent)`)
	run(t, ctx, chromedp.KeyEvent("m"), chromedp.KeyEvent("w"))
	settled(t, ctx)
	if axisLabels(t, ctx) == near {
		t.Error("w does not show the whole stretch")
	}
	// Units: what is shown changes, and back.
	run(t, ctx, chromedp.Click(chromedp.CSS("#units")))
	until(t, ctx, "US units", `document.querySelector("#plots").textContent.includes("psi") && `+readout+`.includes(" mph")`)
	run(t, ctx, chromedp.Click(chromedp.CSS("#units")))
	until(t, ctx, "metric units", `document.querySelector("#plots").textContent.includes("kPa") && `+readout+`.includes(" km/h")`)
	// Pictures are offered for download.
	eval[bool](t, ctx, `(() => { window.saved = []; HTMLAnchorElement.prototype.click = function () { saved.push(this.download); }; return true; })()`)
	run(t, ctx, chromedp.Click(chromedp.CSS("#svg")), chromedp.Click(chromedp.CSS("#png")))
	until(t, ctx, "pictures", `saved.length === 2 && saved[0].endsWith(".svg") && saved[1].endsWith(".png")`)

	run(t, ctx, chromedp.Click(chromedp.CSS("#next")))
	until(t, ctx, "the next event", titleIs(s.Worst()[1]))
	run(t, ctx, chromedp.KeyEvent("p"))
	until(t, ctx, "the previous event", titleIs(s.Worst()[0]))
	// A tick of the strip leads to its event.
	eval[bool](t, ctx, fmt.Sprintf(`document.querySelector("svg a[href='#event-%d']").dispatchEvent(new MouseEvent("click", {bubbles: true, cancelable: true}))`, s.Worst()[4].Number))
	until(t, ctx, "from the strip", titleIs(s.Worst()[4]))

	for _, width := range []int64{1400, 820, 390} {
		run(t, ctx, chromedp.EmulateViewport(width, 1000))
		settled(t, ctx)
		eval[int](t, ctx, `scrollTo(0,0), 1`)
		shot(t, ctx, fmt.Sprintf("top-%d", width))
		if bottom := eval[float64](t, ctx, `document.querySelector(".verdict .answer").getBoundingClientRect().bottom`); bottom > 700 {
			t.Errorf("at %d pixels the answer ends %v pixels down, below the fold", width, bottom)
		}
		if over := eval[float64](t, ctx, `document.documentElement.scrollWidth - innerWidth`); over > 1 {
			t.Errorf("at %d pixels the page is %v pixels too wide", width, over)
		}
		eval[int](t, ctx, `document.querySelector("#event-title").scrollIntoView(), 1`)
		run(t, ctx)
		shot(t, ctx, fmt.Sprintf("viewer-%d", width))
		eval[int](t, ctx, `document.querySelector("#habit").scrollIntoView(), 1`)
		run(t, ctx)
		shot(t, ctx, fmt.Sprintf("habit-%d", width))
	}
	// Two fingers that part zoom in, as on a tablet.
	run(t, ctx, chromedp.EmulateViewport(820, 1000, chromedp.EmulateTouch), chromedp.KeyEvent("w"))
	settled(t, ctx)
	eval[int](t, ctx, `document.querySelector("#plots").scrollIntoView(), 1`)
	box = eval[map[string]float64](t, ctx, `(() => { const r = document.querySelector("#plots .u-over").getBoundingClientRect(); return {x: r.x, y: r.y, w: r.width, h: r.height}; })()`)
	whole := axisLabels(t, ctx)
	touch := func(typ input.DispatchTouchEventType, at ...float64) {
		p := input.DispatchTouchEventParams{Type: typ, TouchPoints: []*input.TouchPoint{}}
		for i, x := range at {
			id := float64(i)
			p.TouchPoints = append(p.TouchPoints, &input.TouchPoint{X: box["x"] + box["w"]*x, Y: box["y"] + box["h"]/2, ID: &id})
		}
		if _, err := chromedp.Call(ctx, input.DispatchTouchEvent, p); err != nil {
			t.Fatal(err)
		}
	}
	touch(input.DispatchTouchEventTypeTouchStart, 0.45)
	touch(input.DispatchTouchEventTypeTouchStart, 0.45, 0.55)
	touch(input.DispatchTouchEventTypeTouchMove, 0.35, 0.65)
	touch(input.DispatchTouchEventTypeTouchMove, 0.2, 0.8)
	touch(input.DispatchTouchEventTypeTouchEnd)
	run(t, ctx)
	if axisLabels(t, ctx) == whole {
		t.Error("two fingers do not zoom")
	}

	// On paper the fixed figures take the place of the viewer.
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	if got := eval[string](t, ctx, `getComputedStyle(document.querySelector(".stills")).display + " " + getComputedStyle(document.querySelector("#viewer")).display + " " + document.querySelectorAll(".stills figure").length`); got != "block none 6" {
		t.Errorf("on paper: %s", got)
	}
	eval[int](t, ctx, `document.querySelector(".stills").scrollIntoView(), 1`)
	shot(t, ctx, "paper")
	paper, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4), chromedp.PDFPreferCSSPageSize()))
	if err != nil {
		t.Fatal(err)
	}
	if len(paper) < 50_000 || !bytes.HasPrefix(paper, []byte("%PDF")) {
		t.Errorf("printed %d bytes", len(paper))
	}
	if dir := os.Getenv("JOLTBENCH_SCREENSHOTS"); dir != "" {
		os.WriteFile(filepath.Join(dir, "paper.pdf"), paper, 0o644)
	}
	clean(t, seen)
}

// axisLabels is what the cursor column of the first plot spans, as a text that
// changes with the zoom.
func axisLabels(t *testing.T, ctx context.Context) string {
	t.Helper()
	b, err := json.Marshal(eval[[]int](t, ctx, `(() => { const c = document.createElement("canvas"), from = document.querySelector("#plots canvas"); c.width = from.width; c.height = from.height; const x = c.getContext("2d", {willReadFrequently: true}); x.drawImage(from, 0, 0); const d = x.getImageData(0, 0, c.width, c.height).data; let h = 0, n = 0; for (let i = 0; i < d.length; i += 4) { h = (h * 31 + d[i]) | 0; n += d[i] < 128; } return [h, n]; })()`))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
