package storage

import (
	"errors"
	"fmt"
	"slices"
	"syscall"

	"joltwatch/bus"
	"joltwatch/detect"
)

// keeper writes the files of one run. It takes things in order and writes them
// in order: frames first, then the events that need them.
type keeper struct {
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
	// begun is set while the spans of one event come in.
	begun bool

	store *shelf
	usage Usage
	// index is the events whose frames are on file, once that was asked for.
	index     []indexed
	indexRead bool
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
	// refusedAt is when room was last looked for in vain, 0 where it was
	// found.
	refusedAt    bus.Micros
	refusedWorth float64
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
	spanOverhead     = 1024 // what one waiting span counts for beside its bytes
)

// begin says that the spans that follow are for this event.
func (k *keeper) begin(*Event) { k.begun = true }

// span takes frames that are to be written; the first has this ordinal.
func (k *keeper) span(first uint64, frames []bus.Frame) {
	payload := k.coder.encode(first, frames)
	info, _ := parseSpanHead(payload)
	k.queue = append(k.queue, item{span: payload, info: info, fresh: k.begun})
	if !k.begun {
		k.drain()
	}
}

// finish takes the event whose spans have come.
func (k *keeper) finish(e *Event) {
	k.begun = false
	k.queue = append(k.queue, item{typ: blockEvent, event: e})
	k.drain()
}

func (k *keeper) hasQuiet() bool { return len(k.quiet) > 0 }

func (k *keeper) addQuiet(e *Event) {
	k.quiet = append(k.quiet, e)
	if len(k.quiet) >= maxWaitingEvents {
		k.flushQuiet()
	}
}

func (k *keeper) flushQuiet() {
	for _, e := range k.quiet {
		k.queue = append(k.queue, item{typ: blockEvent, event: e})
	}
	k.quiet = k.quiet[:0]
	k.drain()
}

func (k *keeper) account(drive int, payload []byte) {
	k.replace(item{typ: blockAccount, payload: payload, drive: drive})
}

func (k *keeper) history(h []byte) {
	k.replace(item{typ: blockHistory, payload: slices.Clone(h)})
	k.drain()
}

// replace queues an item of which only the latest counts.
func (k *keeper) replace(it item) {
	k.queue = slices.DeleteFunc(k.queue, func(o item) bool { return o.span == nil && o.typ == it.typ && o.drive == it.drive })
	k.queue = append(k.queue, it)
}

func (k *keeper) setClock(c bus.Clock) {
	if c == k.clock {
		return
	}
	k.clock = c
	if !c.Known {
		return
	}
	payload, err := marshal(clockRecord{At: k.now, Clock: c})
	if err != nil {
		k.trouble(err)
		return
	}
	k.replace(item{typ: blockClock, payload: payload})
	k.drain()
}

// drain writes the queue, as far as the medium lets it.
func (k *keeper) drain() {
	if len(k.queue) == 0 {
		return
	}
	if k.retry != 0 && k.now < k.retry {
		k.bound()
		return
	}
	err := k.write()
	if err != nil {
		// Once more at once, into new files: a single bad write or a file
		// that cannot grow should cost no time.
		k.usage.Refused++
		if k.taken() && errors.Is(err, syscall.ENOSPC) {
			k.makeRoomOnFull()
		}
		err = k.write()
	}
	if err != nil {
		k.wait = min(max(2*k.wait, firstRetry), lastRetry)
		k.retry = k.now + k.wait
		k.bound()
		k.trouble(err)
		return
	}
	k.retry, k.wait = 0, 0
	k.well()
}

// bound keeps what waits in memory within its limits: the least worthy frames
// and events go first.
func (k *keeper) bound() {
	var bytes, events int
	k.queue = slices.DeleteFunc(k.queue, func(it item) bool { return it.span == nil && it.typ == 0 })
	for _, it := range k.queue {
		if it.span != nil {
			bytes += len(it.span) + spanOverhead
		}
		if it.event != nil {
			events++
		}
	}
	for i := 0; i < len(k.queue) && bytes > maxWaitingSpans; {
		if k.queue[i].span == nil {
			i++
			continue
		}
		bytes -= len(k.queue[i].span) + spanOverhead
		k.queue = slices.Delete(k.queue, i, i+1)
	}
	for events > maxWaitingEvents {
		worst := -1
		for i, it := range k.queue {
			if it.event != nil && (worst < 0 || it.event.Finding.Worth < k.queue[worst].event.Finding.Worth) {
				worst = i
			}
		}
		k.queue = slices.Delete(k.queue, worst, worst+1)
		k.usage.NotStored++
		events--
	}
}

// write writes the whole queue: all spans with one sync, then all blocks of
// the journal with another.
func (k *keeper) write() error {
	if !k.taken() {
		if _, err := k.take(); err != nil {
			return err
		}
	}
	if err := k.writeSpans(); err != nil {
		return err
	}
	if err := k.writeJournal(); err != nil {
		return err
	}
	for _, it := range k.queue {
		if it.event == nil {
			continue
		}
		if k.indexRead && it.event.Evidence == EvidenceKept {
			r := it.event.record()
			k.index = append(k.index, newIndexed(&r, k.run))
		}
		if k.opt.Acknowledged != nil {
			k.opt.Acknowledged(it.event)
		}
	}
	k.queue = k.queue[:0]
	return nil
}

// writeSpans writes the frames that wait; those that are durable are taken off
// the queue even where later ones fail.
func (k *keeper) writeSpans() error {
	from := 0 // items before it are durable
	for i := range k.queue {
		it := &k.queue[i]
		if it.span == nil {
			continue
		}
		last := k.lastPart()
		if last == nil || last.next != it.info.first || it.fresh && last.size >= maxEvidenceFile {
			if err := k.syncSpans(from, i); err != nil {
				return err
			}
			from = i
			k.spans.close()
		}
		n := int64(blockHead + len(it.span))
		if !k.room(n+headerSize, forEvidence) {
			it.done()
			continue
		}
		if k.spans.file == nil {
			if err := k.create(&k.spans, evidenceFile); err != nil {
				return err
			}
			k.parts = append(k.parts, evidencePart{part: k.spans.part, from: it.info.from, to: it.info.to, size: headerSize})
		}
		if err := k.append(&k.spans, appendBlock(nil, blockSpan, codedRaw, k.spans.blocks, it.span), 1); err != nil {
			return err
		}
		last = k.lastPart()
		last.next = it.info.first + uint64(it.info.frames)
		last.from, last.to = min(last.from, it.info.from), max(last.to, it.info.to)
		last.size += n
	}
	return k.syncSpans(from, len(k.queue))
}

// lastPart is the evidence file that is being appended to, or nil.
func (k *keeper) lastPart() *evidencePart {
	if k.spans.file == nil || len(k.parts) == 0 {
		return nil
	}
	return &k.parts[len(k.parts)-1]
}

// syncSpans makes the frames of queue[from:to] durable.
func (k *keeper) syncSpans(from, to int) error {
	items := k.queue[from:to]
	if !slices.ContainsFunc(items, func(it item) bool { return it.span != nil }) {
		return nil
	}
	if err := k.sync(&k.spans); err != nil {
		return err
	}
	for i := range items {
		if items[i].span != nil {
			items[i].done()
		}
	}
	return nil
}

var errNoRoom = errors.New("the store is full: nothing more may be removed; counting goes on")

// writeJournal writes the blocks of the queue with one sync.
func (k *keeper) writeJournal() error {
	if k.journal.file != nil && k.journal.size > k.journalLimit() {
		k.journal.close()
	}
	waits := func(it item) bool { return it.event != nil || it.typ != 0 }
	if !slices.ContainsFunc(k.queue, waits) {
		return nil
	}
	what := forAccount
	if slices.ContainsFunc(k.queue, func(it item) bool { return it.event != nil }) {
		what = forEvents
	}
	body, count, err := k.body(true)
	if err != nil {
		return err
	}
	short := false
	if !k.room(int64(len(body))+headerSize, what) {
		// The account goes on without the events, and counts them.
		k.giveUpEvents()
		if body, _, err = k.body(false); err != nil {
			return err
		}
		if !k.room(int64(len(body))+headerSize, forAccount) {
			return errNoRoom
		}
		short = true
	}
	// Making room may have written to the journal.
	if body, count, err = k.body(!short); err != nil {
		return err
	}
	if k.journal.file == nil {
		if err := k.create(&k.journal, journalFile); err != nil {
			return err
		}
	}
	if err := k.append(&k.journal, body, count); err != nil {
		return err
	}
	if err := k.sync(&k.journal); err != nil {
		return err
	}
	k.prepared = true
	if what == forEvents {
		k.full = short
	}
	if short {
		// Marks wait until there is room.
		k.queue = slices.DeleteFunc(k.queue, func(it item) bool { return it.event == nil })
		if len(k.queue) > 0 {
			return errNoRoom
		}
	}
	return nil
}

// giveUpEvents takes the events off the queue for lack of room, but for marks.
func (k *keeper) giveUpEvents() {
	if !k.full {
		t := Trouble{At: k.now, What: errNoRoom.Error()}
		if k.opt.Troubled != nil {
			k.opt.Troubled(t)
		}
		k.noteTrouble(t)
	}
	k.full = true
	k.queue = slices.DeleteFunc(k.queue, func(it item) bool {
		if it.event == nil || it.event.Finding.Kind == detect.KindMark {
			return false
		}
		k.usage.NotStored++
		return true
	})
}

// body is what the queue adds to the journal, with its events or without.
func (k *keeper) body(events bool) (body []byte, count int, err error) {
	number := k.journal.blocks
	add := func(typ blockType, payload []byte) {
		coding, p := k.pack.record(payload)
		body = appendBlock(body, typ, coding, number, p)
		number++
		count++
	}
	if k.journal.file == nil {
		number = 0
		if err := k.preamble(add); err != nil {
			return nil, 0, err
		}
	}
	ending := false
	for i := range k.queue {
		it := &k.queue[i]
		switch {
		case it.event != nil && !events:
		case it.event != nil:
			k.refer(it.event)
			payload, err := marshal(it.event.record())
			if err != nil {
				return nil, 0, err
			}
			add(blockEvent, payload)
		case it.typ == blockEnd:
			ending = true // stands last
		case it.typ != 0:
			add(it.typ, it.payload)
		}
	}
	usage, err := marshal(k.usage)
	if err != nil {
		return nil, 0, err
	}
	add(blockUsage, usage)
	if ending {
		add(blockEnd, nil)
	}
	return body, count, nil
}

// preamble adds the blocks that a journal file begins with.
func (k *keeper) preamble(add func(blockType, []byte)) error {
	r := runRecord{
		Program: k.opt.Program, Label: k.opt.Label, AccountEvery: k.opt.AccountEvery,
		LookBack: k.opt.LookBack, LookOn: k.opt.LookOn, RingBytes: k.opt.RingBytes,
		Quota: k.opt.Quota, FreeFloor: k.opt.FreeFloor,
	}
	if k.clock.Known {
		c := k.clock
		r.Clock = &c
	}
	payload, err := marshal(r)
	if err != nil {
		return err
	}
	add(blockRun, payload)
	if k.prepared {
		return nil
	}
	if payload, err = marshal(k.opt.Plan); err != nil {
		return fmt.Errorf("the plan: %w", err)
	}
	add(blockPlan, payload)
	add(blockSettings, k.opt.Settings)
	return nil
}

// refer notes in an event which evidence files hold its frames.
func (k *keeper) refer(e *Event) {
	e.parts = nil
	if e.Evidence == EvidenceNotAsked {
		return
	}
	for _, p := range k.parts {
		if p.to >= e.From && p.from <= e.To {
			e.parts = append(e.parts, p.part)
		}
	}
	if len(e.parts) == 0 {
		e.Evidence = EvidenceNoRoom
	}
}

func (k *keeper) trouble(err error) {
	k.usage.Refused++
	if k.lastError == nil {
		k.first = Trouble{At: k.now, What: err.Error()}
		if k.opt.Troubled != nil {
			k.opt.Troubled(k.first)
		}
	}
	k.lastError = err
}

// well notes the end of a trouble; the note goes with the next writing.
func (k *keeper) well() {
	if k.lastError == nil {
		return
	}
	k.lastError = nil
	if k.opt.Troubled != nil {
		k.opt.Troubled(Trouble{At: k.now, What: "writing again", Over: true})
	}
	k.noteTrouble(Trouble{At: k.first.At, What: fmt.Sprintf("%s; writing again %.0f s later", k.first.What, (k.now - k.first.At).Seconds())})
}

func (k *keeper) noteTrouble(t Trouble) {
	if payload, err := marshal(t); err == nil {
		k.queue = append(k.queue, item{typ: blockTrouble, payload: payload})
	}
}

// close writes what is left and the end of the run.
func (k *keeper) close() error {
	k.queue = append(k.queue, item{typ: blockEnd})
	for range closeTries {
		k.retry = 0
		if k.drain(); k.lastError == nil {
			break
		}
	}
	err := k.lastError
	if err != nil {
		left := 0
		for _, it := range k.queue {
			if it.event != nil {
				left++
			}
		}
		err = fmt.Errorf("%s: %d events and the last of the account could not be written: %w", k.dir, left, err)
	}
	k.journal.close()
	k.spans.close()
	if k.taken() {
		err = errors.Join(err, k.release())
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

func (k *keeper) health() WriterHealth {
	return WriterHealth{Usage: k.usage, Used: k.store.used(), Full: k.full, Waiting: len(k.queue) + len(k.quiet), Trouble: k.lastError}
}
