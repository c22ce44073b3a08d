package storage

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"time"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
)

// Store is what is on file, as it was when it was read; it is used from one
// goroutine. A store that a run is
// writing to can be read at any time.
type Store struct {
	fs       FS
	unpacker *unpacker
	boots    []Boot
	events   []Event
	accounts []Account
	history  []byte
	health   Health
	clocks   map[string]bus.Clock // by the boot's identifier
	files    map[string]int64
	// gone are evidence files that were removed on purpose.
	gone map[string]bool
	// held is the evidence file that was read last.
	held     string
	heldData []byte
	// heads is filled when the frames of a run are first asked for.
	heads map[uint32][]spanAt
}

// Boot is one run of the program.
type Boot struct {
	// Number counts the runs of the store from 1, in their order.
	Number uint32
	// ID is the identifier of the boot (Options.Boot); runs of the same boot
	// share their clock.
	ID      string
	Program string
	Label   string
	// Clock says what wall time was at instant 0, as far as it ever became
	// known in this boot.
	Clock bus.Clock
	// Plan and Settings are what the run decoded with; Plan is nil where it
	// could not be read.
	Plan     *stream.Plan
	Settings []byte
	// AccountEvery is that of the Options.
	AccountEvery bus.Micros
	LookBack     bus.Micros
	LookOn       bus.Micros
	Quota        int64
	FreeFloor    int64
	// Ended is true where the run ended in order, not by a cut.
	Ended  bool
	Usage  Usage
	Repair Repair
	// Asking is how asking stood when that last changed.
	Asking Asking
}

// Event is a finding on file.
type Event struct {
	ID string
	// Boot is the number of the run.
	Boot        uint32
	Clock       bus.Clock
	Finding     detect.Finding
	Percentiles []detect.Percentile
	// From and To bound the frames that were to be kept; equal where none
	// were. What came of them is in Evidence, and in what Store.Evidence
	// returns.
	From, To bus.Micros
	Evidence EvidenceState

	number int // within its run, from 1
	parts  []uint32
	lacks  bool // some of its frames, which were not removed on purpose
}

func (e *Event) record() eventRecord {
	return eventRecord{
		N: e.number, Start: e.Finding.Start, End: e.Finding.End, From: e.From, To: e.To,
		State: e.Evidence, Parts: e.parts, Finding: e.Finding, Percentiles: e.Percentiles,
	}
}

// Wall returns the wall time of an instant of the event's boot; ok is false
// where it never became known.
func (e *Event) Wall(at bus.Micros) (t time.Time, ok bool) { return wall(e.Clock, at) }

func wall(c bus.Clock, at bus.Micros) (time.Time, bool) {
	if !c.Known {
		return time.Time{}, false
	}
	return time.UnixMicro(int64(c.Zero + at)).UTC(), true
}

// Account is the latest account of one drive.
type Account struct {
	Boot  uint32
	Clock bus.Clock
	detect.Account
}

// Health is what reading the journals has shown; Verify looks at everything.
type Health struct {
	// Damage is what could not be read of the journals.
	Damage []Damage
	// Repairs are what the runs put right when they began.
	Repairs []Repair
	// Cut counts the runs that did not end in order, without one that is
	// still going on.
	Cut int
	// Running is true while a run writes to the store.
	Running bool
	// Usage is the sum over all runs, DrivingS the engine-on seconds of all
	// accounts.
	Usage    Usage
	DrivingS float64
	// DroppedFiles and DroppedBytes count the evidence removed to make room.
	DroppedFiles int
	DroppedBytes int64
	// Thinned are the ordinary repeats of which only counts are kept.
	Thinned []Thinned
	// Troubles are what kept the store from storing.
	Troubles []Trouble
	// Lost is what could not be stored at all, nil where nothing was.
	Lost *Lost
}

// Read reads the store in dir. The error is a NewerError where a later version
// of the program has written to it; damage is no error, see Health.
func Read(dir string) (*Store, error) { return readFS(dir, OS(dir)) }

func readFS(dir string, fsys FS) (*Store, error) {
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
	s := &Store{fs: fsys, unpacker: u, files: map[string]int64{}, heads: map[uint32][]spanAt{}}
	if l, ok := fsys.(interface{ locked() bool }); ok {
		s.health.Running = l.locked()
	}
	l := &loader{s: s, delivered: map[string]bool{}}
	for _, f := range files {
		if isDelivered(f.Name()) {
			l.delivered[f.Name()] = true
		}
	}
	for _, f := range sorted(files) {
		s.files[f.Name()] = f.Size()
		if err := l.file(f.Name()); err != nil {
			return nil, err
		}
	}
	l.finish()
	return s, nil
}

// sorted puts the files of the store into the order of runs and parts and
// leaves out what is not the store's.
func sorted(files []fs.FileInfo) []fs.FileInfo {
	type named struct {
		fs.FileInfo
		kind      fileKind
		run, part uint32
	}
	var list []named
	for _, f := range files {
		if kind, run, part, ok := parseName(f.Name()); ok && f.Mode().IsRegular() {
			list = append(list, named{f, kind, run, part})
		}
	}
	slices.SortFunc(list, func(a, b named) int {
		for _, d := range []int64{int64(a.run) - int64(b.run), int64(a.kind) - int64(b.kind), int64(a.part) - int64(b.part)} {
			if d != 0 {
				return int(max(-1, min(1, d)))
			}
		}
		return 0
	})
	out := make([]fs.FileInfo, len(list))
	for i := range list {
		out[i] = list[i].FileInfo
	}
	return out
}

// loader fills a Store from its journals.
type loader struct {
	s         *Store
	outside   []clockRecord // from clock files
	dropped   map[string]bool
	delivered map[string]bool // files that say so
	seen      map[string]int  // events by ID
	drives    map[driveKey]int
	// at is the block that is being read. held is the account that was read last,
	// and heldAt its block: it is taken in once another of its drive can no
	// longer replace it.
	at, heldAt block
	held       *rec
}

// driveKey tells drives apart: by run, and where a recording is replayed by that,
// in which drives keep their numbers: a later run goes on where an earlier one
// was interrupted.
type driveKey struct {
	run       uint32
	recording string
	drive     int
}

func (l *loader) file(name string) error {
	kind, run, _, _ := parseName(name)
	if kind == evidenceFile {
		return nil
	}
	data, err := l.s.fs.ReadFile(name)
	if refusal(err) || errors.Is(err, errOversize) {
		l.s.health.Damage = append(l.s.health.Damage, unreadable(name, l.s.files[name], err))
		return nil
	}
	if err != nil {
		return err
	}
	p, err := parseFile(name, data)
	if err != nil {
		return err
	}
	l.s.health.Damage = append(l.s.health.Damage, p.damage...)
	var b *Boot
	if kind == journalFile {
		b = l.boot(run)
		if p.headerOK {
			b.ID = p.header.boot
		}
	}
	records := recReader{u: l.s.unpacker}
	unsound := func(k block, err error) {
		if err != nil {
			l.s.health.Damage = append(l.s.health.Damage, Damage{File: name, Offset: k.offset, Length: int64(blockHead + len(k.payload)), What: err.Error()})
		}
	}
	for _, k := range p.blocks {
		unsound(k, l.block(&records, b, k))
	}
	unsound(l.heldAt, l.release(b))
	return nil
}

func (l *loader) boot(run uint32) *Boot {
	if n := len(l.s.boots); n > 0 && l.s.boots[n-1].Number == run {
		return &l.s.boots[n-1]
	}
	l.s.boots = append(l.s.boots, Boot{Number: run})
	return &l.s.boots[len(l.s.boots)-1]
}

// block takes in the records of one block; b is nil in clock files.
func (l *loader) block(records *recReader, b *Boot, k block) error {
	l.at = k
	list, err := records.read(k)
	for i := range list {
		if e := l.record(b, &list[i]); e != nil {
			err = e // the others may be sound
		}
	}
	return err
}

func (l *loader) record(b *Boot, k *rec) error {
	read := k.into
	if b == nil {
		return l.clockFile(k)
	}
	b.Ended = false
	switch k.typ {
	case blockRun:
		var r runRecord
		if err := read(&r); err != nil {
			return err
		}
		b.begin(&r)
	case blockPlan:
		plan := &stream.Plan{}
		if err := read(plan); err != nil {
			return err
		}
		b.Plan = plan
	case blockSettings:
		b.Settings = k.text
	case blockClock:
		var c clockRecord
		if err := read(&c); err != nil {
			return err
		}
		b.Clock = c.Clock
	case blockAccount:
		return l.account(b, k)
	case blockEvent:
		r, err := k.event(b.Number)
		if err != nil {
			return fmt.Errorf("event: %w", err)
		}
		l.event(b, &r)
	case blockHistory:
		l.s.history = k.text
	case blockDropped:
		var r droppedRecord
		if err := read(&r); err != nil {
			return err
		}
		l.drop(&r)
	case blockThinned:
		var r thinnedRecord
		if err := read(&r); err != nil {
			return err
		}
		l.s.health.Thinned = addThinned(l.s.health.Thinned, r.Groups)
	case blockRepair:
		var r Repair
		if err := read(&r); err != nil {
			return err
		}
		b.Repair = r
		if !r.Empty() {
			l.s.health.Repairs = append(l.s.health.Repairs, r)
		}
	case blockUsage:
		return read(&b.Usage)
	case blockTrouble:
		var t Trouble
		if err := read(&t); err != nil {
			return err
		}
		l.s.health.Troubles = append(l.s.health.Troubles, t)
	case blockAsking:
		b.Asking = Asking{}
		return read(&b.Asking)
	case blockEnd:
		b.Ended = true
	}
	return nil
}

// clockFile takes in a record of a clock file.
func (l *loader) clockFile(k *rec) error {
	if k.typ != blockClock {
		return nil
	}
	var c clockRecord
	if err := k.into(&c); err != nil {
		return err
	}
	l.outside = append(l.outside, c)
	return nil
}

// begin takes in how the run began.
func (b *Boot) begin(r *runRecord) {
	b.Program, b.Label, b.AccountEvery = r.Program, r.Label, r.AccountEvery
	b.LookBack, b.LookOn, b.Quota, b.FreeFloor = r.LookBack, r.LookOn, r.Quota, r.FreeFloor
	if r.Clock != nil {
		b.Clock = *r.Clock
	}
}

// into reads a record that is JSON.
func (x *rec) into(v any) error {
	if err := json.Unmarshal(x.text, v); err != nil {
		return fmt.Errorf("record of type %d: %w", x.typ, err)
	}
	return nil
}

// account holds an account, in place of one of the same drive before it.
func (l *loader) account(b *Boot, x *rec) error {
	if x.old {
		return nil
	}
	var err error
	if l.held != nil && !x.replaces(l.held.drive) {
		err = l.release(b)
	}
	held := *x
	l.held, l.heldAt = &held, l.at
	return err
}

// release takes in the account that is held.
func (l *loader) release(b *Boot) error {
	if l.held == nil {
		return nil
	}
	a := Account{Boot: b.Number}
	err := l.held.into(&a.Account)
	l.held = nil
	if err != nil {
		return err
	}
	key := driveKey{run: b.Number, drive: a.Drive}
	if strings.HasPrefix(b.ID, "recording-") {
		key = driveKey{recording: b.ID, drive: a.Drive}
	}
	if i, ok := l.drives[key]; ok {
		l.s.accounts[i] = a
		return nil
	}
	if l.drives == nil {
		l.drives = map[driveKey]int{}
	}
	l.drives[key] = len(l.s.accounts)
	l.s.accounts = append(l.s.accounts, a)
	return nil
}

func (l *loader) event(b *Boot, r *eventRecord) {
	e := Event{
		ID: r.ID, Boot: b.Number, number: r.N, Finding: r.Finding, Percentiles: r.Percentiles,
		From: r.From, To: r.To, Evidence: r.State, parts: r.Parts,
	}
	e.Finding.Start, e.Finding.End = r.Start, r.End
	if l.seen == nil {
		l.seen = map[string]int{}
	}
	// Where the medium failed between writing and syncing, an event may be
	// on file twice.
	if i, ok := l.seen[r.ID]; ok {
		l.s.events[i] = e
		return
	}
	l.seen[r.ID] = len(l.s.events)
	l.s.events = append(l.s.events, e)
}

func (l *loader) drop(r *droppedRecord) {
	if l.dropped == nil {
		l.dropped = map[string]bool{}
	}
	for _, name := range r.Files {
		l.dropped[name] = true
	}
	l.s.health.DroppedFiles += len(r.Files)
	l.s.health.DroppedBytes += r.Bytes
}

func (l *loader) finish() {
	s := l.s
	l.clocks()
	l.lost()
	l.removed()
	for i := range s.boots {
		b := &s.boots[i]
		s.health.Usage.add(b.Usage)
		if !b.Ended && !(s.health.Running && i == len(s.boots)-1) {
			s.health.Cut++
		}
	}
	clock := map[uint32]bus.Clock{}
	for _, b := range s.boots {
		clock[b.Number] = b.Clock
	}
	for i := range s.accounts {
		a := &s.accounts[i]
		a.Clock = clock[a.Boot]
		s.health.DrivingS += a.EngineOnS
	}
	for i := range s.events {
		e := &s.events[i]
		e.Clock = clock[e.Boot]
		if e.Evidence != EvidenceKept {
			e.From, e.To = 0, 0
			continue
		}
		present, missing, dropped, delivered, lost := false, false, false, false, false
		for _, part := range e.parts {
			name := fileName(evidenceFile, e.Boot, part)
			_, ok := s.files[name]
			present = present || ok
			missing = missing || !ok
			dropped = dropped || l.dropped[name]
			delivered = delivered || l.delivered[deliveredName(name)]
			lost = lost || !ok && !s.gone[name]
		}
		switch {
		case present && missing:
			e.Evidence, e.lacks = EvidenceInPart, lost
			continue
		case present:
			continue
		case dropped:
			e.Evidence = EvidenceNoRoom
		case delivered:
			e.Evidence = EvidenceDelivered
		default:
			e.Evidence = EvidenceLost
		}
		e.From, e.To = 0, 0
	}
}

// removed gathers the evidence files that are gone on purpose.
func (l *loader) removed() {
	l.s.gone = map[string]bool{}
	for name := range l.dropped {
		l.s.gone[name] = true
	}
	for name := range l.delivered {
		l.s.gone[strings.TrimSuffix(name, deliveredSuffix)+fileSuffix[evidenceFile]] = true
	}
}

// lost takes from the head what could not be stored; where that is not there or
// says less, the accounts of the runs count.
func (l *loader) lost() {
	if data, err := l.s.fs.ReadFile(headName); err == nil {
		if h, ok := parseHead(data); ok {
			l.s.health.Lost = h.Lost
		}
	}
	var counted Lost
	for _, b := range l.s.boots {
		if n := b.Usage.NotStored; n > 0 {
			if counted.Events == 0 {
				counted.FromRun = b.Number
			}
			counted.Events += n
			counted.ToRun = b.Number
		}
	}
	if h := l.s.health.Lost; counted.Events > 0 && (h == nil || h.Events < counted.Events) {
		l.s.health.Lost = &counted
	}
}

// clocks gives every run of a boot the clock that became known last in any of
// them; what was told from outside counts where the boot never knew itself.
func (l *loader) clocks() {
	known := map[string]bus.Clock{}
	for _, c := range l.outside {
		known[c.Boot] = c.Clock
	}
	for _, b := range l.s.boots {
		if b.Clock.Known {
			known[b.ID] = b.Clock
		}
	}
	for i := range l.s.boots {
		b := &l.s.boots[i]
		if c, ok := known[b.ID]; ok {
			b.Clock = c
		}
	}
	l.s.clocks = known
}

// Clock returns the clock of a boot, also of one in which nothing was recorded
// yet; it is not Known where nobody told it.
func (s *Store) Clock(boot string) bus.Clock { return s.clocks[boot] }

// Boots returns the runs in order.
func (s *Store) Boots() []Boot { return s.boots }

// Events returns the events in the order in which they were found.
func (s *Store) Events() []Event { return s.events }

// Accounts returns the latest account of each drive, in order.
func (s *Store) Accounts() []Account { return s.accounts }

// History returns what the detectors had learned, nil where nothing.
func (s *Store) History() []byte { return s.history }

// Health returns what reading has shown.
func (s *Store) Health() Health { return s.health }
