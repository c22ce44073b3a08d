package storage

import "slices"

// ReadHistory returns what Read(dir).History() does, but reads no more than the
// newest journals, back to one that holds a history: at the start of a run
// there is no time for the whole stay.
func ReadHistory(dir string) ([]byte, error) { return readHistory(OS(dir)) }

func readHistory(fsys FS) ([]byte, error) {
	files, err := fsys.List()
	if err != nil {
		return nil, err
	}
	u, err := newUnpacker()
	if err != nil {
		return nil, err
	}
	for _, f := range slices.Backward(sorted(files)) {
		if kind, _, _, _ := parseName(f.Name()); kind != journalFile {
			continue
		}
		data, err := fsys.ReadFile(f.Name())
		if refusal(err) {
			continue // as Read passes over it
		}
		if err != nil {
			return nil, err
		}
		p, err := parseFile(f.Name(), data)
		if err != nil {
			return nil, err
		}
		for _, b := range slices.Backward(p.blocks) {
			if b.typ != blockHistory {
				continue
			}
			if h, err := u.payload(b); err == nil {
				return h, nil
			}
		}
	}
	return nil, nil
}
