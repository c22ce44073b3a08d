package main

import (
	"context"
	"encoding/json"
	"errors"
	commandline "flag"
	"fmt"
	"hash/fnv"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream/vehicle"

	"github.com/rs/zerolog"
)

var (
	soakHours = commandline.Float64("soak.hours", 0.5, "driving hours of the simulated stay")
	soakKeys  = commandline.Int("soak.keys", 0, "key cycles of it; 0 for three in two hours, and six at least")
	soakSeed  = commandline.Uint64("soak.seed", 1, "one seed gives one stay")
	soakQuota = commandline.Float64("soak.quota", 0, "quota of the store in MiB; 0 for 0.1 a driving hour, and 1 at least")
	soakLog   = commandline.Bool("soak.log", false, "show what the program says")
)

const (
	// bootS is how long the board takes from power to the first frame heard,
	// restartS how long the service manager waits with a program that ended.
	bootS    = 8 * bus.Second
	restartS = 5 * bus.Second
	// recentS is how far back the test itself remembers frames.
	recentS = 150 * bus.Second
)

// TestSoak is a stay in a car, in accelerated time, through the real line:
// the simulated driving of a week with its key cycles and faults, on a board
// whose power is cut, at rest, while driving and in the middle of a write, and
// on a card that is full, read-only or failing at times.
func TestSoak(t *testing.T) {
	keys := *soakKeys
	if keys == 0 {
		keys = max(6, int(*soakHours*1.5))
	}
	began := time.Now()
	s := newSoak(t, *soakHours, keys, *soakSeed)
	for {
		frames, ok := s.sim.Next()
		if !ok {
			break
		}
		s.now += bus.Second
		s.second(frames)
		if t.Failed() && s.errors > 20 {
			t.Fatal("too much is wrong")
		}
	}
	s.finish()
	s.report(time.Since(began))
}

// soak is a stay that is being simulated.
type soak struct {
	t    *testing.T
	rng  *rand.Rand
	h    *host
	sim  *drive.Sim
	now  bus.Micros // on the clock of the simulation, like all instants here unless said
	dir  string
	card *card
	file *vehicle.File
	set  detect.Settings
	ids  map[uint32]bool // of mapped frames
	keys int
	// keyS is about how long the engine runs in one key cycle, in seconds.
	keyS float64

	// The power and the program. unit is nil while there is none.
	unit    *unit
	onAt    bus.Micros // when the program starts, 0 where it waits for the key
	boots   []*boot
	recent  []bus.Frame // mapped frames and notices, of this boot
	trouble string      // what the card suffers from
	unread  bool        // the stay was not looked at since the last cut

	cycle     int
	heard     bus.Micros // the last frame
	awakeS    int        // seconds since this cycle's first frame
	cutAtS    int
	inWrite   bool
	restDelay bus.Micros // from silence to the cut at rest

	wants []want
	truth tally

	cuts, cutsInWrite, cutsAtRest, refusedStarts int
	sleeps, writesAsleep, beatsAsleep            int
	asleepS                                      int
	restCalls                                    int // of the card, when it fell asleep
	resting                                      bool
	samples                                      []sample
	fdsBefore, fdsMost                           int
	reading                                      uint64 // bytes that reading the stay held at the end
	readingFor                                   time.Duration
	inPart                                       int
	errors                                       int
}

// tally is what of the truth is only counted.
type tally struct {
	drives []drive.DriveTruth
}

type sample struct {
	at   bus.Micros
	heap uint64
	fds  int
}

// unit is the program, running.
type unit struct {
	l    *line
	in   *input
	beat func() (time.Duration, error)
	next bus.Micros // when it beats
	boot *boot
}

// boot is one run of the program, and what it was seen to do.
type boot struct {
	id             string
	zero, from, to bus.Micros // power on; listening from, to
	ended          bool       // in order
	found          []found
	acked          int
	refused        bool // the card refused at some time
	refusing       bool // and did at the end
	tight          bool // the store came near its quota
	usage          storage.Usage
	clock          bus.Clock
	jumps          int
}

// found is one finding as it was handed to the store.
type found struct {
	at, start, end bus.Micros // on the clock of the boot
	kind, class    string
	alarm          bool // of a class that a technician would act on
	keep           bool
	event          int    // its number in the run once it is acknowledged
	finding        uint64 // hash of what was acknowledged
	frames         uint64 // hash of the frames from the look-back to to
	count          int    // how many they are, -1 where the test knows not all
	to             bus.Micros
}

func newSoak(t *testing.T, hours float64, keys int, seed uint64) *soak {
	sc, err := drive.Week("van", seed, hours, keys)
	if err != nil {
		t.Fatal(err)
	}
	s := &soak{t: t, rng: rand.New(rand.NewPCG(seed, 77)), keys: keys, keyS: hours * 3600 / float64(keys), set: detect.DefaultSettings()}
	if s.sim, err = drive.New(sc); err != nil {
		t.Fatal(err)
	}
	s.now = bus.Micros(sc.StartUnix) * bus.Second
	v, err := drive.VehicleByName(sc.Vehicle)
	if err != nil {
		t.Fatal(err)
	}
	top := t.TempDir()
	texts, names := s.sim.Layout().DBC(v.Name)
	for i, text := range texts {
		s.must(os.WriteFile(filepath.Join(top, names[i]), []byte(text), 0o600))
	}
	path := filepath.Join(top, "vehicle.toml")
	s.must(os.WriteFile(path, []byte(s.sim.Layout().VehicleTOML(v, names)), 0o600))
	if s.file, err = vehicle.Load(path, &s.set); err != nil {
		t.Fatal(err)
	}
	s.ids = map[uint32]bool{}
	for _, m := range s.file.Plan.Messages {
		s.ids[m.ID] = true
	}
	s.dir = filepath.Join(top, "stay")
	limbo := filepath.Join(top, "limbo")
	s.must(os.Mkdir(limbo, 0o700))
	s.card = newCard(s.dir, limbo, 1<<32, s.rng)
	var says io.Writer = io.Discard
	if *soakLog {
		says = os.Stderr
	}
	s.h = &host{ctx: context.Background(), stdout: io.Discard, log: zerolog.New(says).Level(zerolog.WarnLevel)}
	s.recent = make([]bus.Frame, 0, 1<<15)
	s.fdsBefore = descriptors(t)
	s.onAt = s.now
	return s
}

func (s *soak) must(err error) {
	if err != nil {
		s.t.Helper()
		s.t.Fatal(err)
	}
}

func (s *soak) errorf(format string, args ...any) {
	s.t.Helper()
	s.errors++
	s.t.Errorf("%s: %s", s.clock(s.now), fmt.Sprintf(format, args...))
}

// clock names an instant by day and time of the stay.
func (s *soak) clock(at bus.Micros) string {
	d := (at - s.sim.Truth().Start).Duration().Round(time.Second)
	return fmt.Sprintf("day %d %02d:%02d:%02d", 1+int(d.Hours())/24, int(d.Hours())%24, int(d.Minutes())%60, int(d.Seconds())%60)
}

// second passes one second.
func (s *soak) second(frames []bus.Frame) {
	if len(frames) > 0 {
		if s.heard == 0 || s.now-s.heard > 90*bus.Second {
			s.key()
		}
		s.heard = s.now
	}
	s.awakeS++
	s.power()
	s.suffer()
	for i := range frames {
		if s.unit == nil {
			break
		}
		s.hear(frames[i])
	}
	if s.unit != nil && s.now >= s.unit.next {
		s.heartbeat()
	}
	if s.unit == nil && s.onAt != 0 && s.now >= s.onAt {
		s.start()
	}
	if s.unit != nil && !s.unit.l.asleep && s.awakeS%max(60, int(s.keyS)*s.keys/240) == 0 {
		s.sample()
	}
	if s.awakeS%60 == 0 {
		s.harvest()
	}
	u := s.card.used()
	if u > s.quota()/2 {
		// What is removed may be of any run.
		for _, b := range s.boots {
			b.tight = true
		}
	}
	if u > s.quota() {
		s.errorf("the store takes %d bytes, its quota is %d", u, s.quota())
	}
}

func (s *soak) quota() int64 {
	q := *soakQuota
	if q == 0 {
		q = max(1, *soakHours/10)
	}
	return int64(q * (1 << 20))
}

// key begins a key cycle and plans what will go wrong in it.
func (s *soak) key() {
	s.cycle++
	s.awakeS = 0
	s.cutAtS, s.restDelay, s.inWrite = 0, 0, false
	// Two in three boards hang on the ignition: the power goes with the key,
	// some at once, some after a hold-up.
	if s.cycle%3 != 0 {
		s.restDelay = bus.Micros(2+s.rng.IntN(25)) * bus.Second
	}
	// In every other cycle a plug is loose, or the starter pulls the supply
	// down; half of those cuts fall into a write.
	if s.cycle%2 == 0 {
		s.cutAtS = int(s.keyS * (0.2 + 0.4*s.rng.Float64()))
		s.inWrite = s.cycle%4 == 0
	}
	if s.unit == nil && s.onAt == 0 {
		s.onAt = s.now + bootS
	}
}

// power cuts it.
func (s *soak) power() {
	if s.unit == nil {
		return
	}
	if s.cutAtS > 0 && s.awakeS == s.cutAtS {
		if s.inWrite {
			s.card.cutIn = 1 + s.rng.IntN(7)
			return
		}
		s.cuts++
		s.cut(s.now + bootS + bus.Micros(s.rng.IntN(5))*bus.Second)
		return
	}
	if s.restDelay > 0 && s.now-s.heard >= s.restDelay+5*bus.Second && !s.away() {
		s.cutsAtRest++
		s.cut(0)
	}
}

// away reports whether a fault keeps the bus silent now.
func (s *soak) away() bool {
	for _, in := range s.sim.Truth().Injected {
		if in.To == 0 && awayFault(in.Fault.Kind) {
			return true
		}
	}
	return false
}

func awayFault(kind string) bool { return kind == "down" || kind == "bus-off" || kind == "silent" }

// suffer lets the card fail from a quarter of the cycle on, one way in each.
func (s *soak) suffer() {
	at := float64(s.awakeS) / s.keyS
	if at < 0.15 || at > 0.5 {
		s.trouble = ""
		s.card.trouble, s.card.short, s.card.taken = nil, false, 0
		return
	}
	fails := func(name string, share float64, errno error, only string) {
		s.trouble = name
		s.card.trouble = func(op string) error {
			if (only == "" || op == only) && s.rng.Float64() < share {
				return errno
			}
			return nil
		}
	}
	switch s.cycle % 6 {
	case 1:
		if s.trouble == "" {
			s.trouble = "full"
			s.card.taken = s.card.capacity - s.card.used()
		}
	case 2:
		fails("read-only", 1, syscall.EROFS, "")
	case 3:
		fails("failing", 0.3, syscall.EIO, "")
		s.card.short = s.rng.IntN(2) == 0
	case 4:
		fails("failing syncs", 0.5, syscall.EIO, "fsync")
	case 5:
		fails("read-only", 1, syscall.EROFS, "")
		// The usual reason for it is a cut.
		if s.unit != nil && s.awakeS == int(0.3*s.keyS) {
			s.cuts++
			s.cut(s.now + bootS)
		}
	}
}

// start starts the program.
func (s *soak) start() {
	if s.unread {
		s.intact(false)
		s.unread = false
	}
	b := &boot{id: fmt.Sprintf("boot-%d", len(s.boots)+1), zero: s.now - bootS, from: s.now}
	// One board in three never learns the time, one has a clock of its own,
	// and one is told later.
	if len(s.boots)%3 == 1 {
		b.clock = bus.Clock{Known: true, Zero: b.zero}
	}
	in := &input{source: clockOf{b}, name: "the soak", boot: b.id, live: true,
		opened: s.now - b.zero, now: func() bus.Micros { return s.now - b.zero }}
	l, err := newLine(s.h, s.file.Plan, s.set)
	s.must(err)
	l.codes = &in.codes
	l.seen = func(f *detect.Finding) { s.found(b, f) }
	opt := storeOptions(s.h, s.file, "soak", in)
	opt.FS = s.card
	opt.Acknowledged = func(e *storage.Event) { s.acknowledged(b, e) }
	says := opt.Troubled
	opt.Troubled = func(x storage.Trouble) { b.refused = true; says(x) }
	opt.Quota = s.quota()
	if err := l.open(s.h, s.dir, opt); err != nil {
		// The program ends with an error; the service manager tries again.
		if s.trouble == "" && !s.card.dead {
			s.errorf("the store did not open: %v", err)
		}
		s.refusedStarts++
		if s.card.dead {
			s.must(s.card.powerCut())
		}
		if len(s.card.handles) > 0 || s.card.release != nil {
			s.errorf("%d files and the lock are left open by a store that did not open (%v)", len(s.card.handles), err)
			s.must(s.card.powerCut())
		}
		s.onAt = s.now + restartS
		return
	}
	s.unit = &unit{l: l, in: in, beat: l.beat(in), next: s.now, boot: b}
	s.boots = append(s.boots, b)
	s.recent = s.recent[:0]
	s.onAt, s.resting = 0, false
}

// clockOf is a source that only knows the time: frames come another way.
type clockOf struct{ b *boot }

func (c clockOf) Read([]bus.Frame) (int, error) { return 0, io.EOF }
func (c clockOf) Clock() bus.Clock              { return c.b.clock }
func (c clockOf) Close() error                  { return nil }

// hear gives the program a frame.
func (s *soak) hear(f bus.Frame) {
	u, b := s.unit, s.unit.boot
	if f.At < b.from {
		return
	}
	if s.resting && f.Kind != bus.Notice {
		s.wakeUp()
	}
	if f.Kind == bus.Notice && bus.NoticeCode(f.ID) == bus.NoticeClockJump {
		b.jumps++
		b.clock.Zero += bus.Micros(f.Count())
	}
	f.At -= b.zero
	// A frame is in the look-back when findings come of it; of a notice they
	// come before.
	told := f.Kind == bus.Notice || f.Kind == bus.Error
	if !told && s.ids[f.ID] {
		s.remember(&f)
	}
	if err := u.l.Push(&f); err != nil {
		s.errorf("the line ends with %v", err)
	}
	if told {
		s.remember(&f)
	}
	s.died()
}

// died handles a cut in the middle of a call of the card.
func (s *soak) died() {
	if s.card.dead {
		s.cutsInWrite++
		s.cut(s.now + bootS + bus.Second)
	}
}

func (s *soak) remember(f *bus.Frame) {
	if len(s.recent) == cap(s.recent) {
		i := 0
		for i < len(s.recent) && s.recent[i].At < f.At-recentS {
			i++
		}
		s.recent = append(s.recent[:0], s.recent[i:]...)
	}
	s.recent = append(s.recent, *f)
}

// heartbeat is what the pump does between the frames.
func (s *soak) heartbeat() {
	u := s.unit
	if len(s.boots)%3 == 2 && !u.boot.clock.Known && s.now-u.boot.from > 100*bus.Second && !u.l.asleep {
		u.boot.clock = bus.Clock{Known: true, Zero: u.boot.zero}
	}
	next, err := u.beat()
	if err != nil {
		s.errorf("the heartbeat ends with %v", err)
	}
	u.next = s.now + bus.Micros(next.Microseconds())
	if s.died(); s.unit == nil {
		return
	}
	switch {
	case u.l.asleep && !s.resting:
		s.resting = true
		s.sleeps++
		s.restCalls = s.card.calls
		if u.l.store.Health().Trouble != nil {
			s.restCalls = -1 // it still has something to write
		}
	case u.l.asleep:
		s.beatsAsleep++
		s.asleepS += int(next.Seconds())
	}
}

// wakeUp compares what the card was asked while the vehicle slept.
func (s *soak) wakeUp() {
	s.resting = false
	if s.restCalls >= 0 && s.card.calls != s.restCalls {
		s.writesAsleep += s.card.calls - s.restCalls
		s.errorf("%d writes while the vehicle slept", s.card.calls-s.restCalls)
	}
}

// cut takes the power away until then; 0 means until the key is turned.
func (s *soak) cut(until bus.Micros) {
	if s.resting {
		s.wakeUp()
	}
	b := s.unit.boot
	h := s.unit.l.store.Health()
	b.to, b.usage, b.refusing = s.now, h.Usage, h.Trouble != nil || h.Full
	b.refused = b.refused || h.Usage.Refused > 0
	s.must(s.card.powerCut())
	s.unit, s.onAt, s.resting, s.unread = nil, until, false, true
}

func (s *soak) finish() {
	s.harvest()
	s.card.trouble, s.card.taken, s.card.cutIn = nil, 0, 0
	if s.unit == nil {
		s.now += bootS
		s.start()
	}
	if s.unit == nil {
		s.t.Fatal("the program does not start after the stay")
	}
	b := s.unit.boot
	s.sample()
	if err := s.unit.l.Finish(); err != nil {
		s.errorf("at the end: %v", err)
	}
	b.to, b.ended, b.usage = s.now, true, s.unit.l.store.Health().Usage
	s.unit = nil
	if len(s.card.handles) > 0 || s.card.release != nil {
		s.errorf("%d files and the lock are open after the end", len(s.card.handles))
	}
	if n := descriptors(s.t); n > s.fdsBefore {
		s.errorf("%d descriptors open after the end, %d before the beginning", n, s.fdsBefore)
	}
}

// found notes a finding on its way to the store.
func (s *soak) found(b *boot, f *detect.Finding) {
	x := found{at: s.now - b.zero, start: f.Start, end: f.End, kind: f.Kind, class: f.Class.String(), alarm: !detect.Ordinary(f.Kind, f.Class), keep: f.Keep, count: -1}
	if f.Keep && len(s.recent) > 0 {
		from := f.Start - s.lookBack()
		if s.recent[0].At <= from || s.recent[0].At < b.from-b.zero+2*bus.Second {
			x.to = s.recent[len(s.recent)-1].At
			x.frames, x.count = hashFrames(s.recent, from, x.to)
		}
	}
	b.found = append(b.found, x)
}

func (s *soak) lookBack() bus.Micros {
	if s.file.Store.LookBackS > 0 {
		return seconds(s.file.Store.LookBackS)
	}
	return storage.DefaultLookBack
}

// acknowledged notes that the store has promised to keep an event.
func (s *soak) acknowledged(b *boot, e *storage.Event) {
	var run, n int
	if _, err := fmt.Sscanf(e.ID, "%d-%d", &run, &n); err != nil {
		s.errorf("event %q acknowledged", e.ID)
		return
	}
	for i := len(b.found) - 1; i >= 0; i-- {
		x := &b.found[i]
		if x.event == 0 && x.kind == e.Finding.Kind && x.start == e.Finding.Start && x.end == e.Finding.End {
			b.acked++
			x.event, x.finding = n, hashFinding(&e.Finding)
			return
		}
	}
	s.errorf("event %s acknowledged, which was not found, or twice", e.ID)
}

func hashFinding(f *detect.Finding) uint64 {
	h := fnv.New64a()
	err := json.NewEncoder(h).Encode(f)
	if err != nil {
		panic(err) // findings that were stored can be encoded
	}
	fmt.Fprint(h, f.Start, f.End)
	return h.Sum64()
}

// hashFrames is of the frames of [from, to], and their number.
func hashFrames(frames []bus.Frame, from, to bus.Micros) (uint64, int) {
	h := fnv.New64a()
	var line []byte
	n := 0
	for i := range frames {
		if f := &frames[i]; f.At >= from && f.At <= to {
			line = fmt.Appendf(line[:0], "%d %x %d %d %d %x\n", f.At, f.ID, f.Kind, f.Bus, f.Len, f.Data[:f.Len])
			h.Write(line) //nolint:errcheck // never fails
			n++
		}
	}
	return h.Sum64(), n
}

// sample looks at memory and descriptors.
func (s *soak) sample() {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	own := uint64(len(s.wants)) * 64
	for _, b := range s.boots {
		own += uint64(cap(b.found)) * 136 // what the test itself remembers
	}
	fds := descriptors(s.t)
	s.fdsMost = max(s.fdsMost, fds)
	s.samples = append(s.samples, sample{s.now, m.HeapAlloc - own, fds})
}

// descriptors counts the open ones of this process.
func descriptors(t *testing.T) int {
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return 0
		}
		t.Fatal(err)
	}
	return len(list) - 1 // one is the reading's own
}
