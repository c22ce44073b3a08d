package main

import (
	"io"
	"time"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/rank"
	"joltwatch/storage/review"
)

// heard is nil where nothing was ever heard.
func heard(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// lines are those of the report.
type lines struct{ *cli.Lines }

// about begins each line: what it is about.
type about struct {
	About string `json:"about"`
}

func shopJSON(out io.Writer, s *rank.Shop) error {
	l := lines{cli.NewLines(out)}
	l.Add(struct {
		about
		Vehicles  int      `json:"vehicles"`
		WeekFrom  string   `json:"week_from"`
		WeekTo    string   `json:"week_to"`
		History   int      `json:"history_days"`
		FalseRate float64  `json:"false_discovery_rate"`
		Changed   int      `json:"tests_changed"`
		Standing  int      `json:"tests_standing"`
		Common    []string `json:"common"`
		Remarks   []string `json:"remarks"`
		Held      string   `json:"held,omitempty"`
		Method    []string `json:"method"`
	}{about{"shop"}, s.Vehicles, s.WeekFirst.Format(time.DateOnly), s.LastDay.Format(time.DateOnly), s.HistoryDays, s.Rate,
		s.ChangedTests, s.StandingTest, append([]string{}, s.Common...), append([]string{}, s.Remarks...), s.Held, s.Method()})
	for i := range s.Todo {
		l.Add(struct {
			about
			*rank.Action
		}{about{"todo"}, &s.Todo[i]})
	}
	for i := range s.Weeks {
		l.Add(struct {
			about
			Vehicle string `json:"vehicle"`
			*rank.Week
		}{about{"week"}, s.Of, &s.Weeks[i]})
	}
	l.findings("changed", s.Changed)
	l.findings("standing", s.Standing)
	l.watched(s.Watched)
	l.units("silent", s.Silent)
	l.units("filling", s.Filling)
	l.vehicles(s.Rows)
	return l.Err()
}

func (l lines) findings(what string, list []rank.Finding) {
	for i := range list {
		f := &list[i]
		l.Add(struct {
			about
			Rank int `json:"rank"`
			*rank.Finding
			Effect *float64 `json:"ratio"`
			Words  string   `json:"words"`
		}{about{what}, i + 1, f, cli.Finite(f.Effect()), f.Words()})
	}
}

func (l lines) watched(list []review.Sureness) {
	for _, x := range list {
		l.Add(struct {
			about
			Kind       string  `json:"kind"`
			Seen       uint64  `json:"seen"`
			Observable uint64  `json:"observable"`
			Hits       uint64  `json:"hits"`
			Low        float64 `json:"low"`
			High       float64 `json:"high"`
			Method     string  `json:"method"`
		}{about{"watched"}, x.Kind, x.Seen, x.Observable, x.Hits, x.Low, x.High, x.Method})
	}
}

func (l lines) units(what string, list []rank.Unit) {
	for _, u := range list {
		l.Add(struct {
			about
			Vehicle    string     `json:"vehicle"`
			Group      string     `json:"group"`
			Last       *time.Time `json:"last_heard"` // null: never
			SilentDays *float64   `json:"silent_days"`
			Used       *float64   `json:"used,omitempty"`
			DaysLeft   *float64   `json:"days_left"`
			StoreBytes int64      `json:"store_bytes"`
			LeftFiles  int64      `json:"left_files"`
			LeftBytes  int64      `json:"left_bytes"`
			Troubles   string     `json:"troubles,omitempty"`
		}{about{what}, u.Vehicle, u.Group, heard(u.Last), cli.Finite(u.SilentDays), cli.Finite(u.Used), cli.Finite(u.DaysLeft),
			u.StoreBytes, u.LeftFiles, u.LeftBytes, u.Unit.Troubles})
	}
}

func (l lines) vehicles(list []rank.Vehicle) {
	for _, v := range list {
		l.Add(struct {
			about
			Vehicle    string     `json:"vehicle"`
			Group      string     `json:"group"`
			Last       *time.Time `json:"last_heard"`
			Drives     int64      `json:"drives"`
			EngineOnS  float64    `json:"engine_on_s"`
			MovingS    float64    `json:"moving_s"`
			UnknownS   float64    `json:"unknown_s"`
			Stops      int64      `json:"stops"`
			Observed   int64      `json:"stops_observed"`
			Observable uint64     `json:"releases_observable"`
			Late       uint64     `json:"releases_late"`
			Low        float64    `json:"low"`
			High       float64    `json:"high"`
		}{about{"vehicle"}, v.Vehicle, v.Group, heard(v.Last), v.Drives, v.EngineOnS, v.MovingS, v.UnknownS, v.Stops, v.StopsObserved,
			v.Release.Observable, v.Release.Hits, v.Release.Low, v.Release.High})
	}
}
