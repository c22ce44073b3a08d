package main

import "testing"

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
