package page

import (
	"bytes"
	"context"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/chromedp"

	"joltwatch/cmd/develop/invented"
)

// A week of ten thousand events stays a page that opens: its size, and the
// memory that the browser's script engine holds once the traces are drawn. How
// long that takes is told, not judged: a busy machine is slower.
func TestBigWeekInBrowser(t *testing.T) {
	s, err := invented.Week(10_000, 1)
	if err != nil {
		t.Fatal(err)
	}
	o := Options{FullBytes: 6 << 20, Version: "test"}
	var b bytes.Buffer
	if err := Report(&b, s, o); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d events: %.1f MB", len(s.Events), float64(b.Len())/1e6)
	if b.Len() > 15e6 {
		t.Errorf("the page has %d bytes, want 15 MB at most", b.Len())
	}
	ctx, seen := browser(t)
	if _, err := chromedp.Call(ctx, performance.Enable, performance.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	run(t, ctx, chromedp.Navigate(write(t, s, o)), chromedp.WaitVisible(chromedp.CSS("#plots canvas")))
	t.Logf("drawn %.0f ms after the start", eval[float64](t, ctx, `performance.getEntriesByName('drawn')[0].startTime`))
	if heap := metric(t, ctx, "JSHeapUsedSize"); heap > 250e6 {
		t.Errorf("%.0f MB in the script engine, want 250 at most", heap/1e6)
	} else {
		t.Logf("%.0f MB in the script engine", heap/1e6)
	}
	clean(t, seen)
}

// metric reads one of the browser's own counters.
func metric(t *testing.T, ctx context.Context, name string) float64 {
	t.Helper()
	r, err := chromedp.Call(ctx, performance.GetMetrics, cdp.Empty{})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range r.Metrics {
		if m.Name == name {
			return m.Value
		}
	}
	t.Fatalf("the browser has no counter %s", name)
	return 0
}
