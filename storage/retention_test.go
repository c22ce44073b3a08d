package storage

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
)

// guarded is a medium on which quota and floor are checked after every call
// that makes something larger.
type guarded struct {
	*medium
	t     *testing.T
	quota int64
	floor int64
}

type guardedFile struct {
	File
	g *guarded
}

func (g *guarded) check() {
	if used := g.used(); g.quota > 0 && used > g.quota {
		g.t.Fatalf("the store takes %d bytes, the quota is %d", used, g.quota)
	}
	if g.free < g.floor {
		g.t.Fatalf("%d bytes are free, the floor is %d", g.free, g.floor)
	}
}

func (g *guarded) Create(name string) (File, error) {
	f, err := g.medium.Create(name)
	g.check()
	return guardedFile{f, g}, err
}

func (f guardedFile) Write(p []byte) (int, error) {
	n, err := f.File.Write(p)
	f.g.check()
	return n, err
}

// noisyFrame is a frame that does not compress.
func noisyFrame(r *rand.Rand, i int) bus.Frame {
	f := faultFrame(i)
	f.Flags, f.Len = bus.FD, 48
	for j := 2; j < 48; j++ {
		f.Data[j] = byte(r.Uint32())
	}
	return f
}

// week drives for a long time into little room: ordinary repeats, now and then
// something severe, a few marks.
func week(t *testing.T, fs FS, quota, floor int64, runs, frames int) (severe, marks, total int, w *Writer) {
	r := rand.New(rand.NewPCG(7, 7))
	for run := range runs {
		opt := Options{Plan: faultPlan(), Boot: fmt.Sprint(run), FS: fs, Quota: quota, FreeFloor: floor,
			LookBack: 5 * bus.Second, LookOn: bus.Second, AccountEvery: 5 * bus.Second, RingBytes: 64 << 10}
		var err error
		if w, _, err = Open("store", opt); err != nil {
			t.Fatal(err)
		}
		for i := range frames {
			f := noisyFrame(r, i)
			w.Frame(&f)
			e := &detect.Finding{Kind: "release-lag", Class: detect.Normal, Start: f.At - 300_000, End: f.At, Drive: 1, Keep: true, Severity: 0.1,
				Measures: []detect.Measure{{Name: "lag_s", Value: 0.1 + 0.01*float64(r.IntN(10))}}}
			switch {
			case i%1000 == 777:
				e.Class, e.Severity = detect.ReleaseLate, 1-0.01*float64(severe)
				severe++
			case i == 2100:
				e.Kind, e.Class = detect.KindMark, detect.MarkPressed
				marks++
			case i%20 == 3:
			default:
				e = nil
			}
			if e != nil {
				total++
				if err := w.Event(e, nil); err != nil {
					t.Fatal(err)
				}
			}
			if i%50 == 0 {
				w.Account(&detect.Account{Drive: 1, End: f.At, Stops: i})
			}
		}
		if run < runs-1 {
			if err := w.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
	return severe, marks, total, w
}

func TestQuotaKeepsTheSevere(t *testing.T) {
	for _, c := range []struct {
		name         string
		quota, floor int64
		free         int64
	}{
		{"quota", 1 << 20, 0, 1 << 40},
		{"floor", 0, 3 << 20, 3<<20 + 37<<16},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newMedium()
			m.free = c.free
			g := &guarded{m, t, c.quota, c.floor}
			severe, marks, total, w := week(t, g, c.quota, c.floor, 3, 3000)
			if err := w.Close(); err != nil {
				t.Fatal(err)
			}
			s, err := readFS("store", m)
			if err != nil {
				t.Fatal(err)
			}
			kept, records := map[string]int{}, map[string]int{}
			for _, e := range s.Events() {
				records[e.Finding.Kind+" "+e.Finding.Class.String()]++
				if e.Evidence == EvidenceLost {
					t.Fatalf("event %s: its frames are lost, not removed on purpose", e.ID)
				}
				if e.Evidence == EvidenceKept {
					kept[e.Finding.Kind+" "+e.Finding.Class.String()]++
					ev, err := s.Evidence(e.Boot, e.From, e.Finding.End)
					if err != nil || len(ev.Frames) == 0 {
						t.Fatalf("event %s has no frames: %v", e.ID, err)
					}
				}
			}
			h := s.Health()
			thinned := uint64(0)
			for _, g := range h.Thinned {
				thinned += g.N
				for _, d := range g.Measures {
					if d.Measure != "lag_s" || d.N == 0 || d.Min < 0.1 || d.Max > 0.2 {
						t.Errorf("distribution %+v", d)
					}
				}
			}
			t.Logf("frames kept of %v, records %v, thinned %d, files removed %d, not stored %d", kept, records, thinned, h.DroppedFiles, h.Usage.NotStored)
			if uint64(len(s.Events()))+thinned+h.Usage.NotStored != uint64(total) {
				t.Errorf("%d events on file, %d thinned, %d not stored: %d in all, expected %d", len(s.Events()), thinned, h.Usage.NotStored, uint64(len(s.Events()))+thinned+h.Usage.NotStored, total)
			}
			if kept["mark mark"] != marks {
				t.Errorf("%d of %d marks have their frames", kept["mark mark"], marks)
			}
			if records["release-lag late"] != severe || kept["release-lag late"] < severe/2 {
				t.Errorf("%d of %d late releases on file, %d with frames", records["release-lag late"], severe, kept["release-lag late"])
			}
			if h.DroppedFiles == 0 {
				t.Error("nothing had to go: the test tests nothing")
			}
			if a := s.Accounts(); len(a) != 3 || a[2].Stops != 2950 {
				t.Errorf("accounts %+v", a)
			}
			if v, err := verifyFS("store", m); err != nil || v.State != Intact {
				t.Errorf("verify: %+v %v", v, err)
			}
		})
	}
}

// Where not even records fit, it says so, counts, and the account goes on.
func TestFull(t *testing.T) {
	m := newMedium()
	said := 0
	opt := Options{Plan: faultPlan(), Boot: "a", FS: m, Quota: 1 << 20, LookBack: bus.Second, LookOn: bus.Second, AccountEvery: 20 * bus.Second,
		RingBytes: 4096, Troubled: func(Trouble) { said++ }}
	w, _, err := Open("store", opt)
	if err != nil {
		t.Fatal(err)
	}
	total := 0
	noise := rand.New(rand.NewPCG(4, 4))
	noisy := func() (s string) {
		for range 20 {
			s += fmt.Sprintf("%016x", noise.Uint64())
		}
		return s
	}
	for i := range 16000 {
		f := faultFrame(i)
		w.Frame(&f)
		if i%2 == 0 {
			// Each a mark: nothing may go.
			total++
			w.Event(&detect.Finding{Kind: detect.KindMark, Start: f.At, End: f.At, Codes: []string{noisy()}}, nil)
		}
		if i%10 == 0 {
			w.Account(&detect.Account{Drive: 1, End: f.At, Stops: i})
		}
		if used := m.used(); used > opt.Quota {
			t.Fatalf("the store takes %d bytes, the quota is %d", used, opt.Quota)
		}
	}
	h := w.Health()
	if !h.Full || said == 0 || h.Usage.NotStored == 0 {
		t.Errorf("health %+v, said %d times", h, said)
	}
	err = w.Close()
	s, rerr := readFS("store", m)
	if rerr != nil {
		t.Fatal(rerr)
	}
	t.Logf("%d of %d marks on file, close: %v", len(s.Events()), total, err)
	if len(s.Health().Troubles) == 0 {
		t.Error("that it was full is not on file")
	}
	if len(s.Events()) < 20 {
		t.Errorf("%d events on file", len(s.Events()))
	}
	if a := s.Accounts(); len(a) != 1 || a[0].End < 1550*bus.Second {
		t.Errorf("accounts %+v", a)
	}
}

// Ranking: the most severe and the rarest of each kind last, marks never, and
// of equals a sample that does not favour an age.
func TestRank(t *testing.T) {
	var events []indexed
	add := func(n int, kind string, class detect.Class, severity float64) {
		for range n {
			r := eventRecord{ID: fmt.Sprint("1-", len(events))}
			r.Finding.Kind, r.Finding.Class, r.Finding.Severity = kind, class, severity
			events = append(events, newIndexed(&r, 1))
		}
	}
	add(1000, detect.KindReleaseLag, detect.Normal, 0)
	add(3, detect.KindReleaseLag, detect.ReleaseLate, 1)
	add(1, detect.KindHillSlip, detect.HillUnasked, 0.2)
	add(1, detect.KindMark, detect.MarkPressed, 0)
	rank(events)
	score := func(i int) float64 { return events[i].score }
	if !math.IsInf(score(1004), 1) {
		t.Error("a mark can go")
	}
	first := 0
	for i := range 1000 {
		if score(i) > score(1002) && score(i) > score(1003) {
			t.Fatal("an ordinary repeat outranks a severe or rare event")
		}
		if score(i) > 0.25/101 && i < 500 {
			first++
		}
	}
	if first < 30 || first > 70 {
		t.Errorf("of the hundred best repeats %d are from the older half", first)
	}
}

// Where only records are left, ordinary repeats are folded into counts with
// their distribution, and the rest stays.
func TestRecordsAreThinned(t *testing.T) {
	m := newMedium()
	opt := Options{Plan: faultPlan(), Boot: "a", FS: m, Quota: 1 << 20, LookBack: bus.Second, LookOn: bus.Second, AccountEvery: 50 * bus.Second, RingBytes: 4096}
	w, _, err := Open("store", opt)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	total, late := 0, 0
	for i := range 42000 {
		f := faultFrame(i)
		w.Frame(&f)
		e := &detect.Finding{Kind: "apply", Class: detect.Normal, Start: f.At, End: f.At, Drive: 1,
			Measures: []detect.Measure{{Name: "duration_s", Value: r.Float64()}, {Name: "slip_peak_rpm", Value: 300 * r.Float64()}}}
		if i%20 == 10 {
			e.Class, e.Severity = detect.ReleaseLate, 0.9
			late++
		}
		total++
		w.Event(e, nil)
		if used := m.used(); used > opt.Quota {
			t.Fatalf("the store takes %d bytes, the quota is %d", used, opt.Quota)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	s, err := readFS("store", m)
	if err != nil {
		t.Fatal(err)
	}
	onFile, lateOnFile := 0, 0
	for _, e := range s.Events() {
		onFile++
		if e.Finding.Class == detect.ReleaseLate {
			lateOnFile++
		}
	}
	h := s.Health()
	if len(h.Thinned) != 1 || h.Thinned[0].Kind != "apply" || len(h.Thinned[0].Measures) != 2 {
		t.Fatalf("thinned %+v", h.Thinned)
	}
	g := h.Thinned[0]
	t.Logf("%d events: %d on file, %d thinned, %d not stored", total, onFile, g.N, h.Usage.NotStored)
	if uint64(onFile)+g.N+h.Usage.NotStored != uint64(total) || h.Usage.NotStored > 0 {
		t.Errorf("%d on file, %d thinned, %d not stored, expected %d in all", onFile, g.N, h.Usage.NotStored, total)
	}
	if late != lateOnFile {
		t.Errorf("%d of %d late ones on file", lateOnFile, late)
	}
	d := g.Measures[0]
	sum, below := uint64(0), uint64(0)
	for _, b := range d.Buckets {
		sum += b.N
		if b.From < 0.5 {
			below += b.N
		}
	}
	// Even in [0, 1): half of them below a half.
	if sum != g.N || d.N != g.N || d.Min < 0 || d.Max >= 1 || math.Abs(float64(below)/float64(sum)-0.5) > 0.03 {
		t.Errorf("distribution: %d of %d below 0.5, %+v", below, sum, d)
	}
}
