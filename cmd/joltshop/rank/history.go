package rank

import (
	"fmt"
	"slices"
	"time"

	"joltwatch/cmd/joltshop/questions"
	"joltwatch/detect"
)

// Week is one week of one vehicle.
type Week struct {
	First time.Time `json:"from"`
	Last  time.Time `json:"to"`
	// Release are the opportunities of a late release.
	Release questions.Count `json:"release"`
	// Others are hits of other kinds of finding that were looked for.
	Others int64 `json:"other_hits"`
	// Days have releases enough for a median of their lags; LagS is the middle of
	// those medians, in seconds, 0 without days.
	Days int     `json:"days"`
	LagS float64 `json:"lag_s"`
}

// Lag is the lag in words.
func (w *Week) Lag() string {
	if w.Days == 0 {
		return "–"
	}
	return fmt.Sprintf("%.2f s", w.LagS)
}

// History is a vehicle's weeks, the one that was asked about first; none where
// nothing of it was ever heard.
func History(a *questions.Answers, vehicle string, o Options) []Week {
	weeks := make([]Week, 1+o.HistoryDays/7)
	for i := range weeks {
		last := o.LastDay.AddDate(0, 0, -7*i)
		weeks[i] = Week{First: last.AddDate(0, 0, -6), Last: last}
	}
	heard := false
	for _, c := range a.Opportunities {
		if c.Vehicle != vehicle {
			continue
		}
		heard = true
		for i, n := range c.Weeks[:min(len(c.Weeks), len(weeks))] {
			if c.Kind == detect.KindReleaseLag {
				weeks[i].Release.Add(n)
			} else {
				weeks[i].Others += n.Hits
			}
		}
	}
	lags := make([][]float64, len(weeks))
	for _, d := range a.Days {
		if i := int(d.Ago / 7); d.Vehicle == vehicle && d.Ago >= 0 && i < len(weeks) {
			heard = true
			lags[i] = append(lags[i], d.LagS)
		}
	}
	if !heard {
		return nil
	}
	for i, l := range lags {
		if weeks[i].Days = len(l); len(l) > 0 {
			weeks[i].LagS = median(l)
		}
	}
	return weeks
}

// SinceDay leaves of what there is to do what is known to be so from a day on, and what
// nobody knows since when it is so.
func (s *Shop) SinceDay(day time.Time) {
	s.Todo = slices.DeleteFunc(s.Todo, func(x Action) bool { return !x.Since.IsZero() && x.Since.Before(day) })
}
