package storage

import (
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

// openKeeper takes the store for one run: it locks it, repairs what the last
// run left, and writes the beginning of the new run's journal.
func openKeeper(dir string, opt Options) (k *keeper, repair Repair, err error) {
	if err := opt.FS.Make(); err != nil {
		return nil, repair, err
	}
	release, err := opt.FS.Lock()
	if err != nil {
		return nil, repair, err
	}
	defer func() {
		if err != nil {
			release() //nolint:errcheck // err says more
		}
	}()
	pack, err := newPacker()
	if err != nil {
		return nil, repair, err
	}
	unpack, err := newUnpacker()
	if err != nil {
		return nil, repair, err
	}
	files, err := opt.FS.List()
	if err != nil {
		return nil, repair, err
	}
	k = &keeper{
		dir: dir, fs: opt.FS, opt: opt, pack: pack, unpack: unpack, coder: newSpanCoder(opt.Plan, pack),
		release: release, clock: opt.Clock, store: newShelf(files),
	}
	last := uint32(0)
	for _, f := range files {
		if kind, run, _, ok := parseName(f.Name()); ok && kind != clockFile {
			last = max(last, run)
		}
	}
	k.run = last + 1
	if repair, err = k.repair(files, last); err != nil {
		return nil, repair, err
	}
	if !repair.Empty() || len(repair.Unended) > 0 {
		payload, err := marshal(repair)
		if err != nil {
			return nil, repair, err
		}
		k.queue = append(k.queue, item{typ: blockRepair, payload: payload})
	} else {
		// The beginning alone: an item without content.
		k.queue = append(k.queue, item{typ: blockUsage, payload: []byte("{}")})
	}
	k.drain()
	return k, repair, nil
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
		data, err := k.fs.ReadFile(name)
		if err != nil {
			return r, err
		}
		p, err := parseFile(name, data)
		if err != nil {
			return r, err
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
	data, err := k.fs.ReadFile(name)
	if err != nil {
		return err
	}
	p, err := parseFile(name, data)
	if err != nil {
		return err
	}
	return k.mend(name, p, r)
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
