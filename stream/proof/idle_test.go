package proof

import (
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

// An engine that stops itself at standstill turns while the vehicle crawls; a wheel's
// speed in its place does not.
func TestIdleOfAnEngineThatStopsItself(t *testing.T) {
	for name, c := range map[string]struct {
		engine func(kmh float64) float64
		want   Verdict
	}{
		"stops itself": {func(kmh float64) float64 {
			if kmh < 0.5 {
				return 0
			}
			return max(700, 40*kmh)
		}, Shown},
		"a wheel's": {func(kmh float64) float64 { return 40 * kmh }, Against},
	} {
		s := &scene{facts: &stream.Facts{}, r: &stream.Row{}}
		s.mapped[stream.EngineSpeed] = true
		p := &idle{}
		for i := range 4000 { // 0.1 s each: up to 40 km/h, down, and 20 s at standstill
			at, kmh := i%1000, 0.0
			switch {
			case at < 400:
				kmh = 0.1 * float64(at)
			case at < 800:
				kmh = 0.1 * float64(800-at)
			}
			r := &stream.Row{At: bus.Micros(i+1) * bus.Second / 10, Known: 1<<stream.EngineSpeed | 1<<stream.VehicleSpeed}
			r.V[stream.VehicleSpeed], r.V[stream.EngineSpeed] = kmh, c.engine(kmh)
			s.observe(r)
			p.row(s)
		}
		got := p.statements(s)
		if len(got) != 1 || got[0].Verdict != c.want || c.want == Shown && !strings.Contains(got[0].Says, "stop_start") {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
