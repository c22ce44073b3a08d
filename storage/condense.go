package storage

import (
	"encoding/json"
	"slices"
)

// ordinarySeverity is below that of any finding that is out of the ordinary (see
// detect.Finding).
const ordinarySeverity = 0.25

// condense rewrites the journal files that are complete, without what later
// records have made worthless. Where keep is not 0, events of less than the given
// severity that have no frames and are beyond the first keep of their kind and class,
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
	c := superseded{accounts: map[[2]int]bool{}, runs: map[uint32]map[blockType]bool{}, thin: thin}
	for i := len(names) - 1; i >= 0; i-- {
		name := names[i]
		data, err := w.fs.ReadFile(name)
		if err != nil {
			continue
		}
		p, err := parseFile(name, data)
		if err != nil || len(p.damage) > 0 {
			w.condensed[name] = true // what is damaged is left as it is
			continue
		}
		records, ok := w.recordsOf(p)
		_, run, _, _ := parseName(name)
		worthless, groups := c.of(run, records)
		if w.journal.file != nil && name == w.journal.name {
			continue // being written
		}
		w.condensed[name] = true
		if !ok {
			continue
		}
		more, room := w.rewrite(name, p, records, worthless, groups)
		blocked = blocked || !more || !room
		if !more {
			break
		}
	}
	return blocked
}

// recordsOf returns all records of a journal; ok is false where some cannot be
// read.
func (w *runWriter) recordsOf(p parsed) (records []rec, ok bool) {
	r := recReader{u: w.unpack}
	for _, b := range p.blocks {
		list, err := r.read(b)
		if err != nil {
			return records, false
		}
		records = append(records, list...)
	}
	return records, true
}

// superseded finds the records that later ones have made worthless, in files
// that it is shown from the last to the first.
type superseded struct {
	accounts map[[2]int]bool // by run and drive
	runs     map[uint32]map[blockType]bool
	history  bool
	thin     map[string]bool
}

func (c *superseded) of(run uint32, records []rec) (worthless []bool, groups []Thinned) {
	seen := c.runs[run]
	if seen == nil {
		seen = map[blockType]bool{}
		c.runs[run] = seen
	}
	later := seen[blockRun]
	worthless = make([]bool, len(records))
	for j := len(records) - 1; j >= 0; j-- {
		x := &records[j]
		switch x.typ {
		case blockAccount:
			var a struct {
				Drive int `json:"drive"`
			}
			if worthless[j] = x.old; !x.old && json.Unmarshal(x.text, &a) == nil {
				d := [2]int{int(run), a.Drive}
				worthless[j] = c.accounts[d]
				c.accounts[d] = true
			}
		case blockHistory:
			worthless[j], c.history = c.history, true
		case blockUsage, blockClock, blockAsking:
			worthless[j] = seen[x.typ]
			seen[x.typ] = true
		case blockRun:
			worthless[j] = later
			seen[blockRun] = true
		case blockEvent:
			if r, err := x.event(run); err == nil && c.thin[r.ID] {
				worthless[j] = true
				groups = thinEvent(groups, &r)
			}
		}
	}
	return worthless, groups
}

// ordinary chooses the events whose records can go.
func (w *runWriter) ordinary(names []string, keep int, below float64) map[string]bool {
	out := map[string]bool{}
	for i := range w.repeats(names) {
		// The score falls with the place: (severity + 1/4) / (1 + place).
		x := &w.folding[i]
		if !x.mark() && x.severity < below && x.score*float64(keep) < x.severity+0.25 {
			out[x.id] = true
		}
	}
	return out
}

// repeats reads from the journals the events that have no frames, and gives them
// their scores; while room is made, they are read again only where a journal
// has changed.
func (w *runWriter) repeats(names []string) []indexed {
	if w.folding != nil && w.foldingAt == w.usage.BytesWritten+w.usage.FilesRemoved {
		return w.folding
	}
	events := []indexed{}
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
	w.folding, w.foldingAt = events, w.usage.BytesWritten+w.usage.FilesRemoved
	return events
}

// rewrite replaces a journal file by one without the worthless records. A cut
// leaves the old one or the new one. With ok false the medium refused, with room
// false there is none for the new file beside the old.
func (w *runWriter) rewrite(name string, p parsed, records []rec, worthless []bool, groups []Thinned) (ok, room bool) {
	if !slices.Contains(worthless, true) {
		return true, true
	}
	out, err := w.condensedFile(p, records, worthless, groups)
	if err != nil {
		return false, true
	}
	if pages(int64(len(out))) >= pages(p.size) {
		return true, true // not worth a write
	}
	if !w.fits(int64(len(out)), forCopy) {
		return true, false // the next file may be smaller
	}
	f, err := w.fs.Create(name + unfinished)
	if err != nil {
		return false, true
	}
	w.inventory.add(name+unfinished, int64(len(out)))
	w.usage.BytesWritten += uint64(len(out))
	w.usage.Syncs++
	if err = writeAll(f, out); err == nil {
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

// condensedFile is a journal file without its worthless records.
func (w *runWriter) condensedFile(p parsed, records []rec, worthless []bool, thinned []Thinned) ([]byte, error) {
	h := p.header
	h.version = Version
	end := p.chainEnd()
	all := rest{end.blocks, end.sum}
	g := &restWriter{groups: groups{pack: w.pack, at: chainFrom(h), out: h.append(nil)}, rest: all}
	if len(thinned) > 0 {
		text, err := marshal(thinnedRecord{Groups: thinned})
		if err != nil {
			return nil, err
		}
		g.add(blockThinned, formAsIs, text)
	}
	for i := range records {
		if worthless[i] {
			continue
		}
		if err := g.again(&records[i]); err != nil {
			return nil, err
		}
	}
	g.closeRest(g.rest)
	return g.out, nil
}

// restWriter makes the blocks of a condensed file.
type restWriter struct {
	groups
	rest rest
}

// again adds a record that was on file; what it stood against may be gone.
func (g *restWriter) again(x *rec) error {
	if x.form == formAsIs || x.form == formCompact && x.typ != blockEvent {
		g.add(x.typ, x.form, x.raw)
		return nil
	}
	n, err := parseNode(x.text)
	if err != nil {
		return err
	}
	g.begin()
	form, b := alone(x.text, &n)
	if x.typ == blockEvent {
		form, b = g.event(&n, form, b)
	}
	g.add(x.typ, form, b)
	return nil
}

// add adds a record; the first block stands for all that there were.
func (g *restWriter) add(typ blockType, form uint8, payload []byte) {
	g.begin()
	g.items = appendRec(g.items, typ, form, payload)
}

// begin begins another block where the one that is being made is full.
func (g *restWriter) begin() {
	if len(g.items) >= restSize {
		g.closeRest(g.rest)
		g.rest.blocks = 0
	}
}

// restSize is when another block is begun in a condensed file.
const restSize = 8 << 10
