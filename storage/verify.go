package storage

import (
	"fmt"
)

// State is the health of a file or of a store.
type State string

const (
	// Intact: every byte is sound.
	Intact State = "intact"
	// Repaired: a cut had left an unfinished end, and the next run removed
	// it, or will. Nothing that was acknowledged was in it.
	Repaired State = "repaired"
	// Damaged: something that was on file cannot be read.
	Damaged State = "damaged"
)

// FileHealth is the health of one file.
type FileHealth struct {
	File   string   `json:"file"`
	Kind   string   `json:"kind"`
	Size   int64    `json:"size"`
	Blocks int      `json:"blocks"`
	Frames uint64   `json:"frames,omitempty"`
	State  State    `json:"state"`
	Damage []Damage `json:"damage,omitempty"`
	// Note says what was put right, or what is going on.
	Note string `json:"note,omitempty"`
}

// Verification is the health of a whole store.
type Verification struct {
	State   State        `json:"state"`
	Running bool         `json:"running"`
	Files   []FileHealth `json:"files"`
	Runs    int          `json:"runs"`
	Events  int          `json:"events"`
	Frames  uint64       `json:"frames"`
	// Missing says what the journals speak of and is not there.
	Missing []string `json:"missing,omitempty"`
	// Strange are files in the folder that are not the store's.
	Strange []string `json:"strange,omitempty"`
}

// Verify reads all of the store in dir: every block of every file, every frame
// of every span, and whether what the events refer to is there. Damage is in
// the result; the error says that the store could not be looked at.
func Verify(dir string) (*Verification, error) { return verifyFS(dir, OS(dir)) }

func verifyFS(dir string, fsys FS) (*Verification, error) {
	s, err := readFS(dir, fsys)
	if err != nil {
		return nil, err
	}
	files, err := fsys.List()
	if err != nil {
		return nil, err
	}
	v := &Verification{State: Intact, Running: s.health.Running, Runs: len(s.boots), Events: len(s.events)}
	notes := map[string]string{}
	for _, b := range s.boots {
		for _, d := range b.Repair.Cut {
			notes[d.File] = fmt.Sprintf("%d unfinished bytes at offset %d were removed by run %d", d.Length, d.Offset, b.Number)
		}
	}
	open := map[string]bool{}
	if s.health.Running {
		for kind := journalFile; kind <= evidenceFile; kind++ {
			if n := lastOf(s, kind); n != "" {
				open[n] = true
			}
		}
	}
	for _, f := range sorted(files) {
		h, err := s.verifyFile(f.Name(), open[f.Name()])
		if err != nil {
			return nil, err
		}
		if n := notes[h.File]; n != "" && h.State != Damaged {
			h.State, h.Note = Repaired, n
		}
		v.Frames += h.Frames
		v.Files = append(v.Files, h)
		v.worse(h.State)
	}
	for _, f := range files {
		if _, _, _, ok := parseName(f.Name()); !ok && f.Name() != "lock" && !isDelivered(f.Name()) {
			v.Strange = append(v.Strange, f.Name())
		}
	}
	for i := range s.boots {
		if len(s.boots[i].Repair.Removed) > 0 {
			v.worse(Repaired)
		}
		if s.boots[i].Plan == nil {
			v.Missing = append(v.Missing, fmt.Sprintf("run %d: the plan that its frames are decoded with", s.boots[i].Number))
			v.worse(Damaged)
		}
	}
	for i := range s.events {
		if e := &s.events[i]; e.Evidence == EvidenceLost {
			v.Missing = append(v.Missing, fmt.Sprintf("event %s: its frames", e.ID))
			v.worse(Damaged)
		}
	}
	return v, nil
}

func (v *Verification) worse(s State) {
	if s == Damaged || s == Repaired && v.State == Intact {
		v.State = s
	}
}

// lastOf is the name of the file of that kind that the latest run writes to.
func lastOf(s *Store, kind fileKind) string {
	name := ""
	var run, part uint32
	for n := range s.files {
		if k, r, p, ok := parseName(n); ok && k == kind && (r > run || r == run && p > part) {
			name, run, part = n, r, p
		}
	}
	return name
}

func (s *Store) verifyFile(name string, open bool) (FileHealth, error) {
	kind, run, part, _ := parseName(name)
	h := FileHealth{File: name, Kind: kind.String(), State: Intact}
	data, err := s.fs.ReadFile(name)
	if err != nil {
		h.State = Damaged
		h.Damage = append(h.Damage, Damage{File: name, What: err.Error()})
		return h, nil
	}
	p, err := parseFile(name, data)
	if err != nil {
		return h, err
	}
	h.Size, h.Blocks = p.size, len(p.blocks)
	if p.headerOK && (p.header.kind != kind || p.header.run != run || p.header.part != part) {
		p.damage = append(p.damage, Damage{File: name, Length: headerSize, What: fmt.Sprintf("the header is that of %s", fileName(p.header.kind, p.header.run, p.header.part))})
	}
	for i, b := range p.blocks {
		if err := s.verifyBlock(&h, kind, b); err != nil {
			p.damage = append(p.damage, Damage{File: name, Offset: b.offset, Length: int64(blockHead + len(b.payload)), What: err.Error()})
		}
		if b.number != uint16(i) && len(p.damage) == 0 {
			p.damage = append(p.damage, Damage{File: name, Offset: b.offset, What: fmt.Sprintf("block %d stands where block %d should", b.number, uint16(i))})
		}
	}
	for _, d := range p.damage {
		switch {
		case d.Tail && open:
			h.Note = "being written"
		case d.Tail:
			if h.State == Intact {
				h.State = Repaired
			}
			h.Note = fmt.Sprintf("ends with %d unfinished bytes at offset %d, as a cut leaves them; the next run removes them", d.Length, d.Offset)
			h.Damage = append(h.Damage, d)
		default:
			h.State = Damaged
			h.Damage = append(h.Damage, d)
		}
	}
	return h, nil
}

func (s *Store) verifyBlock(h *FileHealth, kind fileKind, b block) error {
	if kind == evidenceFile {
		if b.typ != blockSpan {
			return nil
		}
		info, frames, err := decodeSpan(s.unpacker, b.payload)
		if err == nil && len(frames) != int(info.frames) {
			err = errSpan
		}
		h.Frames += uint64(len(frames))
		return err
	}
	l := &loader{s: &Store{unpacker: s.unpacker}}
	var boot *Boot
	if kind == journalFile {
		boot = &Boot{}
	}
	return l.block(boot, b)
}
