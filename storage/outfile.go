package storage

import "fmt"

// outFile is a file that is being appended to.
type outFile struct {
	file File
	name string
	part uint32
	size int64
	// at is the chain over the blocks, durable what of it is.
	at      chained
	durable fileMark
	// fresh is true until the name of the file is durable.
	fresh bool
	// ordered is true from File.Order on until it is synced: others may speak of what
	// is in it already.
	ordered bool
}

// close leaves the file; what is in it has been synced, or the file is given
// up.
func (o *outFile) close() {
	if o.file != nil {
		o.file.Close() //nolint:errcheck // synced before, or given up
		o.file = nil
	}
}

// create begins a new file with its header; nothing is durable yet.
func (w *runWriter) create(o *outFile, kind fileKind) error {
	o.part++
	o.name = fileName(kind, w.run, o.part)
	f, err := w.fs.Create(o.name)
	if err != nil {
		return fmt.Errorf("%s: %w", o.name, err)
	}
	o.file, o.size, o.at, o.ordered = f, 0, chained{}, false
	w.inventory.add(o.name, 0)
	w.usage.FilesMade++
	o.fresh = true
	h := header{version: Version, kind: kind, run: w.run, part: o.part, boot: w.opt.Boot}
	return w.append(o, h.append(nil), chainFrom(h))
}

// append writes bytes, after which the chain is at. After a failure the file is given
// up: what has been synced in it stands, the rest is written again elsewhere.
func (w *runWriter) append(o *outFile, b []byte, at chained) error {
	n, err := o.file.Write(b)
	o.size += int64(n)
	w.usage.BytesWritten += uint64(n)
	if o == &w.spans {
		w.usage.EvidenceBytes += uint64(n)
	} else {
		w.usage.JournalBytes += uint64(n)
	}
	w.inventory.grow(o.name, int64(n))
	if err == nil && n < len(b) {
		err = fmt.Errorf("wrote %d of %d bytes", n, len(b))
	}
	if err != nil {
		return w.giveUp(o, err)
	}
	o.at = at
	return nil
}

// sync makes the file durable, and its name where it is new. After a failure
// the kernel may have dropped what it could not write and say so only once, so
// that a second sync that succeeds would prove nothing: the file is given up.
func (w *runWriter) sync(o *outFile) error {
	if !o.ordered {
		w.countSync(o)
	}
	if err := o.file.Sync(); err != nil {
		return w.giveUp(o, fmt.Errorf("fsync: %w", err))
	}
	if o.fresh {
		if err := w.fs.SyncDir(); err != nil {
			return w.giveUp(o, fmt.Errorf("fsync of the folder: %w", err))
		}
	}
	w.synced(o)
	return nil
}

// synced notes that the file is durable, and its name.
func (w *runWriter) synced(o *outFile) {
	o.durable, o.ordered, o.fresh = o.mark(w.run), false, false
}

// countSync counts the sync of a file, and that of its name. It is counted before the
// journal is written whichever comes first, so that a stay is the same on any file system.
func (w *runWriter) countSync(o *outFile) {
	w.usage.Syncs++
	if o.fresh {
		w.usage.Syncs++
	}
}

// mark is how far the file goes.
func (o *outFile) mark(run uint32) fileMark {
	return fileMark{Run: run, Part: o.part, Blocks: o.at.blocks, Sum: o.at.sum}
}

func (w *runWriter) giveUp(o *outFile, err error) error {
	name := o.name
	o.close()
	fresh := o.fresh && !o.ordered
	o.ordered = false
	if o == &w.spans && fresh && len(w.parts) > 0 && w.parts[len(w.parts)-1].part == o.part {
		w.parts = w.parts[:len(w.parts)-1]
	}
	if fresh && w.fs.Remove(name) == nil {
		// Nothing in it was ever acknowledged, nor spoken of.
		w.inventory.remove(name)
	}
	return fmt.Errorf("%s: %w", name, err)
}
