package main

import (
	"errors"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"

	"joltwatch/storage"
)

// card is a folder with the ways of a memory card behind a cache: what was
// written is seen at once, but only what was synced is sure to be there after
// the power went. It can be full, read-only, or failing. Its files are real
// ones, so that descriptors and readers are real too; nothing is synced for
// real, which would only cost time.
type card struct {
	storage.FS // of the folder
	dir        string
	limbo      string // where removed files are while that is not durable
	rng        *rand.Rand

	files   map[string]*cardFile // as they are seen
	entries map[string]*cardFile // the names that are durable
	handles map[*cardHandle]bool
	release func() error // of the lock, nil where nobody has it
	moved   int          // names in limbo

	// capacity is the size of the card, taken what others have on it.
	capacity, taken int64
	// trouble, where set, is asked at every call that changes something.
	trouble func(op string) error
	short   bool // a failing write writes a part

	// cutIn counts the calls down to the one at which the power goes; dead is
	// set from then on until powerCut.
	cutIn int
	dead  bool

	calls, syncs, refused, full int
	bytes                       int64 // written to files
	most                        int64 // the most that the folder ever took, in pages
}

type cardFile struct {
	path   string
	size   int64
	synced int64
	// lost is set by a sync that failed: what was not durable then will never
	// be, and later syncs succeed without saying so, as Linux does.
	lost bool
}

type cardHandle struct {
	c    *card
	f    *cardFile
	real storage.File
}

func newCard(dir, limbo string, capacity int64, rng *rand.Rand) *card {
	return &card{FS: storage.OS(dir), dir: dir, limbo: limbo, rng: rng, capacity: capacity,
		files: map[string]*cardFile{}, entries: map[string]*cardFile{}, handles: map[*cardHandle]bool{}}
}

const cardPage = 4096

func inPages(n int64) int64 { return (n + cardPage - 1) / cardPage * cardPage }

// used is what the folder takes, and never more than it had.
func (c *card) used() int64 {
	var n int64
	for _, f := range c.files {
		n += inPages(f.size)
	}
	c.most = max(c.most, n)
	return n
}

// call is asked by everything that changes something.
func (c *card) call(op, name string) error {
	if c.dead {
		return &fs.PathError{Op: op, Path: name, Err: syscall.EIO}
	}
	c.calls++
	if c.cutIn > 0 {
		if c.cutIn--; c.cutIn == 0 {
			c.dead = true
			return &fs.PathError{Op: op, Path: name, Err: syscall.EIO}
		}
	}
	if c.trouble != nil {
		if err := c.trouble(op); err != nil {
			c.refused++
			return &fs.PathError{Op: op, Path: name, Err: err}
		}
	}
	return nil
}

func (c *card) Lock() (func() error, error) {
	if err := c.call("lock", "lock"); err != nil {
		return nil, err
	}
	release, err := c.FS.Lock()
	if err != nil {
		return nil, err
	}
	c.release = func() error { c.release = nil; return release() }
	return c.release, nil
}

func (c *card) Create(name string) (storage.File, error) {
	if err := c.call("create", name); err != nil {
		return nil, err
	}
	real, err := c.FS.Create(name)
	if err != nil {
		return nil, err
	}
	h := &cardHandle{c, &cardFile{path: filepath.Join(c.dir, name)}, real}
	c.files[name] = h.f
	c.handles[h] = true
	return h, nil
}

func (h *cardHandle) Write(p []byte) (int, error) {
	c := h.c
	want, err := p, c.call("write", h.f.path)
	switch {
	case err != nil && c.short:
		want = p[:len(p)/2]
	case err != nil:
		return 0, err
	default:
		if room := c.capacity - c.taken - c.used() + inPages(h.f.size) - h.f.size; int64(len(p)) > room {
			want, err = p[:max(0, room)], &fs.PathError{Op: "write", Path: h.f.path, Err: syscall.ENOSPC}
			c.full++
		}
	}
	n, werr := h.real.Write(want)
	h.f.size += int64(n)
	c.bytes += int64(n)
	c.used()
	return n, errors.Join(err, werr)
}

func (h *cardHandle) Order() (bool, error) { return false, nil }

func (h *cardHandle) Sync() error {
	h.c.syncs++
	if err := h.c.call("fsync", h.f.path); err != nil {
		h.f.lost = true
		return err
	}
	if !h.f.lost {
		h.f.synced = h.f.size
	}
	return nil
}

func (h *cardHandle) Close() error {
	delete(h.c.handles, h)
	return h.real.Close()
}

func (c *card) Truncate(name string, size int64) error {
	if err := c.call("truncate", name); err != nil {
		return err
	}
	if err := c.FS.Truncate(name, size); err != nil {
		return err
	}
	f := c.files[name]
	f.size, f.synced = size, size
	return nil
}

func (c *card) Rename(from, to string) error {
	if err := c.call("rename", from); err != nil {
		return err
	}
	f := c.files[from]
	if f == nil {
		return c.FS.Rename(from, to) // says what is wrong
	}
	if old := c.files[to]; old != nil {
		if err := c.hide(old); err != nil {
			return err
		}
	}
	if err := c.FS.Rename(from, to); err != nil {
		return err
	}
	f.path = filepath.Join(c.dir, to)
	c.files[to] = f
	delete(c.files, from)
	return nil
}

func (c *card) Remove(name string) error {
	if err := c.call("remove", name); err != nil {
		return err
	}
	f := c.files[name]
	if f == nil {
		return c.FS.Remove(name) // says what is wrong
	}
	delete(c.files, name)
	return c.hide(f)
}

// hide takes a file out of the folder, but not off the card yet.
func (c *card) hide(f *cardFile) error {
	c.moved++
	path := filepath.Join(c.limbo, strconv.Itoa(c.moved))
	err := os.Rename(f.path, path)
	f.path = path
	return err
}

func (c *card) SyncDir() error {
	c.syncs++
	if err := c.call("syncdir", c.dir); err != nil {
		return err
	}
	c.entries = maps.Clone(c.files)
	return c.empty()
}

// empty removes what nothing refers to any more.
func (c *card) empty() error {
	if c.moved == 0 {
		return nil
	}
	c.moved = 0
	left, err := os.ReadDir(c.limbo)
	for _, e := range left {
		err = errors.Join(err, os.Remove(filepath.Join(c.limbo, e.Name())))
	}
	return err
}

func (c *card) Free() (int64, error) {
	return max(0, c.capacity-c.taken-c.used()), nil
}

// powerCut leaves on the card what is there after the power went: what was
// synced; of the rest, as much as happened to have been written; and new names
// and removals that were not synced, or not.
func (c *card) powerCut() error {
	for h := range c.handles { // the process is gone, and its descriptors
		h.real.Close() //nolint:errcheck // as the kernel does
	}
	clear(c.handles)
	if c.release != nil {
		c.release() //nolint:errcheck // as the kernel does
	}
	left := c.files
	if c.rng.IntN(2) == 0 {
		left = c.entries
	}
	content := map[string][]byte{}
	for _, name := range slices.Sorted(maps.Keys(left)) {
		f := left[name]
		if f.synced == f.size && f.path == filepath.Join(c.dir, name) {
			continue // as it is
		}
		data, err := os.ReadFile(f.path)
		if err != nil {
			return err
		}
		rest := int(f.size - f.synced)
		data = data[:f.synced:f.synced]
		if rest > 0 && !f.lost {
			n := c.rng.IntN(rest + 1)
			whole, err := os.ReadFile(f.path)
			if err != nil {
				return err
			}
			data = append(data, whole[f.synced:int(f.synced)+n]...)
			// The size may be durable before the content is.
			data = append(data, make([]byte, c.rng.IntN(rest-n+1))...)
		}
		content[name] = data
	}
	for name := range c.files {
		if _, changed := content[name]; changed || left[name] == nil {
			if err := os.Remove(filepath.Join(c.dir, name)); err != nil {
				return err
			}
		}
	}
	after := map[string]*cardFile{}
	for name, f := range left {
		path := filepath.Join(c.dir, name)
		size := f.size
		if data, changed := content[name]; changed {
			if err := os.WriteFile(path, data, 0o600); err != nil {
				return err
			}
			size = int64(len(data))
		}
		after[name] = &cardFile{path: path, size: size, synced: size}
	}
	c.files, c.entries = after, maps.Clone(after)
	c.dead, c.cutIn = false, 0
	c.used()
	return c.empty()
}
