package storage

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"

	"joltwatch/bus"
)

// The head is written once in its full size and from then on in place, so that
// it takes no room that the medium may not have. Two slots are written in turn:
// a cut leaves the other.
const (
	headName = "000000.head"
	headSize = 4096
	slotSize = 1536
)

// slotAt is where a slot is; each lies in sectors of its own.
func slotAt(n uint32) int64 { return 1024 + int64(n%2)*slotSize }

// headRecord is what the head says.
type headRecord struct {
	// Number counts the records; the latest counts.
	Number uint32 `json:"number"`
	Stay   uint64 `json:"stay"`
	// Run is the latest run.
	Run uint32 `json:"run"`
	// Journal is how far its journal went when it ended in order; absent
	// while it goes on, or where it was cut.
	Journal *fileMark `json:"journal,omitempty"`
	// Lost is what could not be stored, in the whole stay.
	Lost *Lost `json:"lost,omitempty"`
	// Clocks are clock files that were told after the latest run had ended, which
	// no run has recorded yet; the latest of them where they are many.
	Clocks []fileMark `json:"clocks,omitempty"`
}

// maxHeadClocks is how many marks of clock files a slot has room for.
const maxHeadClocks = 8

// Lost counts the events that were seen and could not be stored, for lack of
// room or because the medium refused.
type Lost struct {
	Events uint64 `json:"events"`
	// From and To are when the first and the last of them were seen, each on
	// the clock of its run.
	FromRun uint32     `json:"from_run"`
	From    bus.Micros `json:"from_us"`
	ToRun   uint32     `json:"to_run"`
	To      bus.Micros `json:"to_us"`
}

// String says it in a line.
func (l *Lost) String() string {
	if l.To == 0 {
		return fmt.Sprintf("%d events, in runs %d to %d", l.Events, l.FromRun, l.ToRun)
	}
	return fmt.Sprintf("%d events, from %.0f s of run %d to %.0f s of run %d", l.Events, l.From.Seconds(), l.FromRun, l.To.Seconds(), l.ToRun)
}

// slot is the block of a head record.
func (h *headRecord) slot() ([]byte, error) {
	text, err := json.Marshal(h)
	if err != nil {
		return nil, err
	}
	b := appendBlock(nil, blockSlot, codedRaw, uint16(h.Number), text)
	if len(b) > slotSize {
		return nil, fmt.Errorf("%s: a record of %d bytes", headName, len(b))
	}
	return append(b, make([]byte, slotSize-len(b))...), nil
}

// parseHead reads the head; ok is false where nothing in it is sound.
func parseHead(data []byte) (h headRecord, ok bool) {
	for n := range uint32(2) {
		at := slotAt(n)
		if int64(len(data)) < at+slotSize {
			return h, ok
		}
		b, length := parseBlock(data[at : at+slotSize])
		var r headRecord
		if length == 0 || b.typ != blockSlot || json.Unmarshal(b.payload, &r) != nil {
			continue
		}
		if !ok || r.Number > h.Number {
			h, ok = r, true
		}
	}
	return h, ok
}

// newHead is a whole head file with one record.
func newHead(h *headRecord) ([]byte, error) {
	slot, err := h.slot()
	if err != nil {
		return nil, err
	}
	b := header{version: Version, kind: headFile}.append(nil)
	b = append(b, make([]byte, headSize-len(b))...)
	copy(b[slotAt(h.Number):], slot)
	return b, nil
}

// sayRun has the head say that this run has begun, once its journal has. With next it is
// called just before something is written, whose sync then does for a sound head, too;
// without, after that, where a head has to be made.
func (w *runWriter) sayRun(next bool) {
	if w.prepared && w.head.Run != w.run && w.retry == 0 && next == w.headSound && w.headDue() {
		w.writeHead(nil, next)
	}
}

// writeHead brings the head up to date. It may fail where the medium does; then
// it is tried again with the next occasion. later is as for FS.Overwrite.
func (w *runWriter) writeHead(journal *fileMark, later bool) {
	h := headRecord{Number: w.head.Number + 1, Stay: w.stay, Run: w.run, Journal: journal, Lost: w.lost}
	var err error
	if _, there := w.inventory.sizes[headName]; there && w.headSound {
		var slot []byte
		if slot, err = h.slot(); err == nil {
			err = w.fs.Overwrite(headName, slotAt(h.Number), slot, later)
			w.usage.wroteJournal(len(slot))
		}
	} else {
		err = w.makeHead(&h)
	}
	w.usage.Syncs++
	w.headAt, w.headTried = w.now, true
	if err != nil {
		w.usage.Refused++
		return
	}
	w.head, w.headSound = h, true
}

func (w *runWriter) makeHead(h *headRecord) error {
	b, err := newHead(h)
	if err != nil {
		return err
	}
	if !w.fits(headSize, forAccount) {
		return errNoRoom
	}
	if err := w.fs.Remove(headName); err == nil {
		w.inventory.remove(headName)
	}
	f, err := w.fs.Create(headName)
	if err != nil {
		return err
	}
	w.inventory.add(headName, headSize)
	if err := writeAll(f, b); err != nil {
		return err
	}
	w.usage.FilesMade++
	w.usage.wroteJournal(headSize)
	w.usage.Syncs++
	return w.fs.SyncDir()
}

// writeAll writes a whole file, makes it durable and closes it.
func writeAll(f File, b []byte) error {
	_, err := f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}

// loseEvent counts an event that could not be stored.
func (w *runWriter) loseEvent(e *Event) {
	w.usage.NotStored++
	at := e.Finding.End
	if w.lost == nil {
		w.lost = &Lost{FromRun: w.run, From: at}
	} else {
		l := *w.lost
		w.lost = &l
	}
	w.lost.Events++
	w.lost.ToRun, w.lost.To = w.run, at
}

// sayLost writes to the head what has been lost since it was written last, at
// most every AccountEvery.
func (w *runWriter) sayLost() {
	if w.taken() && w.lost != w.head.Lost && (w.head.Lost == nil || w.headDue()) {
		w.writeHead(nil, false)
	}
}

// headDue keeps the writing of the head as rare as that of the account.
func (w *runWriter) headDue() bool { return !w.headTried || w.now >= w.headAt+w.opt.AccountEvery }

// readHead reads what the head of the stay says when a run begins.
func (w *runWriter) readHead() {
	if _, there := w.inventory.sizes[headName]; !there {
		return
	}
	data, err := w.fs.ReadFile(headName)
	if err != nil {
		return
	}
	w.head, w.headSound = parseHead(data)
	before := w.head.Lost
	switch {
	case w.lost == nil:
		w.lost = before
	case before != nil:
		// Lost while the medium could not be had yet.
		w.lost = &Lost{Events: before.Events + w.lost.Events, FromRun: before.FromRun, From: before.From, ToRun: w.run, To: w.lost.To}
	default:
		l := *w.lost
		l.FromRun, l.ToRun = w.run, w.run
		w.lost = &l
	}
}

// markClock records a clock file in the head, where a run has made one and none goes
// on: a run that goes on records it at its end, as does the next one.
func markClock(fsys FS, m fileMark) error {
	release, err := fsys.Lock()
	if err != nil {
		return nil //nolint:nilerr // a run goes on
	}
	defer release() //nolint:errcheck // the kernel lets go of it in any case
	data, err := fsys.ReadFile(headName)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	h, ok := parseHead(data)
	if !ok {
		return nil // damage, which verifying says
	}
	h.Number++
	h.Clocks = append(h.Clocks, m)
	h.Clocks = h.Clocks[max(0, len(h.Clocks)-maxHeadClocks):]
	slot, err := h.slot()
	if err != nil {
		return err
	}
	return fsys.Overwrite(headName, slotAt(h.Number), slot, false)
}
