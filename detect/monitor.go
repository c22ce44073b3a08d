package detect

import (
	"joltwatch/bus"
	"joltwatch/detect/calibrate"
	"joltwatch/stream"
)

// Out takes what a Monitor finds. What it is handed is its own to keep.
type Out interface {
	// Finding is one finding, with where it falls in the vehicle's history.
	Finding(*Finding, []Percentile)
	// Account is the running account of a drive: now and then, and once with
	// Ended set.
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

	detectors []detector
	samplers  []sampler
	noticers  []noticer
	beginners []beginner
	enders    []ender
	flushers  []flusher
	lines     *lines // nil where the vehicle gives more than two coarse speeds

	reported bus.Micros // when the account was last handed on
}

// New returns a Monitor for the vehicle of the plan.
func New(set Settings, plan *stream.Plan, out Out) *Monitor {
	m := &Monitor{set: set}
	m.scene = scene{set: &m.set, facts: &plan.Facts, out: &m.out}
	m.scene.seg = segment{set: &m.set.Drive, facts: &plan.Facts}
	m.scene.cmd.set, m.scene.cmd.learned.set = &m.set.Clutch, &m.set.Clutch
	m.scene.limits = m.set.coupling()
	m.out = emitter{out: out, scene: &m.scene}
	m.out.ledger.init(plan)
	m.out.history.init()
	m.scene.saysPartial = saysPartial(plan)
	for i, spec := range All {
		m.add(spec.make(&m.out.ledger.counts[i], plan))
	}
	m.watchLines(plan)
	return m
}

// watchLines has the releases and the clutch's state told by the lines of engine
// over road speed, where there is nothing better.
func (m *Monitor) watchLines(plan *stream.Plan) {
	for _, d := range m.detectors {
		if r, ok := d.(*releaseLag); ok {
			r.lines = newLines(&m.scene, r.counts, plan)
			m.lines = r.lines
		}
	}
	m.out.ledger.lockup.waits = m.lines != nil
}

// add puts a detector in the lists of what it takes.
func (m *Monitor) add(d detector) {
	m.detectors = append(m.detectors, d)
	if x, ok := d.(sampler); ok {
		m.samplers = append(m.samplers, x)
	}
	if x, ok := d.(noticer); ok {
		m.noticers = append(m.noticers, x)
	}
	if x, ok := d.(beginner); ok {
		m.beginners = append(m.beginners, x)
	}
	if x, ok := d.(ender); ok {
		m.enders = append(m.enders, x)
	}
	if x, ok := d.(flusher); ok {
		m.flushers = append(m.flushers, x)
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

// Sample takes one decoded value, before the rows that it leads to.
func (m *Monitor) Sample(s *stream.Sample) {
	m.scene.cmd.take(s)
	m.out.ledger.sample(s)
	m.scene.sample(s)
	for _, d := range m.samplers {
		d.sample(&m.scene, s)
	}
}

// Traffic says how many frames have come so far, mapped or not: a bus is not silent
// that carries others. A caller that does not say so has none.
func (m *Monitor) Traffic(frames uint64) { m.scene.traffic = frames }

// Row takes one row; rows come in time order.
func (m *Monitor) Row(r *stream.Row) {
	s := &m.scene
	if s.seg.expired(r.At) {
		m.endDrive(s.seg.heard)
		s.seg.inDrive, s.seg.running = false, false
	}
	began, ended, stopped := s.observe(r)
	x := &s.m
	x.stopped = stopped
	if ended {
		m.endDrive(s.seg.heard)
	}
	if began {
		m.out.ledger.begin(s.seg.drive, s.seg.start)
		m.reported = x.at
		for _, d := range m.beginners {
			d.begin(s)
		}
	}
	for _, d := range m.detectors {
		d.row(s, x)
	}
	if s.seg.inDrive {
		m.out.ledger.row(x, stopped)
		if every := m.set.Drive.AccountS; every > 0 && (x.at-m.reported).Seconds() >= every {
			m.reported = x.at
			m.out.account(x.at, r)
		}
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
	if m.scene.seg.inDrive {
		m.endDrive(m.scene.last)
		m.scene.seg.inDrive = false
	}
	for _, d := range m.flushers {
		d.flush(&m.scene)
	}
}

// endDrive closes what the detectors have under way.
func (m *Monitor) endDrive(at bus.Micros) {
	for _, d := range m.enders {
		d.end(&m.scene, at)
	}
	m.out.account(at, nil)
}

// History returns what the vehicle's own normal rests on, to be kept across
// drives. The bytes depend only on what was added.
func (m *Monitor) History() []byte {
	chain := m.scene.learn.Memory()
	m.out.history.chain = &chain
	if r := m.scene.report.mem; r != (reportMemory{}) {
		m.out.history.report = &r
	}
	if m.lines != nil {
		m.out.history.lines = m.lines.track.Memory()
	}
	return m.out.history.encode()
}

// LoadHistory takes up what an earlier Monitor's History returned; nothing is
// changed where there is an error. Empty input is no error.
func (m *Monitor) LoadHistory(b []byte) error {
	if err := m.out.history.decode(b); err != nil {
		return err
	}
	if m.lines != nil {
		m.lines.track.Recall(m.out.history.lines)
	}
	m.scene.report.load(m.out.history.report)
	if c := m.out.history.chain; c != nil {
		m.scene.learn.Load(*c)
		m.scene.trail.Calibrate(m.scene.learn.Chain(), m.scene.learn.Noise(0))
	}
	return nil
}

// CalibrationIn returns what a History holds of the vehicle's measuring chain;
// ok is false where it holds nothing of it.
func CalibrationIn(b []byte) (c calibrate.Summary, ok bool, err error) {
	var h history
	h.init()
	if err := h.decode(b); err != nil || h.chain == nil {
		return c, false, err
	}
	return h.chain.Summary(), true, nil
}

// KeepRatios puts the ratios that the stream has learned into the history.
func (m *Monitor) KeepRatios(r []stream.RatioMemory) { m.out.history.ratios = r }

// Ratios returns those that the history holds.
func (m *Monitor) Ratios() []stream.RatioMemory { return m.out.history.ratios }

// RatiosIn returns the ratios of the gears that a History holds, stable or not.
func RatiosIn(b []byte) ([]stream.LearnedRatio, error) {
	var h history
	h.init()
	if err := h.decode(b); err != nil {
		return nil, err
	}
	return stream.RatiosOf(h.ratios), nil
}

// emitter hands on findings and accounts.
type emitter struct {
	out     Out
	scene   *scene
	ledger  ledger
	history history
}

// finding hands one on; it belongs to the drive under way.
func (e *emitter) finding(f *Finding, percentiles []Percentile) {
	if f.Drive == 0 {
		f.Drive = e.scene.seg.drive
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

func (e *emitter) account(at bus.Micros, now *stream.Row) {
	if e.out != nil {
		e.out.Account(e.ledger.account(at, now))
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
