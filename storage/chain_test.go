package storage

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/lot"
	"joltwatch/detect"

	"golang.org/x/sys/unix"
)

// threeRuns is a stay of three runs that ended in order, or of which the last
// was cut, with a file of every kind.
func threeRuns(t testing.TB, boot string, cut bool) *medium {
	t.Helper()
	m := newMedium()
	for run := range 3 {
		frames := 0
		var stop func() bool
		if cut && run == 2 {
			stop = func() bool { frames++; return frames == 60 }
		}
		if err := runScenario(m, fmt.Sprint(boot, run), stop, newTold()); err != nil {
			t.Fatal(err)
		}
		m.locked = false
		if run == 0 {
			if err := setStayClock(m, "b", bus.Clock{Known: true, Zero: 2e15}); err != nil {
				t.Fatal(err)
			}
		}
	}
	return m
}

func verified(t testing.TB, m *medium) *Verification {
	t.Helper()
	v, err := verifyFS("store", m)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func (m *medium) names() []string {
	return slices.Sorted(mapKeys(m.files))
}

func (m *medium) without(names ...string) *medium {
	out := newMedium()
	for n, f := range m.files {
		if !slices.Contains(names, n) {
			out.files[n] = f
		}
	}
	return out
}

func TestWholeIsProven(t *testing.T) {
	v := verified(t, threeRuns(t, "a", false))
	if v.State != Intact || !v.Whole || len(v.Proof) != 3 {
		t.Errorf("%+v", v)
	}
	v = verified(t, threeRuns(t, "a", true))
	if v.State != Unproven || v.Whole || len(v.Proof) != 3 || !v.Proof[1].Whole || v.Proof[2].Whole || !strings.Contains(v.Proof[2].By, "cannot be told") {
		t.Errorf("%+v", v)
	}
}

// Whatever is missing of a stay that ended in order is named, or at least not
// said to be whole.
func TestMissingIsNamed(t *testing.T) {
	for _, cut := range []bool{false, true} {
		m := threeRuns(t, "a", cut)
		for _, name := range m.names() {
			v := verified(t, m.without(name))
			switch {
			case v.Whole || v.State == Intact || v.State == Repaired:
				t.Errorf("without %s: %s, whole %v", name, v.State, v.Whole)
			case name != headName && !mentions(v, name):
				t.Errorf("without %s: %s, %v", name, v.State, v.Missing)
			}
		}
		for run := range uint32(3) {
			var names []string
			for _, name := range m.names() {
				if _, r, _, ok := parseName(name); ok && r == run+1 {
					names = append(names, name)
				}
			}
			if v := verified(t, m.without(names...)); v.Whole || v.State != Damaged || !mentions(v, fmt.Sprintf("%06d-", run+1)) && !mentions(v, fmt.Sprintf("run %d", run+1)) {
				t.Errorf("without run %d: %s, %v", run+1, v.State, v.Missing)
			}
		}
	}
}

// mentions reports whether a name is among what is missing.
func mentions(v *Verification, name string) bool {
	return slices.ContainsFunc(v.Missing, func(s string) bool { return strings.Contains(s, name) }) ||
		slices.ContainsFunc(v.Proof, func(p Proof) bool { return strings.Contains(p.By, name) })
}

// A copy that was cut short at any byte, in the order of the names, is never
// said to be whole.
func TestEveryPrefixOfACopy(t *testing.T) {
	if testing.Short() {
		t.Skip("short: reads thousands of copies, too long on an emulated processor")
	}
	for _, cut := range []bool{false, true} {
		m := threeRuns(t, "a", cut)
		out := newMedium()
		for _, name := range m.names() {
			whole := m.files[name].data
			for n := 0; n < len(whole); n += 1 + n%19 {
				out.files[name] = &mfile{data: whole[:n]}
				if v := verified(t, out); v.Whole || v.State == Intact || v.State == Repaired {
					t.Fatalf("up to byte %d of %s: %s, whole %v", n, name, v.State, v.Whole)
				}
			}
			out.files[name] = m.files[name]
		}
	}
}

// A journal that is cut between two blocks, in any run, is damage.
func TestJournalCutBetweenBlocks(t *testing.T) {
	m := threeRuns(t, "a", false)
	for _, name := range m.names() {
		if name == headName {
			continue
		}
		p, err := parseFile(name, m.files[name].data)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range p.blocks {
			v := verified(t, m.with(name, m.files[name].data[:b.offset]))
			if v.Whole || v.State != Damaged || !mentions(v, name) {
				t.Errorf("%s cut at offset %d: %s, %v", name, b.offset, v.State, v.Missing)
			}
		}
	}
}

// A run of which a file is damaged in its middle is not said to be whole, nor to be
// there up to its end.
func TestDamagedRunIsNotProven(t *testing.T) {
	m := threeRuns(t, "a", false)
	for _, name := range m.names() {
		kind, run, _, ok := parseName(name)
		if !ok || kind == clockFile {
			continue
		}
		p, err := parseFile(name, m.files[name].data)
		if err != nil || len(p.blocks) < 3 {
			t.Fatalf("%s: %d blocks, %v", name, len(p.blocks), err)
		}
		data := slices.Clone(m.files[name].data)
		data[p.blocks[1].offset+blockHead] ^= 0xff
		v := verified(t, m.with(name, data))
		for _, x := range v.Proof {
			if x.Run == run && (x.Whole || !strings.Contains(x.By, "damaged")) {
				t.Errorf("%s damaged: run %d: whole %v: %s", name, run, x.Whole, x.By)
			}
		}
	}
}

// A stay that is told the time after its last run is missed the file that says so.
func TestClockToldAfterTheLastRun(t *testing.T) {
	m := threeRuns(t, "a", false)
	for n := range maxHeadClocks + 3 {
		if err := setStayClock(m, fmt.Sprint("late", n), bus.Clock{Known: true, Zero: 4e15}); err != nil {
			t.Fatal(err)
		}
	}
	if v := verified(t, m); !v.Whole || v.State != Intact {
		t.Fatalf("%s, missing %v", v.State, v.Missing)
	}
	names := m.names()
	clocks := slices.DeleteFunc(names, func(n string) bool { kind, _, _, _ := parseName(n); return kind != clockFile })
	if len(clocks) != maxHeadClocks+4 {
		t.Fatalf("clock files %v", clocks)
	}
	for _, name := range clocks[len(clocks)-maxHeadClocks:] {
		if v := verified(t, m.without(name)); v.Whole || !mentions(v, name) {
			t.Errorf("without %s: %s, missing %v", name, v.State, v.Missing)
		}
	}
	// The next run takes them over, and the head lets go of them.
	if err := runScenario(m, "next", nil, newTold()); err != nil {
		t.Fatal(err)
	}
	m.locked = false
	for _, name := range clocks {
		if v := verified(t, m.without(name)); v.Whole || !mentions(v, name) {
			t.Errorf("after another run, without %s: %s, missing %v", name, v.State, v.Missing)
		}
	}
	if h, ok := parseHead(m.files[headName].data); !ok || len(h.Clocks) > 0 {
		t.Errorf("the head holds %+v", h)
	}
}

// A file that was exchanged for that of another stay, of the same name.
func TestExchangedFiles(t *testing.T) {
	m, other := threeRuns(t, "a", false), threeRuns(t, "b", false)
	for _, name := range m.names() {
		v := verified(t, m.with(name, other.files[name].data))
		if kind, _, _, _ := parseName(name); kind == clockFile {
			continue // it is of no stay: what it says is of a boot
		}
		if v.Whole || v.State != Damaged || !mentions(v, name) {
			t.Errorf("%s of another stay: %s, %v", name, v.State, v.Missing)
		}
	}
}

// What retention removed is no damage, and the chain goes on through files that
// were condensed.
func TestRemovedOnPurposeIsNoDamage(t *testing.T) {
	m := newMedium()
	r := lot.Draw(t, 1, 9)
	w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "a", FS: m, Quota: MinQuota, LookBack: bus.Second, LookOn: bus.Second, RingBytes: 64 << 10})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 6000 {
		f := noisyFrame(r, i)
		w.Frame(&f)
		noise := fmt.Sprintf("%x%x%x%x%x", r.Uint64(), r.Uint64(), r.Uint64(), r.Uint64(), r.Uint64())
		e := &detect.Finding{Kind: "apply", Class: detect.Normal, Start: f.At, End: f.At, Drive: 1, Keep: i%10 == 0, Severity: 0.1, Codes: []string{noise}}
		if err := w.Event(e, nil); err != nil {
			t.Fatal(err)
		}
		if i%20 == 0 {
			w.Account(&detect.Account{Drive: 1, End: f.At, Stops: i})
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	condensed := 0
	for _, name := range m.names() {
		p, err := parseFile(name, m.files[name].data)
		if err != nil {
			t.Fatal(err)
		}
		if len(p.blocks) > 0 && p.blocks[0].typ == blockRest {
			condensed++
		}
	}
	v := verified(t, m)
	s, err := readFS("store", m)
	if err != nil {
		t.Fatal(err)
	}
	if !v.Whole || v.State != Intact || s.Health().DroppedFiles == 0 || condensed == 0 {
		t.Errorf("%s, whole %v, %v; %d files dropped, %d condensed", v.State, v.Whole, v.Missing, s.Health().DroppedFiles, condensed)
	}
}

// What is no regular file in a file's place is named, and nothing waits for it.
func TestNoRegularFile(t *testing.T) {
	m := threeRuns(t, "a", false)
	for what, put := range map[string]func(path string) error{
		"a pipe":   func(path string) error { return unix.Mkfifo(path, 0o600) },
		"a folder": func(path string) error { return os.Mkdir(path, 0o700) },
		"a link":   func(path string) error { return os.Symlink("/dev/zero", path) },
	} {
		for _, name := range []string{headName, "000002-001.journal", "000002-001.evidence"} {
			dir := t.TempDir()
			for n, f := range m.files {
				if err := os.WriteFile(filepath.Join(dir, n), f.data, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			path := filepath.Join(dir, name)
			if err := errors.Join(os.Remove(path), put(path)); err != nil {
				t.Fatal(err)
			}
			v, err := Verify(dir)
			if err != nil || v.State != Damaged || v.Whole || !mentions(v, name+": "+what) {
				t.Errorf("%s in place of %s: %+v, %v", what, name, v, err)
			}
		}
	}
}

// The head survives damage anywhere in the slot that was written last but one,
// and a torn writing.
func TestHead(t *testing.T) {
	if testing.Short() {
		t.Skip("short: reads thousands of copies, too long on an emulated processor")
	}
	m := threeRuns(t, "a", false)
	whole := m.files[headName].data
	for i := 0; i < len(whole); i += 5 { // each of its fields, and the bits of a byte as TestEveryBitFlipped does
		data := slices.Clone(whole)
		data[i] ^= 0x55
		v := verified(t, m.with(headName, data))
		if v.State == Damaged {
			t.Fatalf("byte %d: %+v", i, v)
		}
	}
	if v := verified(t, m.with(headName, make([]byte, headSize))); v.Whole || v.State != Damaged {
		t.Errorf("an empty head: %+v", v)
	}
	v := verified(t, m)
	w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "next", FS: m.with(headName, nil), RingBytes: 4096})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil || !v.Whole {
		t.Error(err, v.Whole)
	}
}

// On a medium that is full to the last byte, what was not stored is still said.
func TestLostIsSaidOnAFullMedium(t *testing.T) {
	m := newMedium()
	w, _, err := Open("store", Options{Plan: faultPlan(), Boot: "a", FS: m, RingBytes: 4096, AccountEvery: 5 * bus.Second})
	if err != nil {
		t.Fatal(err)
	}
	m.free = 0
	lost := 0
	for i := range 3 * maxWaitingEvents {
		f := faultFrame(i)
		w.Frame(&f)
		if err := w.Event(&detect.Finding{Kind: "apply", Class: detect.Normal, Start: f.At, End: f.At, Keep: true}, nil); err != nil {
			t.Fatal(err)
		}
		lost++
	}
	// The power goes.
	m.locked = false
	s, err := readFS("store", m)
	if err != nil {
		t.Fatal(err)
	}
	l := s.Health().Lost
	if l == nil || l.Events == 0 || l.Events > uint64(lost) || l.FromRun != 1 || l.To <= l.From {
		t.Errorf("%+v of %d", l, lost)
	}
}
