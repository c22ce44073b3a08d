package main

import (
	"io"
	"slices"
	"testing"

	"joltwatch/bus"
)

type given struct {
	source
	at []bus.Micros
}

func (g *given) Read(batch []bus.Frame) (int, error) {
	if len(g.at) == 0 {
		return 0, io.EOF
	}
	n := min(3, len(batch), len(g.at))
	for i, at := range g.at[:n] {
		batch[i] = bus.Frame{At: at, Kind: bus.Data, Bus: uint8(at % 2)}
	}
	g.at = g.at[n:]
	return n, nil
}

func TestForward(t *testing.T) {
	const s, other = bus.Second, bus.Micros(1) // an odd time is another interface's
	for name, x := range map[string]struct {
		at, want []bus.Micros
		falls    int
		passed   uint64
	}{
		"in order":        {[]bus.Micros{5 * s, 6 * s, 7 * s}, []bus.Micros{5 * s, 6 * s, 7 * s}, 0, 0},
		"out of step":     {[]bus.Micros{5 * s, 6 * s, 6*s - 900_000 + other, 7 * s}, []bus.Micros{5 * s, 6 * s, 6*s - 900_000 + other, 7 * s}, 0, 0},
		"a step back":     {[]bus.Micros{5 * s, 6 * s, 6*s - 90_000, 6*s - 200_000, 7 * s}, []bus.Micros{5 * s, 6 * s, 6*s - 90_000, 7 * s}, 1, 1},
		"twice":           {[]bus.Micros{5 * s, 6 * s, 7 * s, 5 * s, 6 * s, 7 * s}, []bus.Micros{5 * s, 6 * s, 7 * s}, 1, 3},
		"thrice":          {[]bus.Micros{5 * s, 7 * s, 5 * s, 7 * s, 5 * s, 7 * s}, []bus.Micros{5 * s, 7 * s}, 1, 4},
		"overlapping":     {[]bus.Micros{5 * s, 6 * s, 9 * s, 7 * s, 8 * s, 9 * s, 10 * s}, []bus.Micros{5 * s, 6 * s, 9 * s, 10 * s}, 1, 3},
		"the later first": {[]bus.Micros{5 * s, 6 * s, 7 * s, 1 * s, 2 * s}, []bus.Micros{5 * s, 6 * s, 7 * s, 1 * s, 2 * s}, 1, 0},
	} {
		w := &forward{source: &given{at: x.at}}
		var got []bus.Micros
		batch := make([]bus.Frame, 8)
		for {
			n, err := w.Read(batch)
			for _, f := range batch[:n] {
				got = append(got, f.At)
			}
			if err != nil {
				break
			}
		}
		if !slices.Equal(got, x.want) || w.fell != x.falls || w.passed != x.passed || (w.says() == "") != (x.falls == 0) {
			t.Errorf("%s: %v, falls %d, passed %d, %q", name, got, w.fell, w.passed, w.says())
		}
	}
}
