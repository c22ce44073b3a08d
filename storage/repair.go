package storage

import (
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

// openKeeper makes the keeper of one run and takes the store for it. Where
// Options.Wait is set, a medium that refuses is tried again later.
func openKeeper(dir string, opt Options) (*keeper, Repair, error) {
	pack, err := newPacker()
	if err != nil {
		return nil, Repair{}, err
	}
	unpack, err := newUnpacker()
	if err != nil {
		return nil, Repair{}, err
	}
	k := &keeper{
		dir: dir, fs: opt.FS, opt: opt, pack: pack, unpack: unpack, coder: newSpanCoder(opt.Plan, pack),
		clock: opt.Clock, store: newShelf(nil),
		// The beginning of the journal alone: an item without content.
		queue: []item{{typ: blockUsage, payload: []byte("{}")}},
	}
	repair, err := k.take()
	switch {
	case err == nil:
		k.drain()
	case opt.Wait && refusal(err):
		k.retry = 1 // at once when time begins
	default:
		return nil, repair, err
	}
	return k, repair, nil
}

// take takes the store for the run: it locks it, repairs what the last run
// left, and gives the run its number.
func (k *keeper) take() (repair Repair, err error) {
	k.takes++
	if err := k.fs.Make(); err != nil {
		return repair, err
	}
	release, err := k.fs.Lock()
	if err != nil {
		return repair, err
	}
	defer func() {
		if err != nil {
			release() //nolint:errcheck // err says more
		}
	}()
	files, err := k.fs.List()
	if err != nil {
		return repair, err
	}
	k.store = newShelf(files)
	last := uint32(0)
	for _, f := range files {
		if kind, run, _, ok := parseName(f.Name()); ok && kind != clockFile {
			last = max(last, run)
		}
	}
	if repair, err = k.repair(files, last); err != nil {
		return repair, err
	}
	if !repair.Empty() || len(repair.Unended) > 0 {
		payload, err := marshal(repair)
		if err != nil {
			return repair, err
		}
		k.queue = slices.Insert(k.queue, 0, item{typ: blockRepair, payload: payload})
	}
	k.release, k.run = release, last+1
	for _, it := range k.queue {
		if it.event != nil {
			k.name(it.event)
		}
	}
	for _, e := range k.quiet {
		k.name(e)
	}
	return repair, nil
}

// taken reports whether the store is this run's.
func (k *keeper) taken() bool { return k.run != 0 }

// name gives an event its identifier, once the run has its number.
func (k *keeper) name(e *Event) {
	if k.taken() {
		e.ID, e.Boot = fmt.Sprintf("%d-%d", k.run, e.number), k.run
	}
}

// unfinished marks copies that were not complete when they were last written.
const unfinished = ".new"

// repair puts right what a cut in the last run has left: the ends of files that
// stop in the middle of a block are cut off. Earlier runs were looked at when
// the run after them began.
func (k *keeper) repair(files []fs.FileInfo, last uint32) (Repair, error) {
	var r Repair
	for _, f := range files {
		if strings.HasSuffix(f.Name(), unfinished) {
			if err := k.discard(f.Name(), &r); err != nil {
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
			if err := k.repairFile(f.Name(), &r); err != nil {
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
	for _, name := range journal {
		p, ok, err := k.load(name, &r)
		if err != nil {
			return r, err
		}
		if ended = false; !ok {
			continue
		}
		ended = len(p.damage) == 0 && len(p.blocks) > 0 && p.blocks[len(p.blocks)-1].typ == blockEnd
		if err := k.mend(name, p, &r); err != nil {
			return r, err
		}
	}
	if !ended {
		r.Unended = append(r.Unended, last)
	}
	// The frames of a run that ended in order are whole, too, unless the
	// medium refused at times; then what it left is damage that Verify names.
	if ended {
		return r, nil
	}
	slices.Sort(evidence)
	for _, name := range evidence {
		if err := k.repairFile(name, &r); err != nil {
			return r, err
		}
	}
	return r, nil
}

func (k *keeper) repairFile(name string, r *Repair) error {
	p, ok, err := k.load(name, r)
	if err != nil || !ok {
		return err
	}
	return k.mend(name, p, r)
}

// load reads a file of the last run. One that cannot be read, though it was
// tried again and again, is passed over: a bad spot in the card must not keep
// the unit from recording on the rest of it.
func (k *keeper) load(name string, r *Repair) (p parsed, ok bool, err error) {
	data, err := k.fs.ReadFile(name)
	if refusal(err) && k.takes > takesToRead {
		r.Damaged = append(r.Damaged, unreadable(name, k.store.sizes[name], err))
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
func (k *keeper) mend(name string, p parsed, r *Repair) error {
	if len(p.blocks) == 0 {
		return k.discard(name, r)
	}
	for _, d := range p.damage {
		if !d.Tail {
			r.Damaged = append(r.Damaged, d)
			continue
		}
		if err := k.fs.Truncate(name, p.sound); err != nil {
			return fmt.Errorf("%s: cutting off the unfinished end: %w", name, err)
		}
		k.store.add(name, p.sound)
		r.Cut = append(r.Cut, d)
	}
	return nil
}

func (k *keeper) discard(name string, r *Repair) error {
	if err := k.fs.Remove(name); err != nil {
		return err
	}
	k.store.remove(name)
	r.Removed = append(r.Removed, name)
	return nil
}
