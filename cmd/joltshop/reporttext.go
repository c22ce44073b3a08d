package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/rank"
	"joltwatch/storage/review"
)

// todoText lists what to do.
func todoText(out io.Writer, s *rank.Shop) {
	fmt.Fprintln(out, "\nWhat to do")
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, x := range s.Todo {
		since := ""
		if !x.Since.IsZero() {
			since = "since " + x.Since.Format(time.DateOnly)
		}
		fmt.Fprintf(w, "  %s\t%s\t%s\t%s\t%s\n", x.Do, cli.Plain(x.Vehicle), cli.Plain(strings.Join(x.Reasons, "; ")), x.Sure, since)
	}
	w.Flush()
	if len(s.Todo) == 0 {
		fmt.Fprintln(out, "  nothing: no vehicle changed, stands out or had a severe finding, and every recorder reports well")
	}
}

// historyText is the weeks of the vehicle that was asked for.
func historyText(out io.Writer, s *rank.Shop) {
	if s.Weeks == nil {
		return
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "\nHistory of %s\treleases\tobservable\tlate\tlag, middle of daily medians\tdays\tother findings\n", s.Of)
	for _, x := range s.Weeks {
		fmt.Fprintf(w, "  %s to %s\t%d\t%d\t%d\t%s\t%d\t%d\n", x.First.Format(time.DateOnly), x.Last.Format(time.DateOnly),
			x.Release.Seen, x.Release.Observable, x.Release.Hits, x.Lag(), x.Days, x.Others)
	}
	w.Flush()
}

func shopText(out io.Writer, s *rank.Shop) error {
	fmt.Fprintf(out, "%d vehicles, %s to %s (UTC), false-discovery rate %.3g %%\n", s.Vehicles, s.WeekFirst.Format(time.DateOnly), s.LastDay.Format(time.DateOnly), 100*s.Rate)
	for _, r := range s.Remarks {
		fmt.Fprintln(out, "- "+cli.Plain(r))
	}
	if s.Held != "" {
		fmt.Fprintln(out, "- "+cli.Plain(s.Held))
	}
	for _, c := range s.Common {
		fmt.Fprintln(out, "- "+cli.Plain(c))
	}
	todoText(out, s)
	historyText(out, s)
	list := func(title string, list []rank.Finding) {
		fmt.Fprintf(out, "\n%s\n", title)
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		for i := range list {
			f := &list[i]
			fmt.Fprintf(w, "  %s\t%s\t%s\tadjusted p %.2g\n", cli.Plain(f.Vehicle), cli.Plain(f.Group), cli.Plain(f.Words()), f.Q)
		}
		w.Flush()
		if len(list) == 0 {
			fmt.Fprintln(out, "  none")
		}
	}
	list(fmt.Sprintf("Changed this week against their own history (%d of %d tests)", len(s.Changed), s.ChangedTests), s.Changed)
	list(fmt.Sprintf("Stand out among their own kind (%d of %d tests)", len(s.Standing), s.StandingTest), s.Standing)

	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\nWatched this week\topportunities\tobservable\tseen\tso the true rate, with 95 % confidence")
	for _, x := range s.Watched {
		fmt.Fprintf(w, "  %s\t%d\t%d\t%d\t%s\n", cli.Plain(review.KindWords(x.Kind)), x.Seen, x.Observable, x.Hits, x.Bound)
	}
	w.Flush()
	w = tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "\nSilent for more than %g days\n", s.SilentDays)
	for _, u := range s.Silent {
		if u.Last.IsZero() {
			fmt.Fprintf(w, "  %s\t%s\tnever heard of\t\n", cli.Plain(u.Vehicle), cli.Plain(u.Group))
			continue
		}
		fmt.Fprintf(w, "  %s\t%s\tlast heard of %s\t%.1f days ago\n", cli.Plain(u.Vehicle), cli.Plain(u.Group), u.Last.Format("2006-01-02 15:04"), u.SilentDays)
	}
	if len(s.Silent) == 0 {
		fmt.Fprintln(w, "  none")
	}
	fmt.Fprintf(w, "\nFull within %g days, nearly full, or in trouble\n", s.FullDays)
	for _, u := range s.Filling {
		left := "–"
		if u.DaysLeft < 1000 {
			left = fmt.Sprintf("full in %.0f days", math.Floor(u.DaysLeft))
		}
		fmt.Fprintf(w, "  %s\t%s\t%.0f %% used\t%s\t%s\n", cli.Plain(u.Vehicle), cli.Plain(u.Group), 100*u.Used, left, cli.Plain(strings.ReplaceAll(u.Troubles, "\n", "; ")))
	}
	if len(s.Filling) == 0 {
		fmt.Fprintln(w, "  none")
	}
	w.Flush()
	fmt.Fprintln(out)
	for _, m := range s.Method() {
		fmt.Fprintln(out, m)
	}
	return nil
}
