package storage

import (
	"encoding/json"
	"slices"

	"joltwatch/detect"
)

// ordinaryWorth is below that of any finding that is out of the ordinary (see
// detect.Finding).
const ordinaryWorth = 0.25

// condense rewrites the journal files that are complete, without what later
// records have made worthless. Where keep is not 0, events of less than the given
// worth that have no frames and are beyond the first keep of their kind and class,
// in the order of rank, are folded into counts. It reports whether a file had to
// stay as it was, because the medium refused or has no room for the new one beside
// it.
func (w *runWriter) condense(keep int, below float64) (blocked bool) {
	names := w.inventory.names(journalFile)
	var thin map[string]bool
	if keep == 0 {
		// Once for each file that has become complete.
		if !slices.ContainsFunc(names, func(n string) bool { return !w.condensed[n] && !(w.journal.file != nil && n == w.journal.name) }) {
			return false
		}
	} else {
		thin = w.ordinary(names, keep, below)
		if len(thin) == 0 {
			return false
		}
	}
	if w.condensed == nil {
		w.condensed = map[string]bool{}
	}
	// The latest account of a drive may be in a later part of the same run,
	// and the latest history in any later file; hence from the end.
	type drive struct {
		run   uint32
		drive int
	}
	accounts := map[drive]bool{}
	history := false
	usage, clock, later := map[uint32]bool{}, map[uint32]bool{}, map[uint32]bool{}
	for i := len(names) - 1; i >= 0; i-- {
		name := names[i]
		_, run, _, _ := parseName(name)
		data, err := w.fs.ReadFile(name)
		if err != nil {
			continue
		}
		p, err := parseFile(name, data)
		if err != nil || len(p.damage) > 0 {
			w.condensed[name] = true // what is damaged is left as it is
			continue
		}
		worthless := make([]bool, len(p.blocks))
		var groups []Thinned
		for j := len(p.blocks) - 1; j >= 0; j-- {
			b := p.blocks[j]
			payload, err := w.unpack.payload(b)
			if err != nil {
				continue
			}
			switch b.typ {
			case blockAccount:
				var a detect.Account
				if json.Unmarshal(payload, &a) == nil {
					d := drive{run, a.Drive}
					worthless[j] = accounts[d]
					accounts[d] = true
				}
			case blockHistory:
				worthless[j], history = history, true
			case blockUsage:
				worthless[j] = usage[run]
				usage[run] = true
			case blockClock:
				worthless[j] = clock[run]
				clock[run] = true
			case blockRun:
				worthless[j] = later[run]
			case blockEvent:
				var r eventRecord
				if json.Unmarshal(payload, &r) == nil && thin[r.ID] {
					worthless[j] = true
					groups = thinEvent(groups, &r)
				}
			}
		}
		later[run] = true
		if w.journal.file != nil && name == w.journal.name {
			continue // being written
		}
		w.condensed[name] = true
		more, room := w.rewrite(name, p, worthless, groups)
		blocked = blocked || !more || !room
		if !more {
			break
		}
	}
	return blocked
}

// ordinary chooses the events whose records can go.
func (w *runWriter) ordinary(names []string, keep int, below float64) map[string]bool {
	var events []indexed
	for _, name := range names {
		if w.journal.file != nil && name == w.journal.name {
			continue
		}
		w.eachEvent(name, func(r *eventRecord, run uint32) {
			for _, p := range r.Parts {
				if _, ok := w.inventory.sizes[fileName(evidenceFile, run, p)]; ok {
					return // it has its frames
				}
			}
			events = append(events, newIndexed(r, run))
		})
	}
	rank(events)
	out := map[string]bool{}
	for i := range events {
		// The score falls with the place: (worth + 1/4) / (1 + place).
		x := &events[i]
		if !x.mark() && x.worth < below && x.score*float64(keep) < x.worth+0.25 {
			out[x.id] = true
		}
	}
	return out
}

// rewrite replaces a journal file by one without the worthless blocks. A cut
// leaves the old one or the new one. With ok false the medium refused, with room
// false there is none for the new file beside the old.
func (w *runWriter) rewrite(name string, p parsed, worthless []bool, groups []Thinned) (ok, room bool) {
	saved := int64(0)
	out := p.header.append(nil)
	number := uint16(0)
	add := func(typ blockType, coding uint8, payload []byte) {
		out = appendBlock(out, typ, coding, number, payload)
		number++
	}
	for i, b := range p.blocks {
		if worthless[i] {
			saved += int64(blockHead + len(b.payload))
			continue
		}
		if b.typ == blockEnd && len(groups) > 0 {
			continue
		}
		add(b.typ, b.coding, b.payload)
	}
	if len(groups) > 0 {
		payload, err := marshal(thinnedRecord{Groups: groups})
		if err != nil {
			return false, true
		}
		coding, z := w.pack.record(payload)
		add(blockThinned, coding, z)
		saved -= int64(blockHead + len(z))
		if n := len(p.blocks); n > 0 && p.blocks[n-1].typ == blockEnd {
			add(blockEnd, codedRaw, nil)
		}
	}
	if number == 0 {
		// A later part of the run says all of it.
		if w.fs.Remove(name) != nil {
			return false, true
		}
		w.inventory.remove(name)
		w.usage.FilesRemoved++
		w.usage.Syncs++
		return w.fs.SyncDir() == nil, true
	}
	if pages(int64(len(out))) >= pages(p.size) || saved <= 0 {
		return true, true // not worth a write
	}
	if !w.fits(int64(len(out)), forCopy) {
		return true, false // the next file may be smaller
	}
	f, err := w.fs.Create(name + unfinished)
	if err != nil {
		return false, true
	}
	w.inventory.add(name+unfinished, 0)
	n, err := f.Write(out)
	w.usage.BytesWritten += uint64(n)
	w.inventory.grow(name+unfinished, int64(n))
	if err == nil {
		w.usage.Syncs++
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = w.fs.Rename(name+unfinished, name)
	}
	if err != nil {
		if w.fs.Remove(name+unfinished) == nil {
			w.inventory.remove(name + unfinished)
		}
		return false, true
	}
	w.inventory.remove(name + unfinished)
	w.inventory.add(name, int64(len(out)))
	w.usage.Syncs++
	return w.fs.SyncDir() == nil, true
}
