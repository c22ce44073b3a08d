package storage

import "io/fs"

// page is what files are counted in: the block size of the usual file systems.
const page = 4096

func pages(size int64) int64 { return (size + page - 1) / page * page }

// purpose says what room is asked for.
type purpose uint8

const (
	forEvidence purpose = iota
	forJournal
)

// shelf knows the files of the store and their sizes.
type shelf struct {
	sizes map[string]int64
	total int64 // in whole pages
}

func newShelf(files []fs.FileInfo) *shelf {
	s := &shelf{sizes: map[string]int64{}}
	for _, f := range files {
		s.add(f.Name(), f.Size())
	}
	return s
}

func (s *shelf) add(name string, size int64) {
	s.remove(name)
	s.sizes[name] = size
	s.total += pages(size)
}

func (s *shelf) grow(name string, n int64) { s.add(name, s.sizes[name]+n) }

func (s *shelf) remove(name string) {
	if size, ok := s.sizes[name]; ok {
		s.total -= pages(size)
		delete(s.sizes, name)
	}
}

func (s *shelf) used() int64 { return s.total }

// room reports whether n more bytes may be written.
func (k *keeper) room(n int64, what purpose) bool { return true }
