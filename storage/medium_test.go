package storage

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"slices"
	"syscall"
	"time"
)

// medium is a plain model of a folder on a medium with a cache: what was
// written is seen at once, but only what was synced survives a cut. It can
// fail at any call.
type medium struct {
	files map[string]*mfile
	// entries is what the folder held when it was last synced.
	entries map[string]*mfile
	free    int64
	locked  bool
	// orders makes File.Order do what it is for. Then ordered is how far files had come,
	// and are durable with the next sync of any; before is how far all had come at that
	// moment.
	orders          bool
	ordered, before map[*mfile]int
	overwritten     map[*mfile][]byte // what they were, until the next sync

	calls int
	// fail is asked at every call that changes something; what it returns is
	// what the call fails with. short makes a failing write write a part.
	fail  func(call int, op string) error
	short bool
}

type mfile struct {
	data   []byte
	synced int // how much of data is durable
	// lost is set by a sync that failed: what was not durable then will never
	// be, and later syncs succeed without saying so, as Linux does.
	lost bool
}

func newMedium() *medium {
	return &medium{files: map[string]*mfile{}, entries: map[string]*mfile{}, free: 1 << 40}
}

func (m *medium) called(op string) error {
	n := m.calls
	m.calls++
	if m.fail != nil {
		if err := m.fail(n, op); err != nil {
			return &fs.PathError{Op: op, Path: "medium", Err: err}
		}
	}
	return nil
}

func (m *medium) Make() error { return m.called("mkdir") }

func (m *medium) Lock() (func() error, error) {
	if m.locked {
		return nil, errors.New("another has it")
	}
	m.locked = true
	return func() error { m.locked = false; return nil }, nil
}

type minfo struct {
	name string
	size int64
}

func (i minfo) Name() string       { return i.name }
func (i minfo) Size() int64        { return i.size }
func (i minfo) Mode() fs.FileMode  { return 0o600 }
func (i minfo) ModTime() time.Time { return time.Time{} }
func (i minfo) IsDir() bool        { return false }
func (i minfo) Sys() any           { return nil }

func (m *medium) List() ([]fs.FileInfo, error) {
	var out []fs.FileInfo
	for name, f := range m.files {
		out = append(out, minfo{name, int64(len(f.data))})
	}
	slices.SortFunc(out, func(a, b fs.FileInfo) int {
		if a.Name() < b.Name() {
			return -1
		}
		return 1
	})
	return out, nil
}

func (m *medium) ReadFile(name string) ([]byte, error) {
	f := m.files[name]
	if f == nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return slices.Clone(f.data), nil
}

func (m *medium) Create(name string) (File, error) {
	if err := m.called("create"); err != nil {
		return nil, err
	}
	if m.files[name] != nil {
		return nil, &fs.PathError{Op: "create", Path: name, Err: fs.ErrExist}
	}
	f := &mfile{}
	m.files[name] = f
	return &mhandle{m, f, name}, nil
}

func (m *medium) Truncate(name string, size int64) error {
	if err := m.called("truncate"); err != nil {
		return err
	}
	f := m.files[name]
	f.data = f.data[:size]
	f.synced = len(f.data)
	return nil
}

// Overwrite tears where it fails: the part that came first is there. What is left to
// the next sync a cut may take back.
func (m *medium) Overwrite(name string, at int64, b []byte, later bool) error {
	err := m.called("overwrite")
	f := m.files[name]
	if f == nil {
		return &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	if err != nil {
		b = b[:len(b)/3]
	}
	m.overwritten = nil
	if later && m.orders {
		m.overwritten = map[*mfile][]byte{f: f.data}
	}
	f.data = slices.Clone(f.data)
	copy(f.data[at:], b)
	return err
}

func (m *medium) Rename(from, to string) error {
	if err := m.called("rename"); err != nil {
		return err
	}
	if old := m.files[to]; old != nil {
		m.free += pages(int64(len(old.data)))
	}
	m.files[to] = m.files[from]
	delete(m.files, from)
	return nil
}

func (m *medium) Remove(name string) error {
	if err := m.called("remove"); err != nil {
		return err
	}
	if m.files[name] == nil {
		return &fs.PathError{Op: "remove", Path: name, Err: fs.ErrNotExist}
	}
	m.free += pages(int64(len(m.files[name].data)))
	delete(m.files, name)
	return nil
}

func (m *medium) SyncDir() error {
	if err := m.called("syncdir"); err != nil {
		return err
	}
	m.entries = map[string]*mfile{}
	for n, f := range m.files {
		m.entries[n] = f
	}
	return nil
}

func (m *medium) Free() (int64, error) { return m.free, nil }

func (m *medium) used() int64 {
	var n int64
	for _, f := range m.files {
		n += pages(int64(len(f.data)))
	}
	return n
}

// cut returns what is left after the power went: what was synced, and of the
// rest whatever the medium happened to have written.
func (m *medium) cut(r *rand.Rand) *medium {
	out := newMedium()
	if len(m.ordered) > 0 && r.IntN(2) == 0 {
		m.commit() // and perhaps some of what came after it
	} else if len(m.ordered) > 0 {
		for _, f := range m.files {
			if _, ok := m.ordered[f]; !ok {
				f.data = f.data[:max(f.synced, m.before[f])]
			}
		}
	}
	for f, was := range m.overwritten {
		if r.IntN(2) == 0 {
			f.data = was
		}
	}
	keep := func(name string, f *mfile) {
		data := slices.Clone(f.data[:f.synced])
		if rest := len(f.data) - f.synced; rest > 0 && !f.lost {
			n := r.IntN(rest + 1)
			data = append(data, f.data[f.synced:f.synced+n]...)
			// The size may be durable before the content is.
			data = append(data, make([]byte, r.IntN(rest-n+1))...)
		}
		c := &mfile{data: data, synced: len(data)}
		out.files[name], out.entries[name] = c, c
	}
	for _, name := range slices.Sorted(mapKeys(m.files)) {
		f := m.files[name]
		if m.entries[name] == f || r.IntN(2) == 0 {
			keep(name, f)
		}
	}
	for _, name := range slices.Sorted(mapKeys(m.entries)) {
		// Removed or renamed, but that is not durable.
		if f := m.entries[name]; m.files[name] == nil && r.IntN(2) == 0 {
			keep(name, f)
		}
	}
	return out
}

func mapKeys(m map[string]*mfile) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

type mhandle struct {
	m    *medium
	f    *mfile
	name string
}

func (h *mhandle) Write(p []byte) (int, error) {
	if err := h.m.called("write"); err != nil {
		if h.m.short {
			n := len(p) / 2
			h.f.data = append(h.f.data, p[:n]...)
			return n, err
		}
		return 0, err
	}
	if int64(len(p)) > h.m.free {
		return 0, &fs.PathError{Op: "write", Path: h.name, Err: syscall.ENOSPC}
	}
	before := pages(int64(len(h.f.data)))
	h.f.data = append(h.f.data, p...)
	h.m.free -= pages(int64(len(h.f.data))) - before
	return len(p), nil
}

func (h *mhandle) Sync() error {
	if err := h.m.called("fsync"); err != nil {
		h.f.lost = true
		return err
	}
	h.m.commit()
	if !h.f.lost {
		h.f.synced = len(h.f.data)
	}
	return nil
}

func (h *mhandle) Order() (bool, error) {
	if !h.m.orders {
		return false, nil
	}
	if err := h.m.called("order"); err != nil {
		h.f.lost = true
		return false, err
	}
	h.m.before = map[*mfile]int{}
	for _, f := range h.m.files {
		h.m.before[f] = len(f.data)
	}
	h.m.ordered = map[*mfile]int{h.f: len(h.f.data)}
	return true, nil
}

// commit makes durable what was ordered, with its name.
func (m *medium) commit() {
	for name, f := range m.files {
		if n, ok := m.ordered[f]; ok && !f.lost {
			f.synced, m.entries[name] = max(f.synced, n), f
		}
	}
	m.ordered, m.overwritten = nil, nil
}

func (h *mhandle) Close() error { return nil }

func (m *medium) String() string { return fmt.Sprintf("%d files, %d bytes", len(m.files), m.used()) }
