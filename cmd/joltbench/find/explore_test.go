package find

import (
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"joltwatch/bus"
	"joltwatch/cmd/joltsim/drive"
)

func TestExplore(t *testing.T) {
	path := os.Getenv("EXPLORE")
	if path == "" {
		t.Skip()
	}
	s := NewSurvey(Options{})
	if n, ok := strings.CutPrefix(path, "scr:"); ok {
		seed, _ := strconv.ParseUint(n, 10, 64)
		vehicles := []string{"estate", "hatch", "lorry", "minibus", "pickup", "van"}
		r, err := drive.Scramble(drive.Recipe(vehicles[seed%6], seed), seed, os.Getenv("NOANS") == "")
		if err != nil {
			t.Fatal(err)
		}
		for i := range r.Frames {
			s.Add(&r.Frames[i])
		}
		for _, m := range r.Layout.Messages[:9] {
			fmt.Printf("%X cnt %v sum %v %v\n", m.ID, m.Counter, m.Checksum, m.ChecksumKind)
			for _, x := range m.Signals {
				fmt.Printf("   %s %v %v %v scale %v filler %v\n", x.Name, x.Start, x.Length, x.BigEndian, x.Scale, x.Filler)
			}
		}
		explore(s)
		return
	}
	if veh, ok := strings.CutPrefix(path, "sim:"); ok {
		seed, _ := strconv.ParseUint(os.Getenv("SEED"), 10, 64)
		zero := 0.0
		sc := drive.Scenario{Name: "x", Vehicle: veh, Seed: seed, Other: 80, Steps: []drive.Step{
			{Do: "start", ForS: 6, Grade: &zero}, {Do: "drive", ToKmh: 50, ForS: 25, Accel: 1.2}, {Do: "lift", ToKmh: 35, ForS: 8},
			{Do: "drive", ToKmh: 60, ForS: 25, Accel: 1}, {Do: "stop", Accel: 1.3, ForS: 5}, {Do: "drive", ToKmh: 30, ForS: 12}, {Do: "stop", Accel: 1, ForS: 3}, {Do: "neutral", PedalPct: 20, ForS: 4},
		}}
		r, err := drive.Run(sc)
		if err != nil {
			t.Fatal(err)
		}
		for i := range r.Frames {
			s.Add(&r.Frames[i])
		}
		explore(s)
		return
	}
	l, err := bus.OpenLog(path, bus.LogOptions{})
	if err != nil {
		t.Fatal(err)
	}
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
	explore(s)
}

func explore(s *Survey) {
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
	t0 := time.Now()
	pool := speeds(ids, &g, s.answers.sender)
	for _, q := range pool {
		if os.Getenv("IDS") == "" {
			break
		}
		fmt.Printf("  %v   %v lo=%.0f hi=%.0f d=%d rough=%.3f jumps=%d\n", q.t.ID, q.run.field(), q.lo, q.hi, q.distinct, q.rough, q.jumps)
	}
	t1 := time.Now()
	fast := quick(pool)
	var heads []*series
	for _, c := range classes(fast) {
		heads = append(heads, c[0])
		if os.Getenv("IDS") != "" {
			fmt.Print("class:")
			for _, q := range c {
				fmt.Printf(" %v %v;", q.t.ID, q.run.field())
			}
			fmt.Println()
		}
	}
	t2 := time.Now()
	ts := trios(heads, g.step.Seconds())
	t3 := time.Now()
	fmt.Println(len(pool), len(fast), len(heads), len(ts), "trios", t1.Sub(t0), t2.Sub(t1), t3.Sub(t2))
	show := func(ts []*trio, n int) {
		for _, x := range ts[:min(len(ts), n)] {
			fmt.Printf("%.3f E %v %v  T %v %v  O %v %v ladder %.2f coupled %.3f (%.2f) in %d stand %.2f/%d faces %.2f/%d runs %.2f gears", x.score, x.engine.t.ID, x.engine.run.field(), x.turbine.t.ID, x.turbine.run.field(), x.output.t.ID, x.output.run.field(), x.ladder, math.Exp(x.coupled.log), x.coupled.share, x.inGears, x.stand, x.standN, x.faces, x.facesN, x.runs)
			for _, p := range x.gears {
				fmt.Printf(" %.3f(%.2f,%.4f)", math.Exp(p.log), p.share, p.width)
			}
			fmt.Println()
		}
	}
	show(ts, 5)
	if len(ts) > 0 {
		_, e, b, o := settle(ts[0], fast, g.step.Seconds())
		fmt.Println("settled", time.Since(t3))
		show(e, 4)
		show(b, 4)
		show(o, 8)
	}
}
