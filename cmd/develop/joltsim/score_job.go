package main

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/cmd/develop/joltsim/elastic"
	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"

	"golang.org/x/sync/errgroup"
)

// simulation is a drive in progress, of either family.
type simulation interface {
	Next() ([]bus.Frame, bool)
	Truth() *drive.Truth
	Layout() *drive.Layout
}

// job is one drive to score.
type job struct {
	name, vehicle string
	family        int
	idleRPM       float64
	normal        bool    // no fault in it: what is found there counts as a false alarm
	rate          float64 // factor on the periods of the layout; 0 means 1
	seed          uint64
	stops         bool     // made of stops like those that are late
	follows       bool     // the clutch's state on the bus is what the plates do, not what they are told
	before        *learned // what is known of the vehicle already, or nil
	open          func() (simulation, error)
	// files returns definition files, their names and the vehicle file.
	files func(*drive.Layout) (texts, names []string, toml string)
}

// ofFirst makes a job of a case of the first family.
func ofFirst(x drive.Case, normal bool) (job, error) {
	v, err := drive.VehicleByName(x.Scenario.Vehicle)
	if err != nil {
		return job{}, err
	}
	return job{name: x.Name, vehicle: v.Name, family: 1, idleRPM: v.IdleRPM, normal: normal, rate: x.Scenario.RateFactor, seed: x.Scenario.Seed,
		open: func() (simulation, error) { return drive.New(x.Scenario) },
		files: func(l *drive.Layout) ([]string, []string, string) {
			texts, names := l.DBC(v.Name)
			return texts, names, l.VehicleTOML(v, names)
		}}, nil
}

// ofSecond makes a job of a trip of the second family.
func ofSecond(t *elastic.Trip) (job, error) {
	v, err := elastic.ByName(t.Vehicle)
	if err != nil {
		return job{}, err
	}
	return job{name: t.Name, vehicle: v.Name, family: 2, idleRPM: v.Engine.IdleRPM, normal: t.Normal, seed: t.Seed, follows: v.Sensing.Report == elastic.ReportTrue,
		open: func() (simulation, error) { return elastic.New(t) }, files: v.Files}, nil
}

// seen is what one monitor said about one drive.
type seen struct {
	findings []detect.Finding
	accounts []detect.Account
	// commands and rises are what the accounts said in turn of the command's self-tests.
	commands, rises commandsAt
}

// commandsAt is in how many changes of the command up to each instant a later one would
// have been told.
type commandsAt []commandAt

type commandAt struct {
	at    bus.Micros
	later uint64
}

func (c *commandsAt) add(a *detect.Account, t detect.CommandTrials) {
	*c = append(*c, commandAt{a.End, t.Later1S})
}

// observed reports whether it was said of a change of the command.
func (c commandsAt) observed(at bus.Micros) bool {
	until := func(at bus.Micros) (n uint64) {
		for _, x := range c {
			if x.at > at {
				break
			}
			n = x.later
		}
		return n
	}
	return until(at+afterTrialS) > until(at)
}

// Finding keeps a copy: the monitor may use its slices again.
func (s *seen) Finding(f *detect.Finding, _ []detect.Percentile) {
	c := *f
	c.Measures = append([]detect.Measure(nil), f.Measures...)
	c.Instants = append([]detect.Instant(nil), f.Instants...)
	c.MissingInputs = append([]string(nil), f.MissingInputs...)
	s.findings = append(s.findings, c)
}

// Account keeps the latest of each drive.
func (s *seen) Account(a *detect.Account) {
	c := *a
	c.Opportunities = append([]detect.Opportunity(nil), a.Opportunities...)
	c.Bands, c.Roles = nil, nil
	s.commands.add(a, a.CommandTrials)
	s.rises.add(a, a.RiseTrials)
	for i := range s.accounts {
		if s.accounts[i].Drive == c.Drive {
			s.accounts[i] = c
			return
		}
	}
	s.accounts = append(s.accounts, c)
}

// plans makes each layout's plan once, by the same files that a user would
// have.
type plans struct {
	mu   sync.Mutex
	dir  string
	done map[string]*stream.Plan
}

func newPlans() (*plans, error) {
	dir, err := os.MkdirTemp("", "joltsim")
	return &plans{dir: dir, done: map[string]*stream.Plan{}}, err
}

func (p *plans) close() { os.RemoveAll(p.dir) }

func (p *plans) of(j *job, l *drive.Layout) (*stream.Plan, error) {
	texts, names, text := j.files(l)
	p.mu.Lock()
	defer p.mu.Unlock()
	key := text
	for _, t := range texts {
		key += t
	}
	if plan := p.done[key]; plan != nil {
		return plan, nil
	}
	dir := filepath.Join(p.dir, fmt.Sprint(len(p.done)))
	if err := os.Mkdir(dir, 0o700); err != nil {
		return nil, err
	}
	for i, t := range texts {
		if err := os.WriteFile(filepath.Join(dir, names[i]), []byte(t), 0o600); err != nil {
			return nil, err
		}
	}
	var none struct{}
	f, err := vehicle.Parse(filepath.Join(dir, "vehicle.toml"), []byte(text), &none)
	if err != nil {
		return nil, err
	}
	p.done[key] = f.Plan
	return f.Plan, nil
}

// fan gives every monitor what the one stream says: the drive is simulated,
// decoded and aligned once for all settings.
type fan struct {
	monitors []*detect.Monitor
	frames   uint64 // so far, mapped or not
}

func (f *fan) Samples(of []stream.Sample) {
	for _, m := range f.monitors {
		m.Traffic(f.frames)
		m.Samples(of)
	}
}

func (f *fan) Row(r *stream.Row) {
	for _, m := range f.monitors {
		m.Row(r)
	}
}

func (f *fan) Frame(b *bus.Frame) {
	if b.Kind != bus.Notice && b.Kind != bus.Error {
		return
	}
	for _, m := range f.monitors {
		m.Notice(b)
	}
}

// each does n things, so many at once, and tells begun how many have begun. The error
// is that of the first of them that has one, in their order.
func each(n, atOnce int, do func(i int) error, begun func(n int)) error {
	errs := make([]error, n)
	var g errgroup.Group
	g.SetLimit(max(1, atOnce))
	for i := range n {
		g.Go(func() error {
			errs[i] = do(i)
			return nil
		})
		begun(i + 1)
	}
	g.Wait()
	return cmp.Or(errs...)
}

// run drives the job once and returns, for each of the settings, what a
// monitor with them said.
func (j *job) run(p *plans, settings []detect.Settings) ([]seen, simulation, uint64, error) {
	_, out, s, n, err := j.watch(p, settings)
	return out, s, n, err
}

// watch is the same and returns the monitors as well.
func (j *job) watch(p *plans, settings []detect.Settings) ([]*detect.Monitor, []seen, simulation, uint64, error) {
	fail := func(err error) ([]*detect.Monitor, []seen, simulation, uint64, error) {
		return nil, nil, nil, 0, fmt.Errorf("%s: %w", j.name, err)
	}
	s, err := j.open()
	if err != nil {
		return fail(err)
	}
	plan, err := p.of(j, s.Layout())
	if err != nil {
		return fail(err)
	}
	st, err := stream.New(plan)
	if err != nil {
		return fail(err)
	}
	var known []byte
	if j.before != nil {
		if known, err = j.before.history(p); err != nil {
			return fail(err)
		}
	}
	out := make([]seen, len(settings))
	var f fan
	for i := range settings {
		m := detect.New(settings[i], plan, &out[i])
		if err := m.LoadHistory(known); err != nil {
			return fail(err)
		}
		f.monitors = append(f.monitors, m)
	}
	for {
		batch, ok := s.Next()
		if !ok {
			break
		}
		for i := range batch {
			f.frames++
			st.Push(&batch[i], &f)
		}
	}
	st.Flush(&f)
	for _, m := range f.monitors {
		m.Flush()
	}
	return f.monitors, out, s, f.frames, nil
}
