package storage_test

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream"
)

// testPlan maps two messages of a vehicle of our own.
func testPlan() *stream.Plan {
	return &stream.Plan{
		Vehicle: "test", Buses: []string{"powertrain"},
		Messages: []stream.Message{
			{Name: "Engine", Match: stream.MatchID, ID: 0x120, Signals: []stream.Signal{
				{Name: "Speed", Role: stream.EngineSpeed, Start: 7, Length: 16, BigEndian: true, Scale: 0.25, RawMax: 65000},
				{Name: "Pedal", Role: stream.Accelerator, Start: 16, Length: 8, Scale: 0.5, RawMax: 200},
			}},
			{Name: "Turbine", Match: stream.MatchID, ID: 0x18f00503, Extended: true, Signals: []stream.Signal{
				{Name: "Speed", Role: stream.TurbineSpeed, Start: 8, Length: 16, Scale: 0.125, RawMax: 64255},
			}},
		},
		Sources: map[string][]string{"engine_speed": {"Engine.Speed"}, "accelerator": {"Engine.Pedal"}, "turbine_speed": {"Turbine.Speed"}},
	}
}

// testFrames makes traffic of the test plan: the engine every 20 ms, the
// turbine every 10 ms, with jitter, and now and then a notice.
func testFrames(seed uint64, from, to bus.Micros) []bus.Frame {
	r := rand.New(rand.NewPCG(seed, 1))
	var out []bus.Frame
	speed := 800
	for at := from; at < to; at += 10_000 {
		speed += r.IntN(9) - 4
		tick := int((at - from) / 10_000)
		t := bus.Frame{At: at + bus.Micros(r.IntN(400)), ID: 0x18f00503, Flags: bus.Extended, Len: 8}
		copy(t.Data[:], []byte{0xc1, byte(speed * 8), byte(speed * 8 >> 8), 0xff, byte(tick), 0, 0, 0})
		out = append(out, t)
		if tick%2 == 0 {
			e := bus.Frame{At: at + 500 + bus.Micros(r.IntN(400)), ID: 0x120, Len: 8}
			copy(e.Data[:], []byte{byte(speed * 4 >> 8), byte(speed * 4), byte(r.IntN(3)), 1, 2, 3, 4, byte(r.IntN(256))})
			out = append(out, e)
		}
		if tick%97 == 96 {
			out = append(out, bus.NewNotice(at+950, 0, bus.NoticeDropped, int64(tick)))
		}
	}
	return out
}

func finding(kind string, at bus.Micros, severity float64, keep bool) *detect.Finding {
	return &detect.Finding{Kind: kind, Class: detect.ReleaseLate, Start: at, End: at + 600_000, Drive: 1, Severity: severity, Keep: keep,
		Measures: []detect.Measure{{Name: "lag_s", Value: 0.6}},
		Instants: []detect.Instant{{Name: "command fell", At: at, Early: at - 10, Late: at + 10}}}
}

func options() storage.Options {
	return storage.Options{Plan: testPlan(), Settings: []byte("label = \"test\"\n"), Label: "test", Program: "test", Boot: "boot-a"}
}

func TestWhatIsWrittenIsRead(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "stay")
	var acked []string
	opt := options()
	opt.Acknowledged = func(e *storage.Event) { acked = append(acked, e.ID) }
	w, repair, err := storage.Open(dir, opt)
	if err != nil || !repair.Empty() {
		t.Fatal(err, repair)
	}
	frames := testFrames(1, 0, 120*bus.Second)
	f1 := finding(detect.KindReleaseLag, 50*bus.Second, 1, true)
	f2 := finding(detect.KindApply, 52*bus.Second, 0, false)
	f3 := finding(detect.KindReleaseLag, 55*bus.Second, 0.5, true)
	asking := storage.Asking{At: 100 * bus.Second, Silent: []storage.SilentBus{{Bus: "plug", Since: 90 * bus.Second, Why: "the supply is at 11.5 V"}}}
	acc := &detect.Account{Drive: 1, End: 60 * bus.Second, EngineOnS: 60, Frames: 77}
	for i := range frames {
		w.Frame(&frames[i])
		at := func(s bus.Micros) bool {
			return frames[i].At >= s*bus.Second && (i == 0 || frames[i-1].At < s*bus.Second)
		}
		if at(51) {
			must(t, w.Event(f1, []detect.Percentile{{Measure: "lag_s", Share: 0.9, N: 10}}))
		}
		if at(53) {
			must(t, w.Event(f2, nil))
		}
		if at(56) {
			must(t, w.Event(f3, nil))
		}
		if at(100) {
			must(t, w.Account(acc))
			must(t, w.History([]byte("sketches")))
			must(t, w.Asking(storage.Asking{At: 99 * bus.Second, Silent: []storage.SilentBus{{Bus: "other", Since: 98 * bus.Second, Why: "replaced"}}}))
			must(t, w.Asking(asking))
		}
	}
	must(t, w.SetClock(bus.Clock{Known: true, Zero: 1_700_000_000_000_000}))
	must(t, w.Close())
	if len(acked) != 3 {
		t.Fatalf("acknowledged %v", acked)
	}

	s, err := storage.Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	if b := s.Boots(); len(b) != 1 || b[0].ID != "boot-a" || !b[0].Ended || !reflect.DeepEqual(b[0].Asking, asking) || b[0].Label != "test" || b[0].Clock.Zero != 1_700_000_000_000_000 ||
		!reflect.DeepEqual(b[0].Plan, testPlan()) || string(b[0].Settings) != string(opt.Settings) {
		t.Errorf("boots %+v", b)
	}
	if string(s.History()) != "sketches" {
		t.Errorf("history %q", s.History())
	}
	if a := s.Accounts(); len(a) != 1 || !reflect.DeepEqual(a[0].Account, *acc) || !a[0].Clock.Known {
		t.Errorf("accounts %+v", a)
	}
	events := s.Events()
	if len(events) != 3 {
		t.Fatalf("%d events", len(events))
	}
	byID := map[string]storage.Event{}
	for _, e := range events {
		byID[e.ID] = e
	}
	if e := byID["1-1"]; !reflect.DeepEqual(e.Finding, *f1) || e.From != 30*bus.Second || e.To != 60_600_000 || e.Evidence != storage.EvidenceKept || len(e.Percentiles) != 1 {
		t.Errorf("event %+v", e)
	}
	if e := byID["1-2"]; e.Evidence != storage.EvidenceNotAsked || e.From != e.To {
		t.Errorf("event %+v", e)
	}
	e, err := s.Evidence(1, 0, 120*bus.Second)
	if err != nil || len(e.Damage) > 0 || len(e.Gaps) > 0 {
		t.Fatal(err, e.Damage, e.Gaps)
	}
	var want []bus.Frame
	for _, f := range frames {
		if f.At >= 30*bus.Second && f.At <= 65_600_000 {
			want = append(want, f)
		}
	}
	if len(e.Frames) < len(want) || !reflect.DeepEqual(e.Frames[:len(want)], want) || len(e.Frames) > len(want)+1 {
		t.Fatalf("%d frames of evidence, expected %d", len(e.Frames), len(want))
	}
	if v, err := storage.Verify(dir); err != nil || v.State != storage.Intact || v.Frames != uint64(len(e.Frames)) {
		t.Errorf("verify: %+v, %v", v, err)
	}
	entries, err := os.ReadDir(dir)
	must(t, err)
	for _, x := range entries {
		i, err := x.Info()
		must(t, err)
		if i.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %o, expected 0600", x.Name(), i.Mode().Perm())
		}
	}
	if i, err := os.Stat(dir); err != nil || i.Mode().Perm() != 0o700 {
		t.Errorf("folder: %v, %v", i.Mode(), err)
	}
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
