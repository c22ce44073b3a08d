package storage

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

// openRunWriter makes the runWriter of one run and takes the store for it. Where
// Options.Wait is set, a medium that refuses is tried again later.
func openRunWriter(dir string, opt Options) (*runWriter, Repair, error) {
	pack, err := newPacker()
	if err != nil {
		return nil, Repair{}, err
	}
	unpack, err := newUnpacker(maxOwn)
	if err != nil {
		return nil, Repair{}, err
	}
	w := &runWriter{
		dir: dir, fs: opt.FS, opt: opt, pack: pack, unpack: unpack, coder: newSpanCoder(opt.Plan, pack),
		clock: opt.Clock, inventory: newInventory(nil),
		// The beginning of the journal alone: an item without content.
		queue: []item{{typ: blockUsage}},
	}
	repair, err := w.take()
	switch {
	case err == nil:
		w.drain()
	case opt.Wait && refusal(err):
		w.retry = 1 // at once when time begins
	default:
		return nil, repair, err
	}
	return w, repair, nil
}

// take takes the store for the run: it locks it, repairs what the last run
// left, and gives the run its number.
func (w *runWriter) take() (repair Repair, err error) {
	w.takes++
	if err := w.fs.Make(); err != nil {
		return repair, err
	}
	release, err := w.fs.Lock()
	if err != nil {
		return repair, err
	}
	defer func() {
		if err != nil {
			release() //nolint:errcheck // err says more
		}
	}()
	files, err := w.fs.List()
	if err != nil {
		return repair, err
	}
	w.inventory = newInventory(files)
	last := uint32(0)
	for _, f := range files {
		if kind, run, _, ok := parseName(f.Name()); ok && kind != clockFile {
			last = max(last, run)
		}
	}
	if repair, err = w.repair(files, last); err != nil {
		return repair, err
	}
	if !repair.Empty() || len(repair.Unended) > 0 {
		payload, err := marshal(repair)
		if err != nil {
			return repair, err
		}
		w.queue = slices.Insert(w.queue, 0, item{typ: blockRepair, payload: payload})
	}
	for w.release, w.run = release, last+1; w.run > 1 && !w.hasRun(w.run-1); w.run-- {
		// Nothing that the last run wrote has lasted.
	}
	w.readHead()
	w.link.Clocks = w.clockMarks(files)
	if w.stay = w.link.Stay; w.stay == 0 {
		w.stay = stayOf(w.opt)
		w.link.Stay = w.stay
	}
	for _, it := range w.queue {
		if it.event != nil {
			w.name(it.event)
		}
	}
	for _, e := range w.quiet {
		w.name(e)
	}
	return repair, nil
}

// hasRun reports whether there is a file of that run.
func (w *runWriter) hasRun(run uint32) bool {
	for name := range w.inventory.sizes {
		if kind, r, _, ok := parseName(name); ok && kind != clockFile && r == run {
			return true
		}
	}
	return false
}

// taken reports whether the store is this run's.
func (w *runWriter) taken() bool { return w.run != 0 }

// name gives an event its identifier, once the run has its number.
func (w *runWriter) name(e *Event) {
	if w.taken() {
		e.ID, e.Boot = eventID(w.run, e.number), w.run
	}
}

// unfinished marks copies that were not complete when they were last written.
const unfinished = ".new"

// repair puts right what a cut in the last run has left: the ends of files that
// stop in the middle of a block are cut off. Earlier runs were looked at when
// the run after them began.
func (w *runWriter) repair(files []fs.FileInfo, last uint32) (Repair, error) {
	var r Repair
	for _, f := range files {
		if strings.HasSuffix(f.Name(), unfinished) {
			if err := w.discard(f.Name(), &r); err != nil {
				return r, err
			}
		}
	}
	if last == 0 {
		return r, nil
	}
	var journal, evidence []string
	for _, f := range files {
		switch kind, run, _, ok := parseName(f.Name()); {
		case !ok:
		case kind == clockFile:
			if err := w.repairFile(f.Name(), &r); err != nil {
				return r, err
			}
		case run != last:
		case kind == journalFile:
			journal = append(journal, f.Name())
		default:
			evidence = append(evidence, f.Name())
		}
	}
	slices.Sort(journal)
	ended := false
	told := map[uint32]fileMark{}
	w.link = linkRecord{}
	for _, name := range journal {
		p, ok, err := w.load(name, &r)
		if err != nil {
			return r, err
		}
		if ended = false; !ok {
			continue
		}
		if err := w.mend(name, p, &r); err != nil {
			return r, err
		}
		ended = w.lookBack(p, told) && len(p.damage) == 0
	}
	if !ended {
		r.Unended = append(r.Unended, last)
	}
	if err := w.lookFurther(files, &r); err != nil {
		return r, err
	}
	// The frames of a run that ended in order are whole, too, unless the
	// medium refused at times; then what it left is damage that Verify names.
	if ended {
		return r, nil
	}
	slices.Sort(evidence)
	for _, name := range evidence {
		p, ok, err := w.load(name, &r)
		if err != nil {
			return r, err
		}
		if !ok || len(p.blocks) == 0 && len(p.damage) == 0 {
			continue
		}
		if err := w.mend(name, p, &r); err != nil {
			return r, err
		}
		if m := markOf(p); len(p.blocks) > 0 && told[m.Part] != m {
			w.link.Evidence = append(w.link.Evidence, m)
		}
	}
	return r, nil
}

// lookFurther looks for an earlier journal where the last run has left none.
func (w *runWriter) lookFurther(files []fs.FileInfo, r *Repair) error {
	for _, f := range slices.Backward(sorted(files)) {
		if w.link.Before != nil {
			return nil
		}
		if _, there := w.inventory.sizes[f.Name()]; !there {
			continue
		}
		if kind, _, _, _ := parseName(f.Name()); kind != journalFile {
			continue
		}
		p, ok, err := w.load(f.Name(), r)
		if err != nil {
			return err
		}
		if ok {
			w.lookBack(p, map[uint32]fileMark{})
		}
	}
	return nil
}

// lookBack takes from a journal of the last run what the link of this one needs:
// the identity of the stay, how far the journal goes, and what it says of
// evidence files. It reports whether the journal ends in order.
func (w *runWriter) lookBack(p parsed, told map[uint32]fileMark) (ended bool) {
	if !p.headerOK || len(p.blocks) == 0 {
		return false
	}
	m := markOf(p)
	w.link.Before = &m
	r := recReader{u: w.unpack}
	for _, b := range p.blocks {
		records, err := r.read(b)
		if err != nil {
			continue
		}
		for _, x := range records {
			switch ended = x.typ == blockEnd; x.typ {
			case blockLink:
				var l linkRecord
				if json.Unmarshal(x.text, &l) == nil {
					w.link.Stay = l.Stay
				}
			case blockFrames:
				var f framesRecord
				if json.Unmarshal(x.text, &f) == nil {
					for _, m := range f.Files {
						m.Run = p.header.run
						told[m.Part] = m
					}
				}
			}
		}
	}
	return ended
}

// markOf is how far a file goes.
func markOf(p parsed) fileMark {
	c := p.chainEnd()
	return fileMark{Run: p.header.run, Part: p.header.part, Blocks: c.blocks, Sum: c.sum}
}

// clockMarks is how far the clock files go.
func (w *runWriter) clockMarks(files []fs.FileInfo) []fileMark {
	var out []fileMark
	for _, f := range sorted(files) {
		if kind, _, _, _ := parseName(f.Name()); kind != clockFile {
			continue
		}
		data, err := w.fs.ReadFile(f.Name())
		if err != nil {
			continue
		}
		if p, err := parseFile(f.Name(), data); err == nil && len(p.blocks) > 0 {
			out = append(out, markOf(p))
		}
	}
	return out
}

// maxOwn is the budget for what this program has written itself.
const maxOwn = 1 << 40

func (w *runWriter) repairFile(name string, r *Repair) error {
	p, ok, err := w.load(name, r)
	if err != nil || !ok {
		return err
	}
	return w.mend(name, p, r)
}

// load reads a file of the last run. One that cannot be read, though it was
// tried again and again, is passed over: a bad spot in the card must not keep
// the unit from recording on the rest of it.
func (w *runWriter) load(name string, r *Repair) (p parsed, ok bool, err error) {
	data, err := w.fs.ReadFile(name)
	if refusal(err) && w.takes > takesToRead || errors.Is(err, errOversize) {
		r.Damaged = append(r.Damaged, unreadable(name, w.inventory.sizes[name], err))
		return p, false, nil
	}
	if err != nil {
		return p, false, err
	}
	p, err = parseFile(name, data)
	return p, err == nil, err
}

// takesToRead is how often taking the store may fail for a file that cannot be
// read.
const takesToRead = 6

func unreadable(name string, size int64, err error) Damage {
	return Damage{File: name, Length: size, What: "the medium does not give it: " + err.Error()}
}

// mend cuts off a torn end and reports what else is bad.
func (w *runWriter) mend(name string, p parsed, r *Repair) error {
	if len(p.blocks) == 0 {
		return w.discard(name, r)
	}
	for _, d := range p.damage {
		if !d.Tail {
			r.Damaged = append(r.Damaged, d)
			continue
		}
		if err := w.fs.Truncate(name, p.sound); err != nil {
			return fmt.Errorf("%s: cutting off the unfinished end: %w", name, err)
		}
		w.inventory.add(name, p.sound)
		r.Cut = append(r.Cut, d)
	}
	return nil
}

func (w *runWriter) discard(name string, r *Repair) error {
	if err := w.fs.Remove(name); err != nil {
		return err
	}
	w.inventory.remove(name)
	r.Removed = append(r.Removed, name)
	return nil
}
