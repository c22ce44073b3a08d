package storage

import (
	"errors"
	"fmt"
	"slices"
	"syscall"

	"joltwatch/bus"
	"joltwatch/detect"
)

// runWriter writes the files of one run. It takes things in order and writes them
// in order: frames first, then the events that need them.
type runWriter struct {
	dir string
	fs  FS
	opt Options
	run uint32
	now bus.Micros

	pack    *packer
	unpack  *unpacker
	coder   *spanCoder
	release func() error

	clock bus.Clock
	quiet []*Event

	// queue is what is not on the medium yet, oldest first.
	queue   []item
	journal outFile
	spans   outFile
	// parts are the evidence files of this run, oldest first.
	parts []evidencePart
	// begun is the event whose spans come in, nil where there is none.
	begun *Event
	// block is the buffer of the block that is being written.
	block []byte

	inventory *inventory
	usage     Usage
	// index is the events whose frames are on file, once that was asked for.
	index     []indexed
	indexRead bool
	// folding is the events without frames while room is made.
	folding   []indexed
	foldingAt uint64
	// condensed are the journal files that step 1 of making room has seen.
	condensed map[string]bool
	// retry is when a medium that refused is tried again, 0 where it has
	// not; wait is the pause before that.
	retry, wait bus.Micros
	lastError   error
	takes       int     // tries to take the store
	first       Trouble // the error that the present trouble began with
	full        bool
	prepared    bool // plan and settings are on file

	// stay is the identity of the stay; link is what the first journal file of
	// this run says of what was before it.
	stay uint64
	link linkRecord
	// last is the last of the records in the journal that others may stand against.
	last lasts

	head      headRecord
	headSound bool
	headTried bool
	headAt    bus.Micros
	lost      *Lost
	// refusedAt is when room was last looked for in vain, 0 where it was
	// found.
	refusedAt       bus.Micros
	refusedSeverity float64
	// thinnedAt is when records were last thinned in vain, 0 where not.
	thinnedAt bus.Micros
	// halvedAt is when records may be thinned to half of the room again.
	halvedAt bus.Micros
}

// item is one thing to be written: a span, or a block of the journal.
type item struct {
	// span is a span's payload, nil for a block of the journal.
	span []byte
	info spanInfo
	// fresh asks for a new evidence file.
	fresh bool

	typ     blockType
	payload []byte
	drive   int    // of an account
	event   *Event // of an event; its payload is made when it is written
}

// evidencePart says what is in one evidence file of this run.
type evidencePart struct {
	part     uint32
	next     uint64 // ordinal after its last frame
	from, to bus.Micros
	size     int64
	// durable is how far it goes, told how far the journal says so.
	durable, told fileMark
}

// done empties an item that needs no more writing.
func (it *item) done() { *it = item{} }

const (
	// maxEvidenceFile is when the next event begins a new evidence file even
	// though its frames adjoin: a file is what is removed at once to make
	// room.
	maxEvidenceFile = 64 << 10
	// See journalLimit.
	maxJournalFile = 256 << 10
	// The pause before a medium that refused is tried again doubles from
	// firstRetry to lastRetry.
	firstRetry = bus.Second
	lastRetry  = 60 * bus.Second
	// closeTries is how often the last writing is tried.
	closeTries = 3
	// While the medium refuses, this much is kept in memory.
	maxWaitingSpans  = 2 << 20
	maxWaitingEvents = 512
	// maxParts is how many of the latest evidence files an event may refer to.
	maxParts     = 256
	spanOverhead = 1024 // what one waiting span counts for beside its bytes
)

// begin says that the spans that follow are for this event.
func (w *runWriter) begin(e *Event) { w.begun = e }

// span takes frames that are to be written; the first has this ordinal. Those of an
// event wait for it, but for a span that fills a file.
func (w *runWriter) span(first uint64, frames []bus.Frame) {
	payload := w.coder.encode(first, frames)
	info, _ := parseSpanHead(payload)
	w.queue = append(w.queue, item{span: payload, info: info, fresh: w.begun != nil})
	if w.begun == nil || len(payload) >= maxEvidenceFile {
		w.drain()
	}
}

// finish takes the event whose spans have come; it is written with what is drained next.
func (w *runWriter) finish(e *Event) {
	w.begun = nil
	w.queue = append(w.queue, item{typ: blockEvent, event: e})
}

func (w *runWriter) hasQuiet() bool { return len(w.quiet) > 0 }

func (w *runWriter) addQuiet(e *Event) {
	w.quiet = append(w.quiet, e)
	if len(w.quiet) >= maxWaitingEvents {
		w.queueQuiet()
		w.drain()
	}
}

func (w *runWriter) queueQuiet() {
	for _, e := range w.quiet {
		w.queue = append(w.queue, item{typ: blockEvent, event: e})
	}
	w.quiet = w.quiet[:0]
}

func (w *runWriter) account(a *detect.Account) {
	payload, err := marshal(a)
	if err != nil {
		w.trouble(fmt.Errorf("the account of drive %d: %w", a.Drive, err))
		return
	}
	w.replace(item{typ: blockAccount, payload: payload, drive: a.Drive})
}

func (w *runWriter) history(h []byte) {
	w.replace(item{typ: blockHistory, payload: slices.Clone(h)})
}

// replace queues an item of which only the latest counts.
func (w *runWriter) replace(it item) {
	w.queue = slices.DeleteFunc(w.queue, func(o item) bool { return o.span == nil && o.typ == it.typ && o.drive == it.drive })
	w.queue = append(w.queue, it)
}

func (w *runWriter) setClock(c bus.Clock) {
	if c == w.clock {
		return
	}
	w.clock = c
	if !c.Known {
		return
	}
	payload, err := marshal(clockRecord{At: w.now, Clock: c})
	if err != nil {
		w.trouble(err)
		return
	}
	w.replace(item{typ: blockClock, payload: payload})
	w.drain()
}

// drain writes the queue, as far as the medium lets it.
func (w *runWriter) drain() {
	w.drainQueue()
	w.sayLost()
}

func (w *runWriter) drainQueue() {
	if len(w.queue) == 0 {
		return
	}
	if w.retry != 0 && w.now < w.retry {
		w.bound()
		return
	}
	err := w.write()
	if err != nil {
		// Once more at once, into new files: a single bad write or a file
		// that cannot grow should cost no time.
		w.usage.Refused++
		if w.taken() && errors.Is(err, syscall.ENOSPC) {
			w.makeRoomOnFull()
		}
		err = w.write()
	}
	if err != nil {
		w.wait = min(max(2*w.wait, firstRetry), lastRetry)
		w.retry = w.now + w.wait
		w.bound()
		w.trouble(err)
		return
	}
	w.retry, w.wait = 0, 0
	w.well()
	w.sayRun(false)
}

// bound keeps what waits in memory within its limits: the least worthy frames
// and events go first.
func (w *runWriter) bound() {
	var bytes, events int
	w.queue = slices.DeleteFunc(w.queue, func(it item) bool { return it.span == nil && it.typ == 0 })
	for _, it := range w.queue {
		if it.span != nil {
			bytes += len(it.span) + spanOverhead
		}
		if it.event != nil {
			events++
		}
	}
	for i := 0; i < len(w.queue) && bytes > maxWaitingSpans; {
		if w.queue[i].span == nil {
			i++
			continue
		}
		bytes -= len(w.queue[i].span) + spanOverhead
		w.queue = slices.Delete(w.queue, i, i+1)
	}
	for events > maxWaitingEvents {
		worst := -1
		for i, it := range w.queue {
			if it.event != nil && (worst < 0 || it.event.Finding.Severity < w.queue[worst].event.Finding.Severity) {
				worst = i
			}
		}
		w.loseEvent(w.queue[worst].event)
		w.queue = slices.Delete(w.queue, worst, worst+1)
		events--
	}
}

// write writes the whole queue: all spans, then all blocks of the journal, which speak of
// them. Where the file system keeps that order, the sync of the journal does for both;
// otherwise that of the spans comes first.
func (w *runWriter) write() error {
	if !w.taken() {
		if _, err := w.take(); err != nil {
			return err
		}
	}
	if err := w.writeSpans(); err != nil {
		return err
	}
	if err := w.orderSpans(); err != nil {
		return err
	}
	err := w.writeJournal()
	if err == nil && w.spans.ordered {
		w.synced(&w.spans)
	} else if e := w.syncSpans(len(w.queue)); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	for _, it := range w.queue {
		if it.event == nil {
			continue
		}
		w.usage.Stored++
		if w.indexRead && it.event.Evidence == EvidenceKept {
			r := it.event.record()
			w.index = append(w.index, newIndexed(&r, w.run))
		}
		if w.opt.Acknowledged != nil {
			w.opt.Acknowledged(it.event)
		}
	}
	w.queue = w.queue[:0]
	return nil
}

// writeSpans writes the frames that wait, and syncs those that are not in the last file;
// what is durable is taken off the queue even where later ones fail.
func (w *runWriter) writeSpans() error {
	for i := range w.queue {
		it := &w.queue[i]
		if it.span == nil {
			continue
		}
		last := w.lastPart()
		if last == nil || last.next != it.info.first || it.fresh && last.size >= maxEvidenceFile {
			if err := w.syncSpans(i); err != nil {
				return err
			}
			w.spans.close()
		}
		n := int64(blockHead + len(it.span))
		if !w.room(n+headerSize, forEvidence) {
			it.done()
			continue
		}
		if w.spans.file == nil {
			if err := w.create(&w.spans, evidenceFile); err != nil {
				return err
			}
			w.parts = append(w.parts, evidencePart{part: w.spans.part, from: it.info.from, to: it.info.to, size: headerSize})
			if err := w.linkEvidence(); err != nil {
				return err
			}
		}
		if err := w.appendBlock(&w.spans, blockSpan, codedRaw, it.span); err != nil {
			return err
		}
		last = w.lastPart()
		last.next = it.info.first + uint64(it.info.frames)
		last.from, last.to = min(last.from, it.info.from), max(last.to, it.info.to)
		last.size += n
	}
	return nil
}

// linkEvidence begins an evidence file with what it belongs to.
func (w *runWriter) linkEvidence() error {
	l := linkRecord{Stay: w.stay, Before: w.journal.durable.pointer()}
	if w.spans.durable.Part != 0 {
		l.Evidence = []fileMark{w.spans.durable}
	}
	g := groups{pack: w.pack}
	if err := g.record(blockLink, l); err != nil {
		return err
	}
	return w.appendBlock(&w.spans, blockGroup, codedRaw, g.items)
}

func (w *runWriter) appendBlock(o *outFile, typ blockType, coding uint8, payload []byte) error {
	w.block = appendBlock(w.block[:0], typ, coding, uint16(o.at.blocks), payload)
	return w.append(o, w.block, chained{o.at.blocks + 1, sumOf(o.at.sum, w.block)})
}

// lastPart is the evidence file that is being appended to, or nil.
func (w *runWriter) lastPart() *evidencePart {
	if w.spans.file == nil || len(w.parts) == 0 {
		return nil
	}
	return &w.parts[len(w.parts)-1]
}

func (it item) isSpan() bool   { return it.span != nil }
func (it item) isRecord() bool { return it.event != nil || it.typ != 0 }

// orderSpans sees to it that no cut leaves what comes to the journal now without the
// frames before it; they are synced where that cannot be, or where nothing comes.
func (w *runWriter) orderSpans() error {
	if !slices.ContainsFunc(w.queue, item.isSpan) {
		return nil
	}
	if !slices.ContainsFunc(w.queue, item.isRecord) {
		return w.syncSpans(len(w.queue))
	}
	ok, err := w.spans.file.Order()
	switch {
	case err != nil:
		return w.giveUp(&w.spans, fmt.Errorf("writing it out: %w", err))
	case !ok:
		return w.syncSpans(len(w.queue))
	}
	w.countSync(&w.spans)
	w.spans.ordered = true
	w.lastPart().durable = w.spans.mark(w.run)
	return nil
}

// syncSpans makes the frames of queue[:to] durable.
func (w *runWriter) syncSpans(to int) error {
	items := w.queue[:to]
	if !w.spans.ordered && !slices.ContainsFunc(items, item.isSpan) {
		return nil
	}
	last := w.lastPart()
	if err := w.sync(&w.spans); err != nil {
		last.durable = last.told
		return err
	}
	last.durable = w.spans.durable
	for i := range items {
		if items[i].isSpan() {
			items[i].done()
		}
	}
	return nil
}

var errNoRoom = errors.New("the store is full: nothing more may be removed; counting goes on")

// writeJournal writes the blocks of the queue with one sync.
func (w *runWriter) writeJournal() error {
	if w.journal.file != nil && w.journal.size > w.journalLimit() {
		w.journal.close()
	}
	if !slices.ContainsFunc(w.queue, item.isRecord) {
		return nil
	}
	what := forAccount
	if slices.ContainsFunc(w.queue, func(it item) bool { return it.event != nil }) {
		what = forEvents
	}
	body, err := w.body(true)
	if err != nil {
		return err
	}
	short := false
	if n := int64(len(body.out)) + headerSize; !w.fits(n, what) {
		if body, short, err = w.squeeze(n, what); err != nil {
			return err
		}
	}
	if err := w.writeBody(body); err != nil {
		return err
	}
	if what == forEvents {
		w.full = short
	}
	if short {
		// Marks wait until there is room.
		w.queue = slices.DeleteFunc(w.queue, func(it item) bool { return it.event == nil })
		if len(w.queue) > 0 {
			return errNoRoom
		}
	}
	return nil
}

// squeeze makes room for n bytes and returns what is to be written then; short
// says that it is without the events, for which there is none.
func (w *runWriter) squeeze(n int64, what purpose) (body *groups, short bool, err error) {
	if !w.room(n, what) {
		// The account goes on without the events, and counts them.
		short = true
		w.giveUpEvents()
		if body, err = w.body(false); err != nil {
			return nil, short, err
		}
		if !w.room(int64(len(body.out))+headerSize, forAccount) {
			return nil, short, errNoRoom
		}
	}
	// Making room may have written to the journal.
	body, err = w.body(!short)
	return body, short, err
}

// writeBody writes what body has made, with one sync.
func (w *runWriter) writeBody(g *groups) error {
	if w.journal.file == nil {
		if err := w.create(&w.journal, journalFile); err != nil {
			return err
		}
	}
	if err := w.append(&w.journal, g.out, g.at); err != nil {
		return err
	}
	if err := w.sync(&w.journal); err != nil {
		return err
	}
	w.prepared, w.last = true, g.last
	for i := range w.parts {
		w.parts[i].told = w.parts[i].durable
	}
	if n := len(w.parts) - maxParts; n > 0 {
		w.parts = slices.Delete(w.parts, 0, n)
	}
	return nil
}

// giveUpEvents takes the events off the queue for lack of room, but for marks.
func (w *runWriter) giveUpEvents() {
	if !w.full {
		t := Trouble{At: w.now, What: errNoRoom.Error()}
		if w.opt.Troubled != nil {
			w.opt.Troubled(t)
		}
		w.noteTrouble(t)
	}
	w.full = true
	w.queue = slices.DeleteFunc(w.queue, func(it item) bool {
		if it.event == nil || it.event.Finding.Kind == detect.KindMark {
			return false
		}
		w.loseEvent(it.event)
		return true
	})
}

// body is what the queue adds to the journal, with its events or without.
func (w *runWriter) body(events bool) (*groups, error) {
	g, err := w.piece()
	if err != nil {
		return nil, err
	}
	stored := w.usage.Stored
	ending, usage := false, false
	for i := range w.queue {
		it := &w.queue[i]
		switch {
		case it.event != nil && !events:
		case it.event != nil:
			w.refer(it.event)
			if err := g.record(blockEvent, it.event.record()); err != nil {
				return nil, err
			}
			stored++
		case it.typ == blockEnd:
			ending, usage = true, true // stands last
		case it.typ == blockHistory:
			g.opaque(it.typ, it.payload)
		case it.typ != 0:
			usage = true
			if len(it.payload) == 0 {
				continue
			}
			if err := g.json(it.typ, it.payload); err != nil {
				return nil, err
			}
		}
	}
	if err := w.addFrames(g); err != nil {
		return nil, err
	}
	if usage {
		u := w.usage
		u.Stored = stored
		if err := g.record(blockUsage, u); err != nil {
			return nil, err
		}
	}
	if ending {
		if err := w.addClocks(g); err != nil {
			return nil, err
		}
		g.add(blockEnd, formAsIs, nil)
	}
	g.close()
	return g, nil
}

// piece is the beginning of a piece of the journal: nothing, or what a file
// begins with.
func (w *runWriter) piece() (*groups, error) {
	if w.journal.file != nil {
		return &groups{pack: w.pack, at: w.journal.at, last: w.last}, nil
	}
	g := &groups{pack: w.pack, at: chainFrom(header{kind: journalFile, run: w.run, part: w.journal.part + 1, boot: w.opt.Boot})}
	return g, w.preamble(g)
}

// addFrames says how far the evidence files have come since it was last said.
func (w *runWriter) addFrames(g *groups) error {
	var r framesRecord
	for _, p := range w.parts {
		if p.durable != p.told {
			m := p.durable
			m.Run = 0
			r.Files = append(r.Files, m)
		}
	}
	if len(r.Files) == 0 {
		return nil
	}
	return g.record(blockFrames, r)
}

// addClocks says which clock files there are.
func (w *runWriter) addClocks(g *groups) error {
	files, err := w.fs.List()
	if err != nil {
		return nil //nolint:nilerr // what cannot be listed is not claimed
	}
	marks := w.clockMarks(files)
	if len(marks) == len(w.link.Clocks) {
		return nil
	}
	return g.record(blockLink, linkRecord{Stay: w.stay, Clocks: marks})
}

// preamble adds the records that a journal file begins with.
func (w *runWriter) preamble(g *groups) error {
	link := w.link
	if w.journal.durable.Part != 0 {
		link = linkRecord{Stay: w.stay, Before: w.journal.durable.pointer()}
	}
	if err := g.record(blockLink, link); err != nil {
		return err
	}
	r := runRecord{
		Program: w.opt.Program, Label: w.opt.Label, AccountEvery: w.opt.AccountEvery,
		LookBack: w.opt.LookBack, LookOn: w.opt.LookOn, RingBytes: w.opt.RingBytes,
		Quota: w.opt.Quota, FreeFloor: w.opt.FreeFloor,
	}
	if w.clock.Known {
		c := w.clock
		r.Clock = &c
	}
	if err := g.record(blockRun, r); err != nil {
		return err
	}
	if w.prepared {
		return nil
	}
	payload, err := marshal(w.opt.Plan)
	if err != nil {
		return fmt.Errorf("the plan: %w", err)
	}
	if err := g.json(blockPlan, payload); err != nil {
		return err
	}
	g.add(blockSettings, formAsIs, w.opt.Settings)
	return nil
}

// refer notes in an event which evidence files hold its frames.
func (w *runWriter) refer(e *Event) {
	e.parts = nil
	if e.Evidence == EvidenceNotAsked {
		return
	}
	for _, p := range w.parts {
		if p.to >= e.From && p.from <= e.To {
			e.parts = append(e.parts, p.part)
		}
	}
	if len(e.parts) == 0 {
		e.Evidence = EvidenceNoRoom
	}
}

func (w *runWriter) trouble(err error) {
	w.usage.Refused++
	if w.lastError == nil {
		w.first = Trouble{At: w.now, What: err.Error()}
		if w.opt.Troubled != nil {
			w.opt.Troubled(w.first)
		}
	}
	w.lastError = err
}

// well notes the end of a trouble; the note goes with the next writing.
func (w *runWriter) well() {
	if w.lastError == nil {
		return
	}
	w.lastError = nil
	if w.opt.Troubled != nil {
		w.opt.Troubled(Trouble{At: w.now, What: "writing again", Over: true})
	}
	w.noteTrouble(Trouble{At: w.first.At, What: fmt.Sprintf("%s; writing again %.0f s later", w.first.What, (w.now - w.first.At).Seconds())})
}

func (w *runWriter) noteTrouble(t Trouble) {
	if payload, err := marshal(t); err == nil {
		w.queue = append(w.queue, item{typ: blockTrouble, payload: payload})
	}
}

// close writes what is left and the end of the run.
func (w *runWriter) close() error {
	w.queue = append(w.queue, item{typ: blockEnd})
	for range closeTries {
		w.retry = 0
		if w.drain(); w.lastError == nil {
			break
		}
	}
	err := w.lastError
	if err != nil {
		left := 0
		for _, it := range w.queue {
			if it.event != nil {
				left++
			}
		}
		err = fmt.Errorf("%s: %d events and the last of the account could not be written: %w", w.dir, left, err)
	}
	w.journal.close()
	w.spans.close()
	if w.taken() && w.lastError == nil {
		w.writeHead(w.journal.durable.pointer(), false)
	}
	if w.taken() {
		err = errors.Join(err, w.release())
	}
	return err
}

// WriterHealth is how a running Writer fares.
type WriterHealth struct {
	Usage Usage
	// Used is what the store takes, files counted in whole pages.
	Used int64
	// Full is true while nothing more can be stored; counting goes on.
	Full bool
	// Waiting is how many things are in memory only.
	Waiting int
	// Trouble is the last error of the medium, nil where it is well.
	Trouble error
}

func (w *runWriter) health() WriterHealth {
	return WriterHealth{Usage: w.usage, Used: w.inventory.used(), Full: w.full, Waiting: len(w.queue) + len(w.quiet), Trouble: w.lastError}
}
