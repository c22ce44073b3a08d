package rank

import (
	"testing"

	"joltwatch/cmd/joltshop/questions"
	"joltwatch/detect"
)

func TestHistory(t *testing.T) {
	o := usual
	o.HistoryDays = 14
	a := &questions.Answers{
		Opportunities: []questions.Opportunities{
			{Vehicle: "a", Kind: detect.KindReleaseLag, Weeks: []questions.Count{{Seen: 9, Observable: 8, Hits: 2}, {Seen: 5, Observable: 5}, {}, {Seen: 99}}},
			{Vehicle: "a", Kind: detect.KindShudder, Weeks: []questions.Count{{Seen: 9, Observable: 8, Hits: 1}}},
			{Vehicle: "b", Kind: detect.KindReleaseLag, Weeks: []questions.Count{{Seen: 7, Observable: 7, Hits: 7}}},
		},
		Days: []questions.Day{{Vehicle: "a", Ago: 0, LagS: 0.3}, {Vehicle: "a", Ago: 6, LagS: 0.1}, {Vehicle: "a", Ago: 7, LagS: 0.5}, {Vehicle: "b", Ago: 1, LagS: 9}},
	}
	got := History(a, "a", o)
	if len(got) != 3 {
		t.Fatalf("%d weeks", len(got))
	}
	if w := got[0]; w.Release != (questions.Count{Seen: 9, Observable: 8, Hits: 2}) || w.Others != 1 || w.Days != 2 || w.LagS != 0.2 || !w.Last.Equal(o.LastDay) {
		t.Errorf("%+v", w)
	}
	if w := got[1]; w.Release.Observable != 5 || w.Days != 1 || w.LagS != 0.5 || !w.First.Equal(o.LastDay.AddDate(0, 0, -13)) {
		t.Errorf("%+v", w)
	}
	if got[2].Days != 0 || got[2].Release.Seen != 0 {
		t.Errorf("%+v", got[2])
	}
	if History(a, "nobody", o) != nil {
		t.Error("a history of nobody")
	}
}

func TestSinceDay(t *testing.T) {
	s := &Shop{Todo: []Action{{Vehicle: "old", Since: day.AddDate(0, 0, -3)}, {Vehicle: "new", Since: day}, {Vehicle: "unknown"}}}
	s.SinceDay(day.AddDate(0, 0, -1))
	if len(s.Todo) != 2 || s.Todo[0].Vehicle != "new" || s.Todo[1].Vehicle != "unknown" {
		t.Errorf("%+v", s.Todo)
	}
}
