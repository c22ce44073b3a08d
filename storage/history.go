package storage

import (
	"errors"
	"slices"
)

// ReadHistory returns what Read(dir).History() does, but reads no more than the
// newest journals, back to one that holds a history: at the start of a run
// there is no time for the whole stay.
func ReadHistory(dir string) ([]byte, error) { return readHistory(OS(dir)) }

func readHistory(fsys FS) ([]byte, error) {
	files, err := fsys.List()
	if err != nil {
		return nil, err
	}
	var size int64
	for _, f := range sorted(files) {
		size += f.Size()
	}
	u, err := newUnpacker(size)
	if err != nil {
		return nil, err
	}
	for _, f := range slices.Backward(sorted(files)) {
		if kind, _, _, _ := parseName(f.Name()); kind != journalFile {
			continue
		}
		data, err := fsys.ReadFile(f.Name())
		if refusal(err) || errors.Is(err, errOversize) {
			continue // as Read passes over it
		}
		if err != nil {
			return nil, err
		}
		p, err := parseFile(f.Name(), data)
		if err != nil {
			return nil, err
		}
		if h := lastHistory(u, p); h != nil {
			return h, nil
		}
	}
	return nil, nil
}

// lastHistory is the latest history in a journal, nil where there is none. The
// records of a block are read from the block on: a history stands against no
// other record.
func lastHistory(u *unpacker, p parsed) []byte {
	for _, b := range slices.Backward(p.blocks) {
		records := recReader{u: u}
		list, _ := records.read(b) //nolint:errcheck // what cannot be read holds none
		for _, x := range slices.Backward(list) {
			if x.typ == blockHistory {
				return x.text
			}
		}
	}
	return nil
}
