package detect

import (
	"math"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Out takes what a Monitor finds. What it is handed is its own to keep.
type Out interface {
	// Finding is called once for each finding, when it is complete.
	Finding(*Finding, []Place)
	// Account is called now and then while a drive goes on, and at its end.
	Account(*Account)
}

// accountEvery is how often the running account is handed out.
const accountEvery = 10 * bus.Second

// Monitor computes what the detectors share, once for each row, and runs them.
type Monitor struct {
	set  Settings
	plan *stream.Plan
	out  Out

	command commandTrack
	now     moment
	prev    bus.Micros
	begun   bool
	segment segment
	clutch  clutchState
	account accounting
	release releaseLag
	hill    hillSlip
	handed  bus.Micros
}

// moment is one row and what is shared about it.
type moment struct {
	row *stream.Row
	// dt is the time since the row before, 0 after a gap, in seconds.
	dt float64
	// slip is engine minus turbine speed, rpm; known says whether it is.
	slip  float64
	known bool
	// tol is the half-width of slip where the turbine's is derived, rpm.
	tol float64
	// command: +1 the clutch is told to be on, -1 told to be open, 0 unknown.
	command int8
	state   State
}

// New returns a Monitor that reports to out.
func New(set Settings, plan *stream.Plan, out Out) *Monitor {
	m := &Monitor{set: set, plan: plan, out: out}
	m.command.init(set.Clutch, plan)
	m.release.init()
	m.account.init(plan)
	return m
}

// Sample takes a sample; samples come before the rows that they lead to.
func (m *Monitor) Sample(s *stream.Sample) {
	m.command.sample(s)
	m.account.sample(s)
}

// Notice takes a notice or an error frame.
func (m *Monitor) Notice(*bus.Frame) {}

// maxGapS: rows further apart than this do not belong together.
const maxGapS = 1.0

// Row takes the next row.
func (m *Monitor) Row(r *stream.Row) {
	n := &m.now
	*n = moment{row: r}
	if m.begun {
		n.dt = (r.At - m.prev).Seconds()
		if n.dt > maxGapS || n.dt < 0 {
			if n.dt > endAfterGapS {
				m.endDrive(m.prev)
			}
			n.dt = 0
			m.clutch.forget()
			m.release.forget(m)
			m.hill.forget(m)
		}
	}
	m.begun, m.prev = true, r.At
	if r.Has(stream.EngineSpeed, stream.TurbineSpeed) {
		n.slip, n.known = r.V[stream.EngineSpeed]-r.V[stream.TurbineSpeed], true
		n.tol = r.Tol[stream.TurbineSpeed]
	}
	m.command.advance(r.At)
	n.command = m.command.now
	m.segment.row(m)
	n.state = m.clutch.row(m)
	if m.segment.on {
		m.account.row(m)
		m.release.row(m)
		m.hill.row(m)
		if r.At-m.handed >= accountEvery {
			m.handAccount(false, r.At)
		}
	}
}

// Flush ends the running drive.
func (m *Monitor) Flush() { m.endDrive(m.prev) }

func (m *Monitor) endDrive(at bus.Micros) {
	if !m.segment.on {
		return
	}
	m.release.forget(m)
	m.hill.forget(m)
	m.handAccount(true, at)
	m.segment.end()
	m.account.reset()
}

func (m *Monitor) handAccount(ended bool, at bus.Micros) {
	a := m.account.snapshot(m)
	a.End, a.Ended = at, ended
	m.handed = at
	m.out.Account(a)
}

// History returns what this vehicle's own normal is so far; LoadHistory takes
// it up again.
func (m *Monitor) History() []byte          { return nil }
func (m *Monitor) LoadHistory([]byte) error { return nil }

func (m *Monitor) emit(f *Finding) {
	f.Drive = m.segment.drive
	m.account.hit(f)
	m.out.Finding(f, nil)
}

// context is the vehicle's state in a row.
func (m *Monitor) context(r *stream.Row) Context {
	c := Context{SinceStartS: round((r.At - m.segment.from).Seconds(), 0.1)}
	at := func(role stream.Role, step float64) *float64 {
		if !r.Has(role) {
			return nil
		}
		v := round(r.V[role], step)
		return &v
	}
	c.Gear = at(stream.Gear, 1)
	c.SpeedKmh = at(stream.VehicleSpeed, 0.1)
	c.FluidTemperatureC = at(stream.FluidTemperature, 0.1)
	c.AcceleratorPct = at(stream.Accelerator, 0.1)
	return c
}

func round(v, step float64) float64 {
	if step >= 1 {
		return math.Round(v/step) * step
	}
	inv := math.Round(1 / step)
	return math.Round(v*inv) / inv
}

// lacking names the roles of the list that the plan does not map.
func (m *Monitor) lacking(roles ...stream.Role) []string {
	out := []string{}
	for _, r := range roles {
		if len(m.plan.Sources[r.String()]) == 0 {
			out = append(out, r.String())
		}
	}
	return out
}
