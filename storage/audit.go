package storage

import (
	"encoding/json"
	"fmt"
	"slices"
)

// Proof says of one run what shows that nothing of it is missing.
type Proof struct {
	Run uint32 `json:"run"`
	// Whole says that nothing acknowledged of it is missing, and that By
	// proves it. Otherwise By says up to where, and why no further.
	Whole bool   `json:"whole"`
	By    string `json:"by"`
}

// audit holds what the files of a stay say of each other against what they are.
type audit struct {
	s     *Store
	v     *Verification
	open  map[string]bool   // being written
	notes map[string]string // what runs have put right

	files  map[string]*audited
	claims []claim
	stays  map[uint64][]string // files by the stay that they name
	before map[uint32]uint32   // the run before each, as its beginning says
	last   uint32
	broken map[uint32]bool
	head   headRecord
	headOK bool
	none   []uint32 // runs of which nothing had become durable
	// elsewhere says that the latest run may be going on where this is a copy of.
	elsewhere bool
}

// audited is what is needed of a file.
type audited struct {
	parsed
	ended bool
}

// claim is what one file says of another.
type claim struct {
	by, of string
	mark   fileMark
}

func newAudit(s *Store, v *Verification) *audit {
	a := &audit{
		s: s, v: v, open: map[string]bool{}, notes: map[string]string{}, files: map[string]*audited{},
		stays: map[uint64][]string{}, before: map[uint32]uint32{}, broken: map[uint32]bool{},
	}
	for _, b := range s.boots {
		for _, d := range b.Repair.Cut {
			a.notes[d.File] = fmt.Sprintf("%d unfinished bytes at offset %d were removed by run %d", d.Length, d.Offset, b.Number)
		}
	}
	for name := range s.files {
		if kind, run, _, ok := parseName(name); ok && kind != clockFile {
			a.last = max(a.last, run)
		}
	}
	if s.health.Running {
		for kind := journalFile; kind <= evidenceFile; kind++ {
			if n := lastOf(s, kind); n != "" {
				a.open[n] = true
			}
		}
	}
	if data, err := s.fs.ReadFile(headName); err == nil {
		a.head, a.headOK = parseHead(data)
		if !a.headOK {
			v.miss("%s: nothing in it is sound", headName)
		}
	}
	return a
}

// isLast reports whether a cut in the latest run may have left a file so.
func (a *audit) isLast(run uint32, kind fileKind) bool {
	return run == a.last && kind != clockFile && (!a.headOK || a.head.Run <= run)
}

func (a *audit) unreadable(name string) {
	if _, run, _, ok := parseName(name); ok {
		a.broken[run] = true
	}
}

// add takes note of a file; what is not needed of it is let go.
func (a *audit) add(name string, p *parsed) {
	f := a.file(name)
	f.parsed = *p
	f.blocks = nil
	if slices.ContainsFunc(p.damage, func(d Damage) bool { return !d.Tail }) {
		a.broke(name)
	}
}

func (a *audit) file(name string) *audited {
	f := a.files[name]
	if f == nil {
		f = &audited{}
		a.files[name] = f
	}
	return f
}

// record takes note of what a record says of other files.
func (a *audit) record(name string, x *rec) error {
	a.file(name).ended = x.typ == blockEnd
	switch x.typ {
	case blockLink:
		return a.link(name, x.text)
	case blockFrames:
		var r framesRecord
		if err := json.Unmarshal(x.text, &r); err != nil {
			return err
		}
		_, run, _, _ := parseName(name)
		for _, m := range r.Files {
			m.Run = run
			a.claim(name, evidenceFile, m)
		}
	}
	return nil
}

func (a *audit) link(name string, text []byte) error {
	var l linkRecord
	if err := json.Unmarshal(text, &l); err != nil {
		return err
	}
	kind, run, _, _ := parseName(name)
	a.stays[l.Stay] = append(a.stays[l.Stay], name)
	if l.Before != nil {
		a.claim(name, journalFile, *l.Before)
		if kind == journalFile && l.Before.Run < run {
			a.before[run] = l.Before.Run
		}
	}
	for _, m := range l.Evidence {
		a.claim(name, evidenceFile, m)
	}
	for _, m := range l.Clocks {
		a.claim(name, clockFile, m)
	}
	return nil
}

func (a *audit) claim(by string, kind fileKind, m fileMark) {
	a.claims = append(a.claims, claim{by, fileName(kind, m.Run, m.Part), m})
}

// judge says what is missing, and what proves that nothing else is.
func (a *audit) judge() {
	if a.headOK {
		a.stays[a.head.Stay] = append(a.stays[a.head.Stay], headName)
		if m := a.head.Journal; m != nil {
			a.claim(headName, journalFile, *m)
		}
		for _, m := range a.head.Clocks {
			a.claim(headName, clockFile, m)
		}
	}
	a.strangers()
	a.hold()
	a.gaps()
	a.counts()
	a.v.Whole = len(a.v.Missing) == 0 && a.v.State != Damaged
	last := max(a.last, a.head.Run)
	for run := last - min(last, maxRuns) + 1; run <= last; run++ {
		if slices.Contains(a.none, run) && run < last {
			continue
		}
		p := a.proof(run)
		a.v.Proof = append(a.v.Proof, p)
		a.v.Whole = a.v.Whole && p.Whole
	}
	if !a.v.Whole {
		a.v.worse(Unproven)
	}
}

// strangers names files that say they belong to another stay than most do.
func (a *audit) strangers() {
	own, most := uint64(0), 0
	for stay, names := range a.stays {
		if len(names) > most || len(names) == most && stay < own {
			own, most = stay, len(names)
		}
	}
	var others []string
	for stay, names := range a.stays {
		if stay != own {
			others = append(others, names...)
		}
	}
	slices.Sort(others)
	for _, name := range slices.Compact(others) {
		a.broke(name)
		a.v.miss("%s: a file of another stay is in its place", name)
	}
}

func (a *audit) broke(name string) {
	if _, run, _, ok := parseName(name); ok {
		a.broken[run] = true
	}
}

// hold holds each claim against the file; each file is named once.
func (a *audit) hold() {
	said := map[string]bool{}
	for _, c := range a.claims {
		what := a.failing(c)
		if what == "" {
			continue
		}
		a.broke(c.of)
		if !said[c.of] {
			said[c.of] = true
			a.v.miss("%s: %s, as %s records", c.of, what, c.by)
		}
	}
}

// failing says what is wrong with a claim, nothing where it holds.
func (a *audit) failing(c claim) string {
	if _, run, _, _ := parseName(c.of); a.elsewhere && run >= a.head.Run {
		return ""
	}
	f := a.files[c.of]
	if f == nil || f.size == 0 && f.chain == nil {
		if _, listed := a.s.files[c.of]; listed || a.s.gone[c.of] {
			return "" // cannot be read, which is said already, or was removed on purpose
		}
		return fmt.Sprintf("had %d blocks and is not there", c.mark.Blocks)
	}
	for _, d := range f.damage {
		if !d.Tail {
			return "" // said already
		}
	}
	end := f.chainEnd().blocks
	switch ok, _ := f.passes(c.mark); {
	case end < c.mark.Blocks:
		return fmt.Sprintf("ends after block %d, had %d", end, c.mark.Blocks)
	case !ok:
		return "is not the file that was there"
	}
	return ""
}

// gaps names the runs of which no journal is there, unless what came next says
// that there was none: nothing of such a run had become durable.
func (a *audit) gaps() {
	there := map[uint32]bool{}
	for name := range a.s.files {
		if kind, run, _, ok := parseName(name); ok && kind == journalFile {
			there[run] = true
		}
	}
	last := max(a.last, a.head.Run)
	before := uint32(0) // what the next run that says so has before it
	if a.headOK {
		before = a.head.Run
	}
	for run := last; run > 0 && last-run < maxRuns; run-- {
		if !there[run] && a.elsewhere && run >= a.head.Run {
			continue
		}
		if !there[run] && before < run && (before > 0 || run == a.last) {
			a.none = append(a.none, run)
		} else if !there[run] {
			a.broken[run] = true
			a.v.miss("run %d: its journal", run)
		}
		if b, ok := a.before[run]; ok {
			before = b
		} else if there[run] {
			before = 0
		}
	}
}

// maxRuns is how many runs are looked at, the latest.
const maxRuns = 1 << 20

// counts holds the events on file against those that were acknowledged.
func (a *audit) counts() {
	var stored, thinned uint64
	for _, b := range a.s.boots {
		stored += b.Usage.Stored
	}
	for _, t := range a.s.health.Thinned {
		thinned += t.N
	}
	if have := uint64(len(a.s.events)) + thinned; have < stored && len(a.v.Missing) == 0 && a.v.State != Damaged {
		a.v.miss("%d of %d events that were acknowledged", stored-have, stored)
	}
}

// proof says what proves a run whole.
func (a *audit) proof(run uint32) Proof {
	p := Proof{Run: run}
	next := uint32(0)
	for n, before := range a.before {
		if before == run {
			next = n
		}
	}
	switch {
	case a.broken[run]:
		p.By = "files of it are missing, damaged or exchanged"
	case next != 0:
		p.Whole, p.By = true, fmt.Sprintf("run %d records how it was left", next)
	case run < a.last:
		p.By = "it was written in format version 1, which records nothing that could prove it"
	case a.v.Running:
		p.Whole, p.By = true, "it is being written"
	default:
		p.Whole, p.By = a.lastProof(run)
	}
	return p
}

func (a *audit) lastProof(run uint32) (whole bool, by string) {
	name := ""
	for n := range a.s.files {
		if kind, r, _, ok := parseName(n); ok && kind == journalFile && r == run && n > name {
			name = n
		}
	}
	f := a.files[name]
	switch {
	case f == nil:
		return false, "its journal cannot be read"
	case len(a.stays) == 0:
		return false, "it was written in format version 1, which records nothing that could prove it"
	case !f.ended || len(f.damage) > 0:
		return false, fmt.Sprintf("it was cut off, and no later run has looked at it: up to block %d of %s everything is there; what came after, and whether a cut of the power or of copying ended it, cannot be told",
			f.chainEnd().blocks, name)
	case !a.headOK:
		return false, fmt.Sprintf("%s ends it in order; that there was no later run cannot be told without %s", name, headName)
	case a.head.Run == run && a.head.Journal == nil:
		return true, fmt.Sprintf("%s ends it in order", name)
	}
	return true, fmt.Sprintf("%s ends it in order, and %s records it as the last", name, headName)
}
