package page

import (
	"bytes"
	"testing"

	"joltwatch/cmd/develop/invented"
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
}

// BenchmarkReport makes the page of a week with 500 events from frames in
// memory.
func BenchmarkReport(b *testing.B) {
	s, err := invented.Week(500, 1)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		var out bytes.Buffer
		if err := Report(&out, s, Options{FullBytes: 6 << 20}); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(out.Len()), "page-bytes")
	}
}
