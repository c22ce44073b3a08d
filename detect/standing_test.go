package detect

import (
	"testing"

	"joltwatch/bus"
)

// A speed stands while the other moves by more than ripple, to one side or to both of
// where it was; not where the other stands too, or it moves itself.
func TestStanding(t *testing.T) {
	for _, x := range []struct {
		name      string
		of, other func(i int) float64
		want      bool
	}{
		{"the other rises", func(int) float64 { return 900 }, func(i int) float64 { return 900 + 20*float64(i)/100 }, true},
		{"the other goes to both sides", func(int) float64 { return 900 }, func(i int) float64 { return 900 + 9*float64(i%100-50)/50 }, true},
		{"both stand", func(int) float64 { return 900 }, func(i int) float64 { return 900 + float64(i%2)*10 }, false},
		{"both move", func(i int) float64 { return 900 + float64(i)/10 }, func(i int) float64 { return 900 + 20*float64(i)/100 }, false},
	} {
		var s standing
		for i := range 300 {
			s.row(bus.Micros(i+1)*10_000, x.of(i), x.other(i))
		}
		if (s.s > 2.5) != x.want {
			t.Errorf("%s: stood %.1f s", x.name, s.s)
		}
	}
}
