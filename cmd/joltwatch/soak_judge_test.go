package main

import (
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/storage"
)

// want is something that truly happened and that the stay was for.
type want struct {
	what     string
	kind     string
	from, to bus.Micros
	alarm    bool // must be of a class that a technician would act on
	// late is how long after its end it may be told at the latest.
	late bus.Micros
	// untold: what the bus carries is that of a sound vehicle.
	untold bool
}

// harvest takes what the truth has gathered, so that it does not grow. What
// counts as an event is what the scorer of the detectors counts.
func (s *soak) harvest() {
	tr := s.sim.Truth()
	rl, hs := &s.set.ReleaseLag, &s.set.HillSlip
	v, err := drive.VehicleByName(tr.Vehicle)
	s.must(err)
	for i := range tr.Releases {
		r := &tr.Releases[i]
		dragging := r.InjectedNm > 0 && r.LagS > rl.LimitS && r.TurbineMin < (0.93-rl.DragSag)*v.IdleRPM
		if r.Reapplied || r.Reason == "selector" || r.InjectedNm > 0 && !dragging || r.InjectedS > 0 && r.Reason != "stop" {
			continue
		}
		late := r.Parted > 0 && r.LagS >= rl.LimitS+0.15 && r.Reason == "stop" || r.Stalled && r.InjectedS > rl.LimitS
		if !late && !dragging {
			continue
		}
		end := r.Parted5
		if end == 0 {
			end = r.Fell + 6*bus.Second
		}
		s.wants = append(s.wants, want{what: "late release", kind: detect.KindReleaseLag, from: r.Fell - bus.Second/2, to: end + bus.Second/2, late: 6 * bus.Second, alarm: true})
	}
	for i := range tr.Slips {
		x := &tr.Slips[i]
		if !x.Asked && x.Kmh >= hs.MinKmh+3 && (x.To-x.From).Seconds() >= hs.UnaskedS+2 && x.Mean >= hs.UnaskedRPM+5 {
			// Where the controller regulates slip the state on the bus asks for it, and how
			// much of it is not on this one.
			s.wants = append(s.wants, want{what: "unasked slip", kind: detect.KindHillSlip, from: x.From, to: x.To, late: 3 * bus.Second, alarm: true, untold: x.Target > 0})
		}
	}
	for i := range tr.Shakes {
		if x := &tr.Shakes[i]; x.What == "shudder" {
			s.wants = append(s.wants, want{what: "shudder", kind: detect.KindShudder, from: x.From, to: x.To, late: 5 * bus.Second})
		}
	}
	for i := range tr.Shifts {
		if x := &tr.Shifts[i]; x.To > x.From && x.InjectedS > 0 && x.FlareRPM > s.set.Flare.MinRPM {
			s.wants = append(s.wants, want{what: "flare", kind: detect.KindFlare, from: x.Begin - bus.Second, to: x.End + bus.Second, late: 3 * bus.Second})
		}
	}
	for _, at := range tr.Marks {
		s.wants = append(s.wants, want{what: "mark", kind: detect.KindMark, from: at - bus.Second, to: at + bus.Second, late: bus.Second})
	}
	s.truth.drives = append(s.truth.drives, tr.Drives...)
	tr.Releases, tr.Applies, tr.Shifts, tr.Slips, tr.Opens, tr.Shakes, tr.Jolts = nil, nil, nil, nil, nil, nil, nil
	tr.Marks, tr.Stops, tr.Stalls, tr.Drives = nil, nil, nil, nil
}

// faults adds what was done to the bus and to the sender, which the truth
// keeps to the end.
func (s *soak) faults() {
	for _, in := range s.sim.Truth().Injected {
		w := want{from: in.From - 3*bus.Second/2, to: in.To + 3*bus.Second/2, kind: detect.KindBusFault, what: in.Fault.Kind}
		switch in.Fault.Kind {
		case "down", "bus-off", "silent":
			w.late = 2 * bus.Second
		case "clock-jump":
		case "frames-lost", "error-frames":
			w.late = 65 * bus.Second // repeats are gathered
		case "dropout":
			w.kind, w.late = detect.KindRoleStale, 8*bus.Second
			w.to += 5 * bus.Second
		default:
			continue
		}
		if in.To-in.From < 3*bus.Second && w.what == "silent" {
			continue
		}
		s.wants = append(s.wants, w)
	}
}

// intact reads the stay and compares it with every promise so far. The frames
// of events are compared for the last run, and for all at the end.
func (s *soak) intact(all bool) {
	if len(s.boots) == 0 {
		return
	}
	var before, after runtime.MemStats
	if all {
		runtime.GC()
	}
	runtime.ReadMemStats(&before)
	began := time.Now()
	st, err := storage.Read(s.dir)
	s.readingFor = time.Since(began)
	if err != nil {
		s.errorf("the stay cannot be read: %v", err)
		return
	}
	if all {
		runtime.GC()
		runtime.ReadMemStats(&after)
		s.reading = after.HeapAlloc - min(before.HeapAlloc, after.HeapAlloc)
	}
	for _, d := range st.Health().Damage {
		if !d.Tail {
			s.errorf("damage in the middle of a journal: %v", d)
		}
	}
	s.inPart = 0
	runs := map[string]uint32{}
	for _, b := range st.Boots() {
		runs[b.ID] = b.Number
	}
	on := map[string]*storage.Event{}
	for i := range st.Events() {
		e := &st.Events()[i]
		on[e.ID] = e
	}
	missing := map[string]uint64{}
	for i, b := range s.boots {
		run, ok := runs[b.id]
		if !ok {
			if b.acked > 0 {
				s.errorf("%s acknowledged %d events and is not on file", b.id, b.acked)
			}
			continue
		}
		for n := range b.found {
			x := &b.found[n]
			if x.event == 0 {
				continue
			}
			e := on[fmt.Sprintf("%d-%d", run, x.event)]
			if e == nil {
				// Of ordinary repeats only counts may be left.
				if missing[x.kind+" "+x.class]++; x.alarm || x.kind == detect.KindMark {
					s.errorf("acknowledged event %d-%d (%s %s) is not on file", run, x.event, x.kind, x.class)
				}
				continue
			}
			if h := hashFinding(&e.Finding); h != x.finding {
				s.errorf("acknowledged event %s (%s) is not what it was", e.ID, x.kind)
			}
			if x.keep && (all || i == len(s.boots)-1) {
				s.frames(st, b, x, e)
			}
		}
	}
	// An event that was not acknowledged may be among those that are counted.
	for _, x := range st.Health().Thinned {
		name := x.Kind + " " + x.Class
		missing[name] -= min(missing[name], x.N)
	}
	for name, n := range missing {
		if n > 0 {
			s.errorf("%d acknowledged events (%s) are neither on file nor counted as thinned", n, name)
		}
	}
}

// frames compares the frames of an event with those that the test remembers.
func (s *soak) frames(st *storage.Store, b *boot, x *found, e *storage.Event) {
	switch {
	case e.Evidence == storage.EvidenceNoRoom:
		return // to stay within the quota, or the card was full: it says so
	case e.Evidence != storage.EvidenceKept && e.Evidence != storage.EvidenceInPart:
		s.errorf("the frames of event %s (%s) are %s", e.ID, x.kind, e.Evidence)
	case x.count >= 0:
		ev, err := st.Evidence(e.Boot, e.From, x.to)
		if err != nil {
			s.errorf("the frames of event %s: %v", e.ID, err)
			return
		}
		switch h, n := hashFrames(ev.Frames, e.From, x.to); {
		case h == x.frames:
		case n < x.count && (b.refused || b.tight):
			// Some were not written, or were removed since, for lack of room.
			s.inPart++
		default:
			s.errorf("event %s (%s, kept until %.3f s) has %d frames, not the %d that were heard; gaps %v, damage %v", e.ID, x.kind, x.to.Seconds(), n, x.count, ev.Gaps, ev.Damage)
		}
	}
}

// outcome is what came of one kind of want.
type outcome struct {
	injected, found                                    int
	notRunning, busAway, refused, untold, notSeen, bad int
}

// judge finds every want on file, or says what it was lost to.
func (s *soak) judge(st *storage.Store) map[string]*outcome {
	s.faults()
	zero := map[uint32]*boot{}
	ids := map[string]*boot{}
	for _, b := range s.boots {
		ids[b.id] = b
	}
	for _, b := range st.Boots() {
		zero[b.Number] = ids[b.ID]
	}
	// Releases that the account of their drive has as not observable.
	untold := map[*storage.Account]uint64{}
	out := map[string]*outcome{}
	for _, w := range s.wants {
		o := out[w.what]
		if o == nil {
			o = &outcome{}
			out[w.what] = o
		}
		o.injected++
		stored := slices.ContainsFunc(st.Events(), func(e storage.Event) bool {
			b := zero[e.Boot]
			return b != nil && e.Finding.Kind == w.kind && e.Finding.Start+b.zero <= w.to && e.Finding.End+b.zero >= w.from &&
				(!w.alarm || !detect.Ordinary(e.Finding.Kind, e.Finding.Class))
		})
		if stored {
			o.found++
			continue
		}
		seen, refused := s.seen(&w)
		switch {
		case seen && refused:
			o.refused++
		case !s.listening(w.from, w.to+w.late):
			o.notRunning++
		case w.kind != detect.KindBusFault && s.disturbed(w.from, w.to):
			o.busAway++
		case seen:
			o.bad++
			s.errorf("%s at %s was found and is not on file", w.what, s.clock(w.from))
		case w.untold || w.kind == detect.KindReleaseLag && notObservable(st, zero, &w, untold):
			o.untold++
		default:
			o.notSeen++
			s.errorf("%s at %s was not found", w.what, s.clock(w.from))
		}
	}
	return out
}

// notObservable reports whether the account of the drive has a release that could
// not be told and is not spoken for yet: a clutch that lets go while engine and
// turbine both run at idle speed parts nothing.
func notObservable(st *storage.Store, zero map[uint32]*boot, w *want, spokenFor map[*storage.Account]uint64) bool {
	for i := range st.Accounts() {
		a := &st.Accounts()[i]
		b := zero[a.Boot]
		if b == nil || a.Start+b.zero > w.from || a.End+b.zero < w.from {
			continue
		}
		for _, c := range a.Opportunities {
			if c.Kind == w.kind && c.Seen-c.Observable > spokenFor[a] {
				spokenFor[a]++
				return true
			}
		}
	}
	return false
}

// seen reports whether a detector found it, and whether the card refused in
// that run.
func (s *soak) seen(w *want) (seen, refused bool) {
	for _, b := range s.boots {
		for i := range b.found {
			if x := &b.found[i]; x.kind == w.kind && x.start+b.zero <= w.to && x.end+b.zero >= w.from && (!w.alarm || x.alarm) {
				return true, b.refused
			}
		}
	}
	return false, false
}

// listening reports whether the program ran all the time, and had some seconds
// to find its way before.
func (s *soak) listening(from, to bus.Micros) bool {
	return slices.ContainsFunc(s.boots, func(b *boot) bool { return b.from+5*bus.Second <= from && b.to >= to })
}

// disturbed reports whether what would have shown it was away at that time.
func (s *soak) disturbed(from, to bus.Micros) bool {
	return slices.ContainsFunc(s.sim.Truth().Injected, func(in drive.Injected) bool {
		switch in.Fault.Kind {
		case "down", "bus-off", "silent", "dropout", "frames-lost":
			return in.From-2*bus.Second <= to && in.To+3*bus.Second >= from
		}
		return false
	})
}

// promises checks each run's count: what was found was acknowledged, or is
// counted as not stored, or was found so shortly before the cut that it could
// not be stored yet.
func (s *soak) promises() (unsaid int) {
	for _, b := range s.boots {
		left := 0
		for i := range b.found {
			x := &b.found[i]
			if x.event > 0 {
				continue
			}
			left++
			age := b.to - b.zero - x.at
			wait := 2 * bus.Second
			if !x.keep {
				wait = storage.DefaultAccountEvery + 2*bus.Second
			}
			if !b.refused && age > wait {
				s.errorf("%s: a finding (%s) was not stored for %.0f s although the card was well", b.id, x.kind, age.Seconds())
			}
		}
		if b.ended && uint64(left) != b.usage.NotStored {
			s.errorf("%s: %d findings were not stored, %d are counted", b.id, left, b.usage.NotStored)
		}
		unsaid += left
	}
	return unsaid
}

// accountAge is how old an account on file is at most: it comes every 10 s and waits
// for its writing, and 2 s pass until rows are sure.
const accountAge = storage.DefaultAccountEvery + 12*bus.Second

// drives compares the accounts with the drives that were driven.
func (s *soak) drives(st *storage.Store) (driven, accounted int) {
	byBoot := map[string][]storage.Account{}
	ids := map[uint32]string{}
	for _, b := range st.Boots() {
		ids[b.Number] = b.ID
	}
	for _, a := range st.Accounts() {
		byBoot[ids[a.Boot]] = append(byBoot[ids[a.Boot]], a)
	}
	// An engine that stalls and is started again at once is one drive.
	var whole []drive.DriveTruth
	for _, d := range s.truth.drives {
		if n := len(whole); n > 0 && d.From-whole[n-1].To < 30*bus.Second {
			whole[n-1].To = d.To
			continue
		}
		whole = append(whole, d)
	}
	for _, b := range s.boots {
		as := byBoot[b.id]
		accounted += len(as)
		least, most := 0, 0
		for _, d := range whole {
			from, to := max(d.From, b.from), min(d.To, b.to)
			if to-from <= 0 {
				continue
			}
			most++
			if to-from < accountAge || b.refusing {
				continue
			}
			least++
			i := slices.IndexFunc(as, func(a storage.Account) bool { return a.Start+b.zero < to && a.End+b.zero > from })
			if i < 0 {
				s.errorf("%s: no account of the drive from %s to %s", b.id, s.clock(from), s.clock(to))
				continue
			}
			a := as[i]
			missing := to - (a.End + b.zero)
			if s.disturbed(to-accountAge, to) {
				missing -= accountAge
			}
			// Sure once the bus has been quiet for so long.
			if d.To+quietAfter+15*bus.Second < b.to && !a.Ended {
				s.errorf("%s: the account of drive %d has no end", b.id, a.Drive)
			}
			if missing > accountAge {
				s.errorf("%s: the account of drive %d lacks %.0f s", b.id, a.Drive, missing.Seconds())
			}
		}
		driven += most
		if len(as) < least || len(as) > most {
			s.errorf("%s (%s to %s): %d accounts, and %d to %d drives", b.id, s.clock(b.from), s.clock(b.to), len(as), least, most)
		}
	}
	return driven, accounted
}

// flat compares memory and descriptors early and late in the stay.
func (s *soak) flat() (early, late, peak uint64) {
	n := len(s.samples)
	if n < 12 {
		s.t.Fatalf("only %d looks at memory", n)
	}
	most := func(list []sample) (m uint64) {
		for _, x := range list {
			m = max(m, x.heap)
		}
		return m
	}
	early, late, peak = most(s.samples[n/8:n/2]), most(s.samples[n/2:]), most(s.samples)
	if late > early+early/20+512<<10 {
		s.errorf("memory grows: %d bytes in the first half, %d in the second", early, late)
	}
	// The journal, the frames and the lock.
	if s.fdsMost > s.fdsBefore+3 {
		s.errorf("%d descriptors open, %d before the beginning", s.fdsMost, s.fdsBefore)
	}
	return early, late, peak
}

// report judges the stay and prints what came of it.
func (s *soak) report(took time.Duration) {
	s.intact(true)
	st, err := storage.Read(s.dir)
	s.must(err)
	v, err := storage.Verify(s.dir)
	s.must(err)
	if v.State == storage.Damaged {
		s.errorf("the store is damaged: %+v", v)
	}
	outcomes := s.judge(st)
	unsaid := s.promises()
	driven, accounted := s.drives(st)
	early, late, peak := s.flat()
	var findings, acked, jumps int
	for _, b := range s.boots {
		findings += len(b.found)
		acked += b.acked
		jumps += b.jumps
	}
	var engine float64
	for _, d := range s.truth.drives {
		engine += d.EngineS
	}
	hours := engine / 3600
	h := st.Health()
	perHour := func(x float64) float64 { return x / hours }
	w := tabwriter.NewWriter(os.Stdout, 0, 8, 2, ' ', 0)
	row := func(what, format string, args ...any) { fmt.Fprintf(w, "%s\t%s\n", what, fmt.Sprintf(format, args...)) }
	row("stay", "%.1f days, %.1f driving hours, %d key cycles, in %.0f s", (s.now-s.sim.Truth().Start).Seconds()/86400, hours, s.cycle, took.Seconds())
	row("power cuts", "%d while driving, %d in the middle of a write, %d at rest", s.cuts, s.cutsInWrite, s.cutsAtRest)
	row("program starts", "%d, and %d at which the card refused", len(s.boots), s.refusedStarts)
	row("repairs", "%d", len(h.Repairs))
	row("wall clock", "jumped %d times", jumps)
	row("card", "refused %d calls, was full %d times", s.card.refused, s.card.full)
	row("findings", "%d, of which %d acknowledged and intact, %d not stored", findings, acked, unsaid)
	row("look-back", "%d events have a part of their frames only, for lack of room or because the card refused", s.inPart)
	row("drives", "%d accounts of %d", accounted, driven)
	row("slept", "%d times, %.1f h, %.0f wake-ups an hour, %d writes", s.sleeps, float64(s.asleepS)/3600, 3600*float64(s.beatsAsleep)/float64(max(1, s.asleepS)), s.writesAsleep)
	row("written", "%.0f KiB and %.0f syncs a driving hour; the program's own count: %.0f and %.0f", perHour(float64(s.card.bytes))/1024, perHour(float64(s.card.syncs)),
		perHour(float64(h.Usage.BytesWritten))/1024, perHour(float64(h.Usage.Syncs)))
	row("store", "%.0f KiB at most, quota %.0f; %d files removed to make room", float64(s.card.most)/1024, float64(s.quota())/1024, h.DroppedFiles)
	row("live heap", "%.2f MiB in the first half, %.2f in the second, %.2f at most; reading the stay at the end held %.2f, in %.0f ms", mib(early), mib(late), mib(peak), mib(s.reading), 1000*s.readingFor.Seconds())
	row("descriptors", "%d at most, %d before the beginning", s.fdsMost, s.fdsBefore)
	w.Flush() //nolint:errcheck // standard output
	fmt.Println()
	fmt.Fprintln(w, "event\tinjected\tfound, on file\tnot running\tbus away\tcard refused\tnot observable\tlost\tnot found\t")
	var names []string
	for name := range outcomes {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		o := outcomes[name]
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t\n", strings.ReplaceAll(name, "-", " "), o.injected, o.found, o.notRunning, o.busAway, o.refused, o.untold, o.bad, o.notSeen)
	}
	w.Flush() //nolint:errcheck // standard output
}

func mib(n uint64) float64 { return float64(n) / (1 << 20) }
