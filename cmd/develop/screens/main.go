// Screens takes the pictures of README.md from the demonstration: report,
// letter, figure and terminal. It is run by make screens, after make demo has
// written the stay, and needs Chromium.
package main

import (
	"context"
	"fmt"
	"html"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/chromedp/chromedp"

	"joltwatch/cmd/internal/cli"
)

func main() {
	cli.Tool("screens", func(context.Context) error {
		if len(os.Args) != 4 {
			return cli.Usage("expected BUILD STAY OUT: the folder of the programs, the demonstration's stay, and the folder for the pictures")
		}
		return take(os.Args[1], os.Args[2], os.Args[3])
	})
}

// page is one picture: what writes its page, and the size of the window.
type page struct {
	name          string
	args          []string // of joltbench, writing to the file given last
	width, height int64
}

var pages = []page{
	{"report", []string{"report", "--zone", "UTC", "-o"}, 1200, 900},
	{"report-phone", []string{"report", "--zone", "UTC", "-o"}, 390, 844},
	{"letter", []string{"letter", "--zone", "UTC", "--workshop", "The workshop (invented)", "-o"}, 820, 900},
}

func take(build, stay, out string) error {
	bench := filepath.Join(build, "joltbench")
	work, err := os.MkdirTemp("", "screens")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	if b, err := exec.Command(bench, "figure", stay, "--zone", "UTC", "-o", filepath.Join(out, "figure.png")).CombinedOutput(); err != nil {
		return fmt.Errorf("joltbench figure: %w: %s", err, b)
	}
	ctx, end := browser()
	defer end()
	for _, p := range pages {
		path := filepath.Join(work, p.name+".html")
		if b, err := exec.Command(bench, append(append([]string{p.args[0], stay}, p.args[1:]...), path)...).CombinedOutput(); err != nil {
			return fmt.Errorf("joltbench %s: %w: %s", p.args[0], err, b)
		}
		if err := shoot(ctx, path, p.width, p.height, filepath.Join(out, p.name+".png")); err != nil {
			return err
		}
	}
	path := filepath.Join(work, "terminal.html")
	if err := terminal(bench, stay, path); err != nil {
		return err
	}
	return shoot(ctx, path, 1130, 690, filepath.Join(out, "terminal.png"))
}

// terminal writes what two commands print as a page that looks like one.
func terminal(bench, stay, path string) error {
	var text strings.Builder
	for _, args := range [][]string{{"summary", "--zone", "UTC"}, {"events", "--zone", "UTC"}} {
		b, err := exec.Command(bench, args[0], stay, args[1], args[2]).Output()
		if err != nil {
			return fmt.Errorf("joltbench %s: %w", args[0], err)
		}
		answer, _, _ := strings.Cut(string(b), "\nSignals\n")
		fmt.Fprintf(&text, "$ joltbench %s my-stay\n%s\n", args[0], answer)
	}
	const form = `<!doctype html><meta charset="utf-8"><body style="margin:0;background:#16201f;color:#e6ece8;font:13px/1.35 'DejaVu Sans Mono',monospace"><pre style="margin:1rem">%s</pre>`
	return os.WriteFile(path, fmt.Appendf(nil, form, html.EscapeString(text.String())), 0o600)
}

func browser() (context.Context, func()) {
	path := "chromium"
	if p, err := exec.LookPath(path); err == nil {
		path = p
	}
	ctx, end := context.WithTimeout(context.Background(), 5*time.Minute)
	ctx, stop := chromedp.NewContext(ctx, chromedp.WithAllocatorOptions(chromedp.ExecPath(path), chromedp.NoSandbox))
	return ctx, func() { stop(); end() }
}

// shoot writes a picture of a page once its traces, where it has any, are
// drawn.
func shoot(ctx context.Context, path string, width, height int64, to string) error {
	const drawn = `new Promise(done => { const wait = () => document.querySelector("#viewer") && !performance.getEntriesByName("drawn").length ? setTimeout(wait, 20) : requestAnimationFrame(() => requestAnimationFrame(() => done(true))); wait(); })`
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, height), chromedp.Navigate("file://"+path)); err != nil {
		return err
	}
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](drawn, chromedp.EvalAwaitPromise)); err != nil {
		return err
	}
	b, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		return err
	}
	return os.WriteFile(to, b, 0o644)
}
