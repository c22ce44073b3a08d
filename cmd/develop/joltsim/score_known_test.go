package main

import (
	"path/filepath"
	"strings"
	"testing"
)

// What a record holds passes, what is worse or new does not.
func TestKnownMisses(t *testing.T) {
	list := []aim{
		{What: "found, %", Class: "taxi", Value: 80, AtLeast: true, Verdict: missed},
		{What: "false alarms", Class: "van", Value: 3, Verdict: missed},
		{What: "found, %", Class: "van", Value: 99, AtLeast: true, Verdict: met},
	}
	path := filepath.Join(t.TempDir(), "missed.tsv")
	if err := writeKnown(path, list); err != nil {
		t.Fatal(err)
	}
	k, err := readKnown(path)
	if err != nil || len(k) != 2 {
		t.Fatalf("%v %v", k, err)
	}
	if bad := k.worse(list); len(bad) != 0 {
		t.Errorf("the same run is worse: %v", bad)
	}
	list[0].Value, list[1].Value, list[2].Verdict = 70, 4, missed
	if bad := strings.Join(k.worse(list), "; "); !strings.Contains(bad, "taxi: 70, recorded 80") || !strings.Contains(bad, "van: 4, recorded 3") || !strings.Contains(bad, "van: 99") {
		t.Errorf("worse: %s", bad)
	}
	list[0].Value, list[1].Value, list[2].Verdict = 90, 2, met
	if bad := k.worse(list); len(bad) != 0 {
		t.Errorf("a better run is worse: %v", bad)
	}
}
