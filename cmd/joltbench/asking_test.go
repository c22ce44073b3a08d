package main

import (
	"encoding/json"
	"slices"
	"testing"

	"joltwatch/bus"
	"joltwatch/storage"
	"joltwatch/storage/review"
)

// The object that summary and watch write says why nothing is asked, as the screen does.
func TestObjectSaysWhyNothingIsAsked(t *testing.T) {
	s := (&review.Stay{Asking: storage.Asking{At: 95 * bus.Second,
		Silent: []storage.SilentBus{{Bus: "plug", Since: 90 * bus.Second, Why: "the engine has been off"}}}}).Build(nil)
	total := s.Total()
	b, err := json.Marshal(summaryObject(s, &total))
	if err != nil {
		t.Fatal(err)
	}
	var o struct{ Asking []string }
	if err := json.Unmarshal(b, &o); err != nil {
		t.Fatal(err)
	}
	if want := []string{"plug: nothing is asked since 90.0 s: the engine has been off"}; !slices.Equal(o.Asking, want) {
		t.Errorf("%q, want %q", o.Asking, want)
	}
}
