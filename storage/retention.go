package storage

import (
	"errors"
	"hash/fnv"
	"io/fs"
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect"
)

// What goes when room runs out, in this order:
//
//  1. what later records have made worthless: superseded accounts and counters
//     in journals that are complete;
//  2. the frames of events and the records of ordinary repeats without frames,
//     to ever smaller samples, by score: an event scores (severity + 1/4) / (1 + p),
//     p being how many of its kind and class stand before it, the severest
//     first and equals in an order drawn by lot. So the most severe and the
//     rarest of each kind go last, and of ordinary repeats a fair sample stays.
//     Records that go are counted, and the distribution of their measures is
//     kept.
//
// Marks by the driver, with their frames, and the account are never removed.
// What would score lowest itself is not written in the first place.

// page is what files are counted in: the block size of the usual file systems.
const page = 4096

func pages(size int64) int64 { return (size + page - 1) / page * page }

// purpose says what room is asked for; a part of the quota is held back for
// each that matters more.
type purpose uint8

const (
	forEvidence purpose = iota
	forEvents
	forAccount
	forCopy // of a journal, shorter than the one it replaces
)

// heldBack is what may not be used up for this purpose. Each can count on what
// those before it have left; the copy that condensing needs, on room for a
// whole journal file.
func (w *runWriter) heldBack(what purpose) int64 {
	file := w.journalLimit() + 2*page
	switch what {
	case forEvidence:
		if w.opt.Quota == 0 {
			return 3*file + 1<<20
		}
		return 3*file + min(w.opt.Quota/8, 1<<20)
	case forEvents:
		return 2 * file
	case forAccount:
		return file
	}
	return 0
}

// journalLimit is when a new journal file is begun.
func (w *runWriter) journalLimit() int64 {
	if w.opt.Quota == 0 {
		return maxJournalFile
	}
	return min(maxJournalFile, max(w.opt.Quota/16, 2*page))
}

// inventory knows the files of the store and their sizes.
type inventory struct {
	sizes map[string]int64
	total int64 // in whole pages
}

func newInventory(files []fs.FileInfo) *inventory {
	s := &inventory{sizes: map[string]int64{}}
	for _, f := range files {
		s.add(f.Name(), f.Size())
	}
	return s
}

func (s *inventory) add(name string, size int64) {
	s.remove(name)
	s.sizes[name] = size
	s.total += pages(size)
}

func (s *inventory) grow(name string, n int64) { s.add(name, s.sizes[name]+n) }

func (s *inventory) remove(name string) {
	if size, ok := s.sizes[name]; ok {
		s.total -= pages(size)
		delete(s.sizes, name)
	}
}

func (s *inventory) used() int64 { return s.total }

func (s *inventory) names(kind fileKind) []string {
	var out []string
	for name := range s.sizes {
		if found, _, _, ok := parseName(name); ok && found == kind {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

// fits reports whether n more bytes leave quota and floor as they must be.
func (w *runWriter) fits(n int64, what purpose) bool {
	n = pages(n) + page // the file's last page may be full
	held := w.heldBack(what)
	if w.opt.Quota > 0 && w.inventory.used()+n > w.opt.Quota-held {
		return false
	}
	if w.opt.FreeFloor > 0 {
		free, err := w.fs.Free()
		return err == nil && free-n >= w.opt.FreeFloor+held
	}
	return true
}

// room makes room for n more bytes and reports whether there is.
func (w *runWriter) room(n int64, what purpose) bool {
	if w.fits(n, what) {
		return true
	}
	severity := w.waitingSeverity()
	if what == forEvidence && w.refusedAt != 0 && w.now < w.refusedAt+w.opt.AccountEvery && severity <= w.refusedSeverity {
		return false // looked for not long ago, and there was none
	}
	// A little more than asked for, so that the next events find some.
	spare := n + max(w.opt.Quota/64, 64<<10)
	ok := w.makeRoom(n, spare, what)
	w.refusedAt = 0
	if !ok {
		w.refusedAt, w.refusedSeverity = w.now, severity
	}
	return ok
}

// waiting are the events that wait to be written, and the one whose spans come in.
func (w *runWriter) waiting() (events []*Event) {
	for _, it := range w.queue {
		if it.event != nil {
			events = append(events, it.event)
		}
	}
	if w.begun != nil {
		events = append(events, w.begun)
	}
	return events
}

// waitingSeverity is that of the severest event that waits to be written; a mark
// is above all.
func (w *runWriter) waitingSeverity() float64 {
	severity := -1.0
	for _, e := range w.waiting() {
		severity = max(severity, e.Finding.Severity)
		if e.Finding.Kind == detect.KindMark {
			return math.Inf(1)
		}
	}
	return severity
}

// lowSpace is when a medium that says it is full is believed.
const lowSpace = 1 << 20

// makeRoomOnFull removes evidence where others have filled the medium, whatever
// quota and floor say.
func (w *runWriter) makeRoomOnFull() {
	free, err := w.fs.Free()
	if err != nil || free >= lowSpace {
		return
	}
	until := w.inventory.used() - lowSpace/4
	w.dropEvidence(func() bool { return w.inventory.used() <= until }, lowSpace/4, false, math.Inf(1))
}

func (w *runWriter) makeRoom(n, spare int64, what purpose) bool {
	defer func() { w.folding = nil }()
	enough := func() bool { return w.fits(spare, what) }
	if w.journal.file != nil && w.journal.size > w.journalLimit()/2 {
		w.journal.close() // complete, and so open to step 1
	}
	w.condense(0, 0)
	// Records of repeats take at most half of the room, so that they do not crowd
	// out the frames of what matters.
	if w.now >= w.halvedAt && w.recordsTake(2, 1) {
		w.foldRepeats(func() bool { return !w.recordsTake(8, 3) })
		w.halvedAt = w.now + 60*bus.Second
	}
	if enough() {
		return true
	}
	if what == forEvidence {
		// Not for frames that would be the first to go themselves, and no
		// records for frames.
		w.dropEvidence(enough, spare-n, true, math.Inf(1))
		return w.fits(n, what)
	}
	if w.thinnedAt != 0 && w.now < w.thinnedAt+60*bus.Second {
		return w.fits(n, what) // tried not long ago, in vain
	}
	// Frames and records together, to ever smaller samples of the ordinary; then
	// the records of what is out of the ordinary too.
	for keep := 256; keep >= 8; keep /= 2 {
		w.dropEvidence(enough, spare-n, false, 1.25/float64(keep))
		if !enough() {
			w.condense(keep, ordinarySeverity)
		}
		if enough() {
			return true
		}
	}
	if w.foldRepeats(enough); enough() {
		return true
	}
	w.dropEvidence(enough, spare-n, false, math.Inf(1))
	ok := w.fits(n, what)
	if !ok {
		w.thinnedAt = w.now
	}
	return ok
}

// foldRepeats folds the records of repeats into counts until there is enough
// room, those out of the ordinary last, and not where ordinary ones only cannot go
// for now.
func (w *runWriter) foldRepeats(enough func() bool) {
	for _, below := range []float64{ordinarySeverity, math.Inf(1)} {
		for keep := 256; keep >= 8 && !enough(); keep /= 2 {
			if w.condense(keep, below) {
				return
			}
		}
	}
}

// recordsTake reports whether the journals take more than n/of of what the store
// may.
func (w *runWriter) recordsTake(of, n int64) bool {
	limit := w.opt.Quota
	if free, err := w.fs.Free(); w.opt.FreeFloor > 0 && err == nil {
		if may := w.inventory.used() + free - w.opt.FreeFloor; limit == 0 || may < limit {
			limit = may
		}
	}
	var journals int64
	for _, name := range w.inventory.names(journalFile) {
		journals += pages(w.inventory.sizes[name])
	}
	return limit > 0 && journals > limit/of*n
}

// indexed is what deciding needs to know of an event on file.
type indexed struct {
	id, kind, class string
	severity        float64
	lot             uint64
	run             uint32
	parts           []uint32
	pending         bool // not on file yet
	score           float64
}

func (x *indexed) mark() bool { return x.kind == detect.KindMark }

func newIndexed(r *eventRecord, run uint32) indexed {
	id := r.ID
	if id == "" {
		id = eventID(run, r.N)
	}
	h := fnv.New64a()
	h.Write([]byte(id)) //nolint:errcheck // of a hash
	return indexed{
		id: id, kind: r.Finding.Kind, class: r.Finding.Class.String(), severity: r.Finding.Severity,
		lot: mix(h.Sum64()), run: run, parts: slices.Clone(r.Parts),
	}
}

// mix spreads a hash over all its bits (the finaliser of SplitMix64, Steele,
// Lea and Flood 2014).
func mix(v uint64) uint64 {
	v = (v ^ v>>30) * 0xbf58476d1ce4e5b9
	v = (v ^ v>>27) * 0x94d049bb133111eb
	return v ^ v>>31
}

// rank gives the events their scores.
func rank(events []indexed) {
	order := make([]*indexed, len(events))
	for i := range events {
		order[i] = &events[i]
	}
	slices.SortFunc(order, func(a, b *indexed) int {
		switch {
		case a.severity != b.severity:
			if a.severity > b.severity {
				return -1
			}
			return 1
		case a.lot != b.lot:
			return compare(a.lot, b.lot)
		case a.id < b.id:
			return -1
		}
		return 1
	})
	before := map[[2]string]int{} // of its kind and class
	for _, x := range order {
		key := [2]string{x.kind, x.class}
		x.score = (x.severity + 0.25) / float64(1+before[key])
		before[key]++
		if x.mark() {
			x.score = math.Inf(1)
		}
	}
}

// readIndex reads from the journals which events have their frames on file.
// Later events are added as they are written.
func (w *runWriter) readIndex() {
	if w.indexRead {
		w.index = slices.DeleteFunc(w.index, func(x indexed) bool { return !w.hasFrames(&x) })
		return
	}
	w.indexRead = true
	for _, name := range w.inventory.names(journalFile) {
		w.eachEvent(name, func(r *eventRecord, run uint32) {
			if x := newIndexed(r, run); r.State == EvidenceKept && w.hasFrames(&x) {
				w.index = append(w.index, x)
			}
		})
	}
}

// hasFrames reports whether any of the event's evidence files is there, and
// forgets those that are not.
func (w *runWriter) hasFrames(x *indexed) bool {
	x.parts = slices.DeleteFunc(x.parts, func(p uint32) bool {
		_, ok := w.inventory.sizes[fileName(evidenceFile, x.run, p)]
		return !ok
	})
	return len(x.parts) > 0
}

// dropEvidence removes the frames of the events that score lowest, until there
// is enough room or the lowest score is the limit or, for a pending event, that
// event's own; about step bytes at once.
func (w *runWriter) dropEvidence(enough func() bool, step int64, forPending bool, limit float64) {
	w.readIndex()
	events := slices.Clone(w.index)
	for _, e := range w.waiting() {
		if e.Evidence == EvidenceKept {
			r := e.record()
			x := newIndexed(&r, w.run)
			x.pending = true
			events = append(events, x)
		}
	}
	rank(events)
	// A file is worth what the best event in it is; one that no event on file
	// speaks of belongs to an event that is being written.
	score := map[string]float64{}
	own := math.Inf(-1)
	for i := range events {
		x := &events[i]
		if x.pending {
			own = max(own, x.score)
			continue
		}
		for _, p := range x.parts {
			name := fileName(evidenceFile, x.run, p)
			score[name] = max(score[name], x.score)
		}
	}
	if forPending && !math.IsInf(own, -1) {
		limit = min(limit, own)
	}
	names := w.inventory.names(evidenceFile)
	names = slices.DeleteFunc(names, func(n string) bool {
		s, ok := score[n]
		return !ok || math.IsInf(s, 1) || s >= limit || n == w.spans.name && w.spans.file != nil
	})
	slices.SortStableFunc(names, func(a, b string) int {
		switch {
		case score[a] < score[b]:
			return -1
		case score[a] > score[b]:
			return 1
		}
		return 0
	})
	for len(names) > 0 && !enough() {
		// As many at once, with one note in the journal, as are surely needed.
		n, freed := 1, pages(w.inventory.sizes[names[0]])
		for n < len(names) && freed+pages(w.inventory.sizes[names[n]]) <= step {
			freed += pages(w.inventory.sizes[names[n]])
			n++
		}
		if !w.drop(names[:n]) {
			return
		}
		names = names[n:]
	}
}

// drop removes evidence files. That they were removed on purpose is on the
// medium before they are.
func (w *runWriter) drop(names []string) bool {
	r := droppedRecord{Files: names}
	for _, n := range names {
		r.Bytes += w.inventory.sizes[n]
	}
	if !w.note(blockDropped, r) {
		return false
	}
	for _, n := range names {
		// A courier may have removed it before.
		if err := w.fs.Remove(n); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return false
		}
		w.inventory.remove(n)
		w.usage.FilesRemoved++
	}
	w.usage.Syncs++
	return w.fs.SyncDir() == nil
}

// note writes one record to the journal at once.
func (w *runWriter) note(typ blockType, v any) bool {
	g, err := w.piece()
	if err != nil || g.record(typ, v) != nil {
		return false
	}
	g.close()
	return w.fits(int64(len(g.out))+headerSize, forAccount) && w.writeBody(g) == nil
}

// eachEvent visits the events of a journal file, as far as it can be read.
func (w *runWriter) eachEvent(name string, visit func(r *eventRecord, run uint32)) {
	_, run, _, _ := parseName(name)
	data, err := w.fs.ReadFile(name)
	if err != nil {
		return
	}
	p, err := parseFile(name, data)
	if err != nil {
		return
	}
	records := recReader{u: w.unpack}
	for _, b := range p.blocks {
		list, _ := records.read(b) //nolint:errcheck // what cannot be read stays
		for _, x := range list {
			if x.typ != blockEvent {
				continue
			}
			if r, err := x.event(run); err == nil {
				visit(&r, run)
			}
		}
	}
}
