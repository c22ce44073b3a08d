package storage

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"joltwatch/bus"
	"joltwatch/detect"
)

// Writer keeps one run of the program. It takes everything from one
// goroutine. Time is the latest instant that Frame or Tick has told.
//
// A medium that refuses does not stop it: what could not be written is kept in
// memory, within bounds, and tried again in new files; Options.Troubled and
// Health say so, and Close returns an error if something was lost in the end.
// Its methods fail only where they are used wrongly.
type Writer struct {
	opt  Options
	ring *ring
	run  *runWriter

	now     bus.Micros
	started bool
	// due is when wake has something to do next.
	due bus.Micros

	// Frames from written on are not on file; of those before it, kept lists
	// what is, in order and by ordinal, as far back as the ring goes. While
	// looking on, frames are wanted up to lookOn.
	written   uint64
	kept      []stretch
	lookingOn bool
	lookOn    bus.Micros
	// chunk is how many frames make a span at most.
	chunk  int
	frames []bus.Frame // the buffer of those

	events   int
	accounts []*detect.Account // the latest of each drive that waits
	ended    int               // the latest drive of which an account said so
	flushed  bus.Micros        // when the account was last written
	closed   bool
}

// stretch is frames by ordinal, the last not included.
type stretch struct{ from, to uint64 }

// maxChunk bounds the memory that making a span takes.
const maxChunk = 16384

var errClosed = errors.New("the store is closed")

// Open opens the store in dir for one run, making it where it is absent. It
// puts right by itself what a cut has left and says what that was. The error is
// a NewerError where a later version has written to the store.
func Open(dir string, opt Options) (*Writer, Repair, error) {
	opt, err := opt.complete(dir)
	if err != nil {
		return nil, Repair{}, err
	}
	k, repair, err := openRunWriter(dir, opt)
	if err != nil {
		return nil, repair, err
	}
	w := &Writer{opt: opt, ring: newRing(opt.RingBytes), run: k, due: math.MaxInt64}
	// The largest frame takes eleven words; a span must fit into the ring
	// with room to spare.
	w.chunk = min(maxChunk, max(1, len(w.ring.words)/22))
	w.frames = make([]bus.Frame, 0, w.chunk)
	w.plan()
	return w, repair, nil
}

// Frame adds a frame to the look-back.
func (w *Writer) Frame(f *bus.Frame) {
	w.ring.push(f)
	if f.At > w.now || !w.started {
		w.advance(f.At)
	}
	if w.lookingOn && w.ring.end-w.written >= uint64(w.chunk) {
		w.capture()
	}
	if w.now >= w.due {
		w.wake()
	}
}

// Tick tells the time while no frames come.
func (w *Writer) Tick(now bus.Micros) error {
	if w.closed {
		return errClosed
	}
	if now > w.now || !w.started {
		w.advance(now)
	}
	if w.now >= w.due {
		w.wake()
	}
	return nil
}

func (w *Writer) advance(now bus.Micros) {
	if !w.started {
		w.started, w.flushed = true, now
	}
	w.now, w.run.now = now, now
}

// wake does what is due and works out what is next.
func (w *Writer) wake() {
	if w.lookingOn && w.now >= w.lookOn {
		w.capture()
		w.lookingOn = false
	}
	if w.pendingAccount() && w.now >= w.flushed+w.opt.AccountEvery {
		w.flush()
	}
	if w.run.retry != 0 && w.now >= w.run.retry {
		w.run.drain()
	}
	w.plan()
}

func (w *Writer) plan() {
	w.due = math.MaxInt64
	if w.lookingOn {
		w.due = min(w.due, w.lookOn)
	}
	if w.pendingAccount() {
		w.due = min(w.due, w.flushed+w.opt.AccountEvery)
	}
	if w.run.retry != 0 {
		w.due = min(w.due, w.run.retry)
	}
}

func (w *Writer) pendingAccount() bool { return len(w.accounts) > 0 || w.run.hasQuiet() }

// Event keeps a finding. Where it asks for evidence, the frames from LookBack
// before it up to now are written at once, and those up to LookOn after it once
// they have come; frames that an earlier event has had written are not written
// again. The account is written with it. Findings that ask for none wait for that.
func (w *Writer) Event(f *detect.Finding, percentiles []detect.Percentile) error {
	if w.closed {
		return errClosed
	}
	w.events++
	e := &Event{
		number: w.events, Clock: w.run.clock,
		Finding: cleaned(f), Percentiles: slices.Clone(percentiles), Evidence: EvidenceNotAsked,
	}
	w.run.name(e)
	if !f.Keep {
		w.run.addQuiet(e)
		w.plan()
		return nil
	}
	e.From, e.To = f.Start-w.opt.LookBack, f.End+w.opt.LookOn
	e.Evidence = EvidenceKept
	c := w.ring.since(e.From)
	w.run.begin(e)
	w.fill(c.ordinal)
	w.written = max(w.written, c.ordinal)
	w.capture()
	w.run.finish(e)
	w.flush()
	if e.To > w.now {
		w.lookOn = max(w.lookOn, e.To)
		w.lookingOn = true
	}
	w.plan()
	return nil
}

// cleaned returns a copy of the finding that can be written: JSON has no
// numbers that are not finite, and a measure that is none says nothing.
func cleaned(f *detect.Finding) detect.Finding {
	out := *f
	out.Measures, out.MissingInputs = nil, slices.Clone(f.MissingInputs)
	for _, m := range f.Measures {
		if math.IsNaN(m.Value) || math.IsInf(m.Value, 0) {
			out.MissingInputs = append(out.MissingInputs, m.Name)
			continue
		}
		out.Measures = append(out.Measures, m)
	}
	out.Instants = slices.Clone(f.Instants)
	return out
}

// capture hands the frames that are not on file yet to the run, up to the
// present one.
func (w *Writer) capture() {
	w.written = max(w.written, w.ring.first)
	w.hand(stretch{w.written, w.ring.end})
	w.written = w.ring.end
}

// fill hands over what is missing between from and written: a finding that took
// long may begin before one that was told earlier.
func (w *Writer) fill(from uint64) {
	var missing []stretch
	for _, s := range w.kept {
		if from < s.from {
			missing = append(missing, stretch{from, min(s.from, w.written)})
		}
		from = max(from, s.to)
	}
	if from < w.written {
		missing = append(missing, stretch{from, w.written})
	}
	for _, s := range missing {
		w.hand(s)
	}
}

// hand gives frames that are in the ring to the run, in spans.
func (w *Writer) hand(s stretch) {
	if s.from >= s.to {
		return
	}
	for from := s.from; from < s.to; {
		to := min(from+uint64(w.chunk), s.to)
		w.frames = w.ring.frames(w.frames[:0], from, to)
		w.run.span(from, w.frames)
		from = to
	}
	i, _ := slices.BinarySearchFunc(w.kept, s, func(a, b stretch) int { return compare(a.from, b.from) })
	w.kept = slices.Insert(w.kept, i, s)
	// Join what adjoins and forget what the ring has forgotten.
	out := w.kept[:0]
	for _, x := range w.kept {
		switch n := len(out); {
		case x.to <= w.ring.first:
		case n > 0 && out[n-1].to >= x.from:
			out[n-1].to = max(out[n-1].to, x.to)
		default:
			out = append(out, x)
		}
	}
	w.kept = out
}

// Account keeps the latest account of a drive, which is the Writer's from then on. It
// is written at most every Options.AccountEvery, and when the latest drive has ended with
// the next frame or tick, or with the end of the run.
func (w *Writer) Account(a *detect.Account) error {
	if w.closed {
		return errClosed
	}
	w.accounts = slices.DeleteFunc(w.accounts, func(x *detect.Account) bool { return x.Drive == a.Drive })
	w.accounts = append(w.accounts, a)
	if a.Ended && a.Drive >= w.ended {
		w.flushed, w.ended = w.now-w.opt.AccountEvery, a.Drive
	}
	w.plan()
	return nil
}

func (w *Writer) flush() {
	w.gather()
	w.run.sayRun(true)
	w.run.drain()
}

// gather queues what waits.
func (w *Writer) gather() {
	for _, a := range w.accounts {
		w.run.account(a)
	}
	w.accounts = w.accounts[:0]
	w.flushed = w.now
	w.run.queueQuiet()
}

// History keeps what the detectors have learned, for later runs; the latest
// counts. It is written with what is written next, so it is given before the account of
// the drive that it was learned in.
func (w *Writer) History(h []byte) error {
	if w.closed {
		return errClosed
	}
	w.run.history(h)
	return nil
}

// Asking keeps where nothing is asked, and why; the latest counts. It is written
// at once, so it is not to be called more often than that is worth.
func (w *Writer) Asking(a Asking) error {
	if w.closed {
		return errClosed
	}
	payload, err := marshal(a)
	if err != nil {
		return fmt.Errorf("how asking stands: %w", err)
	}
	w.run.replace(item{typ: blockAsking, payload: payload})
	w.run.drain()
	w.plan()
	return nil
}

// SetClock keeps wall time once it is known or has been put right; it holds
// for the whole boot, backwards too.
func (w *Writer) SetClock(c bus.Clock) error {
	if w.closed {
		return errClosed
	}
	w.run.setClock(c)
	w.plan()
	return nil
}

// Health is what is known of the store at this moment.
func (w *Writer) Health() WriterHealth { return w.run.health() }

// Close writes what is pending and marks the run as ended in order. The error
// says what could not be written.
func (w *Writer) Close() error {
	if w.closed {
		return nil
	}
	if w.lookingOn {
		w.capture()
	}
	w.gather()
	w.closed = true
	return w.run.close()
}
