package find

import (
	"fmt"
	"io"
	"math"
	"os"
	"testing"

	"joltwatch/bus"
)

func TestExplore(t *testing.T) {
	path := os.Getenv("EXPLORE")
	if path == "" {
		t.Skip()
	}
	l, err := bus.OpenLog(path, bus.LogOptions{})
	if err != nil {
		t.Fatal(err)
	}
	s := NewSurvey(Options{})
	var b [512]bus.Frame
	for {
		n, err := l.Read(b[:])
		for i := range b[:n] {
			s.Add(&b[i])
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	rs := rules()
	g := s.instants()
	fmt.Println(s.Frames, len(s.ids), s.Duration(), len(g.at), g.step)
	var ids []Identifier
	for _, x := range s.sorted() {
		id := x.identify(rs)
		ids = append(ids, id)
		if os.Getenv("IDS") != "" {
			fmt.Printf("%s n=%d p=%d j=%d len=%d const=%d cnt=%v sum=%v fields=%v", id.ID, id.Frames, id.Period, id.Jitter, id.MaxLen, id.Constant, id.Counters, id.Checksums, id.Fields)
			if id.Mux != nil {
				fmt.Printf(" MUX=%v", *id.Mux)
			}
			fmt.Println()
		}
	}
	pool := speeds(ids, &g)
	for _, q := range pool {
		fmt.Printf("  %v   %v lo=%.0f hi=%.0f d=%d rough=%.3f jump=%.4f\n", q.t.ID, q.run.field(), q.lo, q.hi, q.distinct, q.rough, q.jump)
	}
	ts := trios(pool, g.step.Seconds())
	fmt.Println(len(ts), "trios")
	for _, x := range ts[:min(len(ts), 25)] {
		fmt.Printf("%.3f E %v %v  T %v %v  O %v %v ladder %.2f coupled %.3f (%.2f) in %d stand %.2f/%d faces %.2f/%d runs %.2f gears", x.score, x.engine.t.ID, x.engine.run.field(), x.turbine.t.ID, x.turbine.run.field(), x.output.t.ID, x.output.run.field(), x.ladder, math.Exp(x.coupled.log), x.coupled.share, x.inGears, x.stand, x.standN, x.faces, x.facesN, x.runs)
		for _, p := range x.gears {
			fmt.Printf(" %.3f(%.2f,%.4f)", math.Exp(p.log), p.share, p.width)
		}
		fmt.Println()
	}
}
