package main

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// job is one drive to score.
type job struct {
	drive.Case
	normal bool // no fault in it: what is found there counts as a false alarm
}

// seen is what one monitor said about one drive.
type seen struct {
	findings []detect.Finding
	accounts []detect.Account
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

func (p *plans) of(s *drive.Sim, vehicleName string) (*stream.Plan, error) {
	v, err := drive.VehicleByName(vehicleName)
	if err != nil {
		return nil, err
	}
	l := s.Layout()
	texts, names := l.DBC(v.Name)
	text := l.VehicleTOML(v, names)
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
}

func (f *fan) Sample(s *stream.Sample) {
	for _, m := range f.monitors {
		m.Sample(s)
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

// run drives the job once and returns, for each of the settings, what a
// monitor with them said.
func (j *job) run(p *plans, settings []detect.Settings) ([]seen, *drive.Truth, uint64, *drive.Layout, error) {
	s, err := drive.New(j.Scenario)
	if err != nil {
		return nil, nil, 0, nil, err
	}
	plan, err := p.of(s, j.Scenario.Vehicle)
	if err != nil {
		return nil, nil, 0, nil, fmt.Errorf("%s: %w", j.Name, err)
	}
	st, err := stream.New(plan)
	if err != nil {
		return nil, nil, 0, nil, fmt.Errorf("%s: %w", j.Name, err)
	}
	out := make([]seen, len(settings))
	var f fan
	for i := range settings {
		f.monitors = append(f.monitors, detect.New(settings[i], plan, &out[i]))
	}
	var frames uint64
	for {
		batch, ok := s.Next()
		if !ok {
			break
		}
		frames += uint64(len(batch))
		for i := range batch {
			st.Push(&batch[i], &f)
		}
	}
	st.Flush(&f)
	for _, m := range f.monitors {
		m.Flush()
	}
	return out, s.Truth(), frames, s.Layout(), nil
}
