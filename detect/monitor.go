package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/calibrate"
	"joltwatch/detect/chain"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// Out takes what a Monitor finds. What it is handed is its own to keep.
type Out interface {
	// Finding is one finding, with where it falls in the vehicle's history.
	Finding(*Finding, []Percentile)
	// Account is the running account of a drive: now and then, and with Ended set
	// once it is over. That of a drive which ended before the lines were known comes
	// again, with more told, and with what Account put into it when it ended.
	Account(*Account)
}

// Monitor runs all detectors over the samples and rows of one vehicle. It is
// incremental, keeps a constant amount and allocates nothing from row to row;
// findings and accounts are the exception. What it says depends only on the
// order of its input. It is not safe for use from several goroutines.
type Monitor struct {
	set   Settings
	scene scene
	out   emitter

	detectors  []detector
	samplers   [stream.NumRoles][]sampler // by the roles that they take
	taps       [stream.NumRoles + 1][]tap // by Sample.Set, nil where not yet known
	loose      []tap                      // of a frame of no set
	buses      *busFault
	noticers   []noticer
	beginners  []beginner
	enders     []ender
	flushers   []flusher
	accounters []accounter
	learners   []learner
	lines      *lines // nil where the vehicle gives more than two coarse speeds

	reported bus.Micros // when the account was last handed on
}

// New returns a Monitor for the vehicle of the plan.
func New(set Settings, plan *stream.Plan, out Out) *Monitor {
	m := &Monitor{set: set}
	m.scene = scene{Vehicle: state.New(set.state(), &plan.Facts), set: &m.set, out: &m.out, history: newHistory(), saysPartial: saysPartial(plan)}
	m.out = emitter{out: out, scene: &m.scene}
	m.out.ledger.init(plan)
	for i, spec := range All {
		m.add(spec.make(&m.out.ledger.counts[i], plan))
	}
	if onlyRoad(plan) {
		m.watchLines()
	}
	return m
}

// watchLines has the releases and the clutch's state told by the lines of engine
// over road speed, where there is nothing better.
func (m *Monitor) watchLines() {
	var release *releaseLag
	var times *lockup
	var slip *hillSlip
	for _, d := range m.detectors {
		switch d := d.(type) {
		case *releaseLag:
			release = d
		case *lockup:
			times = d
		case *hillSlip:
			slip = d
		}
	}
	m.lines = newLines(&m.scene, release, times, slip.counts)
	release.lines, times.waits = m.lines, true
	m.addSampler(m.lines)
}

// add puts a detector in the lists of what it takes.
func (m *Monitor) add(d detector) {
	m.detectors = append(m.detectors, d)
	if x, ok := d.(*busFault); ok {
		m.buses = x
	}
	if x, ok := d.(sampler); ok {
		m.addSampler(x)
	}
	take(&m.noticers, d)
	take(&m.beginners, d)
	take(&m.enders, d)
	take(&m.flushers, d)
	take(&m.accounters, d)
	take(&m.learners, d)
}

// take puts a detector in a list where it is one of those.
func take[T any](list *[]T, d detector) {
	if x, ok := d.(T); ok {
		*list = append(*list, x)
	}
}

func (m *Monitor) addSampler(x sampler) {
	for r := range m.samplers {
		if x.samples(stream.Role(r)) {
			m.samplers[r] = append(m.samplers[r], x)
		}
	}
}

// saysPartial reports whether the mapped clutch state can say partial: a single
// bit says engaged for a regulated clutch too.
func saysPartial(plan *stream.Plan) bool {
	for _, x := range plan.Messages {
		for _, g := range x.Signals {
			if g.Role != stream.LockupState {
				continue
			}
			if len(g.States) == 0 && g.Length > 1 {
				return true
			}
			for _, v := range g.States {
				if v == stream.LockupPartial {
					return true
				}
			}
		}
	}
	return false
}

// Samples takes the decoded values of a frame, before the rows that they lead to.
func (m *Monitor) Samples(of []stream.Sample) {
	if m.lines != nil && m.lines.jumped(of[0].At) {
		m.tellLines()
	}
	m.scene.Vehicle.Samples(of)
	m.buses.hear(&m.scene, &of[0])
	n := of[0].Set
	if int(n) >= len(m.taps) {
		n = 0
	}
	taps := m.taps[n]
	if taps == nil {
		taps = m.tap(n, of)
	}
	for i := range taps {
		t := &taps[i]
		t.by.sample(&m.scene, &of[t.at])
	}
}

// tap is who takes the sample at a place of a frame.
type tap struct {
	by sampler
	at int
}

// tap lists who takes which samples of a frame, and keeps the list of a set.
func (m *Monitor) tap(set uint8, of []stream.Sample) []tap {
	list := m.loose[:0]
	for i := range of {
		for _, d := range m.samplers[of[i].Role] {
			list = append(list, tap{d, i})
		}
	}
	m.loose = list
	if set > 0 {
		m.taps[set] = append([]tap{}, list...)
	}
	return list
}

// Traffic says how many frames have come so far, mapped or not: a bus is not silent
// that carries others. A caller that does not say so has none.
func (m *Monitor) Traffic(frames uint64) { m.scene.traffic = frames }

// Row takes one row; rows come in time order.
func (m *Monitor) Row(r *stream.Row) {
	s := &m.scene
	if s.Expired(r.At) {
		m.endDrive(s.Heard())
		s.EndDrive()
	}
	step := s.Observe(r)
	if step.Ended {
		m.endDrive(s.Heard())
	}
	if step.Began {
		m.beginDrive()
	}
	x := s.Now()
	for _, d := range m.detectors {
		d.row(s, x)
	}
	if s.InDrive() {
		m.out.ledger.row(x)
		if every := m.set.Drive.AccountS; every > 0 && (x.At-m.reported).Seconds() >= every {
			m.reported = x.At
			m.account(x.At, r)
		}
	}
}

// beginDrive begins a drive with the latest row.
func (m *Monitor) beginDrive() {
	s := &m.scene
	if m.lines != nil {
		m.lines.begin(s.Start())
	}
	m.out.ledger.begin(s.Drive(), s.Start())
	m.reported = s.Now().At
	for _, d := range m.beginners {
		d.begin(s)
	}
}

// Notice takes a notice or error frame.
func (m *Monitor) Notice(f *bus.Frame) {
	for _, d := range m.noticers {
		d.notice(&m.scene, f)
	}
}

// Flush ends the input: what is under way is finished and the account of the
// running drive closed.
func (m *Monitor) Flush() {
	if m.scene.InDrive() {
		m.endDrive(m.scene.Now().At)
		m.scene.EndDrive()
	}
	m.tellLines()
	for _, d := range m.flushers {
		d.flush(&m.scene)
	}
}

// tellLines tells all that the lines can say of what has come, of a drive that has ended
// with its account once more.
func (m *Monitor) tellLines() {
	if m.lines == nil {
		return
	}
	m.lines.flush()
	if last := m.lines.latest; last != nil {
		a := m.out.ledger.account(&m.scene, m.accounters, last.End, nil)
		a.Frames, a.BadLines, a.Dropped, a.Errors, a.Asking = last.Frames, last.BadLines, last.Dropped, last.Errors, last.Asking
		m.hand(a)
		m.lines.latest = nil
	}
}

// endDrive closes what the detectors have under way.
func (m *Monitor) endDrive(at bus.Micros) {
	for _, d := range m.enders {
		d.end(&m.scene, at)
	}
	a := m.account(at, nil)
	if a != nil && m.lines != nil && m.lines.waits {
		last := *a
		m.lines.latest = &last
	}
}

// History returns what the vehicle's own normal rests on, to be kept across
// drives. The bytes depend only on what was added.
func (m *Monitor) History() []byte {
	h := m.scene.history
	chain := m.scene.Calibration()
	h.Chain, h.Report, h.Levels = &chain, m.scene.Report().Memory(), m.scene.Levels()
	h.Overrun = m.scene.Trail().Overrun.Memory()
	h.OwnStarts = m.scene.ownStarts
	if m.lines != nil {
		h.Lines = m.lines.track.Memory()
	}
	for _, d := range m.learners {
		d.keep(h)
	}
	return h.encode()
}

// LoadHistory takes up what an earlier Monitor's History returned; nothing is
// changed where there is an error. Empty input is no error.
func (m *Monitor) LoadHistory(b []byte) error {
	h := m.scene.history
	if err := h.decode(b); err != nil {
		return err
	}
	if m.lines != nil {
		m.lines.track.Recall(h.Lines)
	}
	m.scene.Recall(h.Chain, h.Report, h.Levels)
	m.scene.Trail().Overrun.Recall(h.Overrun)
	m.scene.ownStarts = ownStarts{Stops: min(h.OwnStarts.Stops, ownKept), Own: min(h.OwnStarts.Own, ownKept)}
	for _, d := range m.learners {
		d.recall(h)
	}
	return nil
}

// CalibrationIn returns what a History holds of the vehicle's measuring chain;
// ok is false where it holds nothing of it.
func CalibrationIn(b []byte) (c calibrate.Summary, ok bool, err error) {
	h := newHistory()
	if err := h.decode(b); err != nil || h.Chain == nil {
		return c, false, err
	}
	return h.Chain.Summary(), true, nil
}

// Habits are how closely a vehicle keeps to where it lets go: by when the command falls,
// and by when the speeds part where no command is known; nil where there is none yet.
type Habits struct {
	Command *chain.Kept `json:"command,omitempty"`
	Speeds  *chain.Kept `json:"speeds,omitempty"`
}

// HabitsIn returns those that a History holds.
func HabitsIn(b []byte) (x Habits, err error) {
	h := newHistory()
	if err := h.decode(b); err != nil {
		return x, err
	}
	if k, ok := h.Releases.Kept(); ok {
		x.Command = &k
	}
	if k, ok := h.Separations.Kept(); ok {
		x.Speeds = &k
	}
	return x, nil
}

// KeepRatios puts the ratios that the stream has learned into the history.
func (m *Monitor) KeepRatios(r []stream.RatioMemory) { m.scene.history.Ratios = r }

// Ratios returns those that the history holds.
func (m *Monitor) Ratios() []stream.RatioMemory { return m.scene.history.Ratios }

// RatiosIn returns the ratios of the gears that a History holds, stable or not.
func RatiosIn(b []byte) ([]stream.LearnedRatio, error) {
	h := newHistory()
	if err := h.decode(b); err != nil {
		return nil, err
	}
	return stream.RatiosOf(h.Ratios), nil
}

// ClutchState returns what the clutch did in the latest row: "open",
// "partial", "closed", "coast" or "unknown". A review runs a Monitor over
// stored rows to draw it, so that it and the account mean the same.
func (m *Monitor) ClutchState() string { return m.scene.Now().State.String() }

// account hands on the account so far, nil where nobody takes it; now is the row that it
// ends with, nil where the drive has ended.
func (m *Monitor) account(at bus.Micros, now *stream.Row) *Account {
	if m.out.out == nil {
		return nil
	}
	a := m.out.ledger.account(&m.scene, m.accounters, at, now)
	m.hand(a)
	return a
}

// hand hands on an account, after those of earlier drives of which more is known now.
func (m *Monitor) hand(a *Account) {
	if m.lines != nil {
		m.lines.revised(m.out.out.Account)
	}
	m.out.out.Account(a)
}

// emitter hands on findings.
type emitter struct {
	out    Out
	scene  *scene
	ledger ledger
}

// finding hands one on; it belongs to the drive under way where it says no other.
func (e *emitter) finding(f *Finding, percentiles []Percentile) {
	if f.Drive == 0 {
		f.Drive = e.scene.Drive()
	}
	if f.MissingInputs == nil {
		f.MissingInputs = []string{}
	}
	if f.Instants == nil {
		f.Instants = []Instant{}
	}
	if e.out != nil {
		e.out.Finding(f, percentiles)
	}
}

// missingInputs lists the roles of those given that a row does not have.
func missingInputs(r *stream.Row, roles ...stream.Role) []string {
	list := []string{}
	for _, x := range roles {
		if !r.Has(x) {
			list = append(list, x.String())
		}
	}
	return list
}
