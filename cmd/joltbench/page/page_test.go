package page

import (
	"bytes"
	"os"
	"testing"

	"joltwatch/cmd/joltbench/review/invented"
)

func TestReport(t *testing.T) {
	s, err := invented.Week(500, 1)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := Report(&b, s, Options{FullBytes: 6 << 20, Version: "test"}); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d bytes", b.Len())
	if b.Len() > 10<<20 {
		t.Errorf("a week with 500 events takes %d bytes", b.Len())
	}
	os.WriteFile("/tmp/week.html", b.Bytes(), 0o644)
}
