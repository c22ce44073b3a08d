package storage

import (
	"fmt"
	"io/fs"
	"slices"
)

// State is the health of a file or of a store.
type State string

const (
	// Intact: every byte is sound, and of a whole stay the chain proves that
	// nothing is missing.
	Intact State = "intact"
	// Repaired: a cut had left an unfinished end, which the next run removed.
	// Nothing that was acknowledged was in it, and the chain proves that too.
	Repaired State = "repaired"
	// Unproven: what is there is sound; whether more was there cannot be told.
	Unproven State = "unproven"
	// Damaged: something that was on file cannot be read, or is missing.
	Damaged State = "damaged"
)

// rank orders the states from good to bad.
func (s State) rank() int {
	for i, o := range []State{Intact, Repaired, Unproven, Damaged} {
		if s == o {
			return i
		}
	}
	return -1
}

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
	// Whole says that nothing that was acknowledged is missing, and that the
	// chain proves it. Proof says for each run what proves it, or up to where.
	Whole bool    `json:"whole"`
	Proof []Proof `json:"proof"`
	// Lost is what could not be stored in the first place.
	Lost *Lost `json:"not_stored,omitempty"`
	// Missing says what the files speak of and is not there.
	Missing []string `json:"missing,omitempty"`
	// Strange are things in the folder that are not the store's.
	Strange []string `json:"strange,omitempty"`
}

// Verify reads all of the store in dir: every block of every file, every frame
// of every span, whether what the events refer to is there, and whether each
// file goes as far as others say. Damage is in the result; the error says that
// the store could not be looked at.
func Verify(dir string) (*Verification, error) { return verifyFS(dir, OS(dir)) }

// VerifyTold is Verify that tells, after each file, how many bytes have been read of
// how many.
func VerifyTold(dir string, told func(done, total int64)) (*Verification, error) {
	return verifyTold(dir, OS(dir), told)
}

func verifyFS(dir string, fsys FS) (*Verification, error) { return verifyTold(dir, fsys, nil) }

func verifyTold(dir string, fsys FS, told func(done, total int64)) (*Verification, error) {
	s, err := readFS(dir, fsys)
	if err != nil {
		return nil, err
	}
	files, err := fsys.List()
	if err != nil {
		return nil, err
	}
	var size int64
	for _, f := range sorted(files) {
		size += f.Size()
	}
	s.unpacker.budget = newBudget(size)
	v := &Verification{State: Intact, Running: s.health.Running, Runs: len(s.boots), Events: len(s.events), Lost: s.health.Lost}
	a := newAudit(s, v)
	done := int64(0)
	for _, f := range sorted(files) {
		if err := v.file(s, a, f.Name()); err != nil {
			return nil, err
		}
		if done += f.Size(); told != nil {
			told(done, size)
		}
	}
	v.others(files)
	v.references(s)
	a.judge()
	return v, nil
}

// Missing says what the stay in dir once held, as its head and its journals record,
// and is not there. It decodes no evidence. Of a run that the head does not record as
// ended nothing is missing yet: it may go on elsewhere. A stay without a head, which
// an older program wrote or which is still on its way, misses nothing.
func Missing(dir string) ([]string, error) { return missingFS(dir, OS(dir)) }

func missingFS(dir string, fsys FS) ([]string, error) {
	s, err := readFS(dir, fsys)
	if err != nil {
		return nil, err
	}
	files, err := fsys.List()
	if err != nil {
		return nil, err
	}
	v := &Verification{State: Intact}
	a := newAudit(s, v)
	if !a.headOK {
		return v.Missing, nil
	}
	a.elsewhere = a.head.Journal == nil
	for _, f := range sorted(files) {
		if kind, _, _, _ := parseName(f.Name()); kind == evidenceFile {
			continue
		}
		if err := v.file(s, a, f.Name()); err != nil {
			return nil, err
		}
	}
	v.others(files)
	a.judge()
	return v.Missing, nil
}

// file adds the health of one file.
func (v *Verification) file(s *Store, a *audit, name string) error {
	h, err := s.verifyFile(name, a)
	if err != nil {
		return err
	}
	if n := a.notes[name]; n != "" && h.State != Damaged {
		h.State, h.Note = Repaired, n
	}
	v.Frames += h.Frames
	v.Files = append(v.Files, h)
	v.worse(h.State)
	return nil
}

// others names what is no file of the store.
func (v *Verification) others(files []fs.FileInfo) {
	for _, f := range files {
		name := f.Name()
		_, _, _, ok := parseName(name)
		ok = ok || name == headName
		switch {
		case ok && !f.Mode().IsRegular():
			v.miss("%s: %s is in its place", name, whatIs(f.Mode()))
		case !ok && name != "lock" && !isDelivered(name):
			v.Strange = append(v.Strange, name)
		}
	}
}

func whatIs(m fs.FileMode) string {
	switch {
	case m.IsDir():
		return "a folder"
	case m&fs.ModeSymlink != 0:
		return "a link"
	case m&fs.ModeNamedPipe != 0:
		return "a pipe"
	}
	return "something that is no file"
}

// references looks at what the journals refer to.
func (v *Verification) references(s *Store) {
	for i := range s.boots {
		if len(s.boots[i].Repair.Removed) > 0 {
			v.worse(Repaired)
		}
		if s.boots[i].Plan == nil {
			v.miss("run %d: the plan that its frames are decoded with", s.boots[i].Number)
		}
	}
	for i := range s.events {
		if e := &s.events[i]; e.Evidence == EvidenceLost || e.lacks {
			v.miss("event %s: its frames", e.ID)
		}
	}
}

func (v *Verification) miss(format string, args ...any) {
	v.Missing = append(v.Missing, fmt.Sprintf(format, args...))
	v.worse(Damaged)
}

func (v *Verification) worse(s State) {
	if s.rank() > v.State.rank() {
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

func (s *Store) verifyFile(name string, a *audit) (FileHealth, error) {
	kind, run, part, _ := parseName(name)
	h := FileHealth{File: name, Kind: kind.String(), State: Intact}
	data, err := s.fs.ReadFile(name)
	if err != nil {
		h.State = Damaged
		h.Damage = append(h.Damage, Damage{File: name, What: err.Error()})
		a.unreadable(name)
		return h, nil
	}
	p, err := parseFile(name, data)
	if err != nil {
		return h, err
	}
	h.Size, h.Blocks = p.size, len(p.blocks)
	if p.headerOK && (p.header.kind != kind || p.header.run != run || p.header.part != part) {
		p.bad(name, 0, headerSize, fmt.Sprintf("the header is that of %s", fileName(p.header.kind, p.header.run, p.header.part)))
	}
	s.verifyBlocks(&h, kind, &p, a)
	a.add(name, &p)
	for _, d := range p.damage {
		switch {
		case d.Tail && a.open[name]:
			h.Note = "being written"
			continue
		case d.Tail && h.State != Damaged:
			h.State = Repaired
			if a.isLast(run, kind) {
				h.State = Unproven
			}
			h.Note = fmt.Sprintf("ends with %d unfinished bytes at offset %d, as a cut of the power or of copying leaves them", d.Length, d.Offset)
		default:
			h.State = Damaged
		}
		h.Damage = append(h.Damage, d)
	}
	return h, nil
}

// bad adds damage that is found in sound blocks.
func (p *parsed) bad(name string, offset, length int64, what string) {
	p.damage = append(p.damage, Damage{File: name, Offset: offset, Length: length, What: what})
}

func (s *Store) verifyBlocks(h *FileHealth, kind fileKind, p *parsed, a *audit) {
	// Accounts were read with the store.
	records := recReader{u: s.unpacker, noAccounts: true}
	expected := uint32(0)
	for i, b := range p.blocks {
		if err := s.verifyBlock(h, kind, &records, b, a); err != nil {
			p.bad(h.File, b.offset, int64(blockHead+len(b.payload)), err.Error())
		}
		if b.number != uint16(expected) && len(p.damage) == 0 {
			p.bad(h.File, b.offset, 0, fmt.Sprintf("block %d stands where block %d should", b.number, uint16(expected)))
		}
		expected = p.chain[i].blocks
	}
	for _, d := range s.health.Damage {
		same := func(o Damage) bool { return o.Offset == d.Offset }
		if d.File == h.File && !d.Tail && !slices.ContainsFunc(p.damage, same) {
			p.damage = append(p.damage, d)
		}
	}
}

func (s *Store) verifyBlock(h *FileHealth, kind fileKind, records *recReader, b block, a *audit) error {
	if kind == evidenceFile && b.typ == blockSpan {
		info, frames, err := decodeSpan(s.unpacker, b.payload)
		if err == nil && len(frames) != int(info.frames) {
			err = errSpan
		}
		h.Frames += uint64(len(frames))
		return err
	}
	list, err := records.read(b)
	l := &loader{s: &Store{unpacker: s.unpacker}}
	var boot *Boot
	if kind == journalFile {
		boot = &Boot{}
	}
	for i := range list {
		var e error
		if kind != evidenceFile {
			e = l.record(boot, &list[i])
		}
		if e == nil {
			e = a.record(h.File, &list[i])
		}
		if e != nil {
			err = e
		}
	}
	return err
}
