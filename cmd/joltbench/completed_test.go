package main

import "testing"

// The words that the table of events shows are taken as they stand.
func TestSpelled(t *testing.T) {
	for given, want := range map[[2]string][2]string{
		{"Dragging release"}: {"release-lag", "dragging"}, {"clutch release"}: {"release-lag"}, {"", "late release"}: {"release-lag", "late"},
		{"clutch release", "late"}: {"release-lag", "late"}, {"driver's mark"}: {"mark"}, {"rel"}: {"release-lag"}, {}: {},
	} {
		c := eventsCmd{Kind: given[0], Class: given[1]}
		if err := c.complete(); err != nil || c.Kind != want[0] || c.Class != want[1] {
			t.Errorf("%q: %q %q, %v", given, c.Kind, c.Class, err)
		}
	}
}

func TestCompleted(t *testing.T) {
	names := []string{"release-lag", "role-stale", "shudder"}
	for text, want := range map[string]string{"": "", "release-lag": "release-lag", "Release lag": "release-lag", "rel": "release-lag", "shud": "shudder"} {
		if got, err := completed("--kind", text, names); err != nil || got != want {
			t.Errorf("%q: %q, %v", text, got, err)
		}
	}
	for _, text := range []string{"r", "slip"} {
		if got, err := completed("--kind", text, names); err == nil {
			t.Errorf("%q: %q", text, got)
		}
	}
}
