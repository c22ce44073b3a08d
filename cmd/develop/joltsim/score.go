package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"strings"
	"sync"
	"text/tabwriter"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
	"joltwatch/stream"
)

// scoreCmd measures the detectors against the truth of simulated drives.
type scoreCmd struct {
	Hours       float64 `default:"300" help:"Hours of normal driving besides the scenario library."`
	Tuning      bool    `help:"Use the tuning vehicles and seeds instead of the scoring ones: for choosing thresholds."`
	Sensitivity bool    `help:"Vary each threshold by 20 % either way as well, on a tenth of the hours."`
	Only        string  `help:"Only scenarios whose name contains this."`
	Notes       bool    `help:"List the first misses and false alarms of each row."`
	JSON        bool    `name:"json" help:"One object a row instead of the table."`
	Jobs        int     `help:"Drives at a time; as many as there are cores by default."`
}

// missedError says that aims were missed, which is no failure of the program.
type missedError int

func (e missedError) Error() string { return fmt.Sprintf("%d aims missed", int(e)) }

// ExitCode is that of work that is done, with something left to look at.
func (missedError) ExitCode() int { return 3 }

// Run drives everything and prints the table.
func (c *scoreCmd) Run() error {
	set := drive.Scoring
	if c.Tuning {
		set = drive.Tuning
	}
	jobs := c.jobs(set, c.Hours)
	if len(jobs) == 0 {
		return fmt.Errorf("score: no scenario's name contains %q", c.Only)
	}
	tallies, err := c.drive(jobs, []detect.Settings{detect.DefaultSettings()})
	if err != nil {
		return err
	}
	t := tallies[0]
	aims := aimsOf(t)
	if c.JSON {
		err = writeJSON(os.Stdout, t, aims)
	} else {
		err = writeTable(os.Stdout, t, aims, c.Notes)
	}
	if err != nil {
		return err
	}
	missed := 0
	for _, a := range aims {
		if !a.Met {
			missed++
		}
	}
	if c.Sensitivity {
		n, err := c.vary(set)
		if err != nil {
			return err
		}
		missed += n
	}
	if missed > 0 {
		return missedError(missed)
	}
	return nil
}

// normalKinds are the library's scenarios without a fault.
var normalKinds = map[string]bool{"town": true, "mixed": true, "hill-steep": true, "hill-slight": true, "second-gear": true,
	"neutral": true, "reverse": true, "towing": true, "ice": true, "cold": true, "keys": true, "downhill": true,
	"noise": true, "coarse": true, "slow-rate": true, "misaligned": true}

// jobs lists the library and so many hours of normal driving, shared out over
// the set's vehicles.
func (c *scoreCmd) jobs(set drive.Set, hours float64) []job {
	var jobs []job
	for _, x := range drive.Library(set) {
		if strings.Contains(x.Name, c.Only) {
			jobs = append(jobs, job{Case: x, normal: normalKinds[x.Kind]})
		}
	}
	const length = 0.5 // hours of each drive
	vehicles := set.Vehicles()
	for n := 0; float64(n)*length < hours; n++ {
		sc := drive.Normal(set, vehicles[n%len(vehicles)], n, length*3600)
		if strings.Contains(sc.Name, c.Only) {
			jobs = append(jobs, job{Case: drive.Case{Name: sc.Name, Kind: "normal", Scenario: sc}, normal: true})
		}
	}
	return jobs
}

// drive runs the jobs on all cores and returns one tally for each of the
// settings. The order of jobs, not of their ends, decides what is noted, so
// the result does not depend on the machine.
func (c *scoreCmd) drive(jobs []job, settings []detect.Settings) ([]*tally, error) {
	p, err := newPlans()
	if err != nil {
		return nil, err
	}
	defer p.close()
	workers := c.Jobs
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	results := make([][]*tally, len(jobs))
	errs := make([]error, len(jobs))
	next := make(chan int)
	var wg sync.WaitGroup
	for range workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range next {
				results[i], errs[i] = scoreJob(&jobs[i], p, settings)
			}
		}()
	}
	show := isTerminal(os.Stderr)
	for i := range jobs {
		next <- i
		if show {
			fmt.Fprintf(os.Stderr, "\r%d of %d drives ", i+1, len(jobs))
		}
	}
	close(next)
	wg.Wait()
	if show {
		fmt.Fprintln(os.Stderr)
	}
	total := make([]*tally, len(settings))
	for k := range total {
		total[k] = newTally()
	}
	for i := range jobs {
		if errs[i] != nil {
			return nil, errs[i]
		}
		for k := range total {
			total[k].add(results[i][k])
		}
	}
	return total, nil
}

func isTerminal(f *os.File) bool {
	s, err := f.Stat()
	return err == nil && s.Mode()&os.ModeCharDevice != 0
}

func scoreJob(j *job, p *plans, settings []detect.Settings) ([]*tally, error) {
	out, truth, frames, layout, err := j.run(p, settings)
	if err != nil {
		return nil, err
	}
	tallies := make([]*tally, len(settings))
	for k := range settings {
		tallies[k] = newTally()
		tallies[k].frames = frames
		match(tallies[k], j, truth, &out[k], &settings[k], layout)
	}
	return tallies, nil
}

// signalsOf tells what a layout's signals can carry: whether speeds come by
// request, the slowest period behind a lag, and whether any command or state
// of the clutch is mapped.
func signalsOf(l *drive.Layout) (dim bool, period bus.Micros, noCommand bool) {
	noCommand = true
	for _, m := range l.Messages {
		p := bus.Micros(m.PeriodMs) * 1000
		if l.Polled {
			p = bus.Micros(1e6 / l.PollHz)
		}
		for _, s := range m.Signals {
			if s.Unmapped {
				continue
			}
			switch s.Role {
			case stream.EngineSpeed, stream.TurbineSpeed:
				period = max(period, p)
			case stream.ClutchPressureCommand, stream.ClutchCommand, stream.LockupState:
				period = max(period, p)
				noCommand = false
			}
		}
	}
	return l.Polled, period, noCommand
}

// aim is one thing to reach.
type aim struct {
	What  string  `json:"aim"`
	Value float64 `json:"value"`
	Limit float64 `json:"limit"`
	// AtLeast is true where the value must not be below the limit.
	AtLeast bool `json:"at_least"`
	Met     bool `json:"met"`
	N       int  `json:"n"`
}

// aimsOf lists the aims and how they are met.
func aimsOf(t *tally) []aim {
	var out []aim
	least := func(what string, v, limit float64, n int) {
		out = append(out, aim{what, v, limit, true, n > 0 && v >= limit, n})
	}
	most := func(what string, v, limit float64, n int) {
		out = append(out, aim{what, v, limit, false, n > 0 && v <= limit, n})
	}
	late := t.row(rowLate)
	least("recall of late releases 0.15 s or more beyond the limit, %", 100*late.recall(), 99, late.truths)
	hours := int(t.normalHours)
	// A detector has several rows; its false alarms are one number.
	var detectors []string
	alarms := map[string]int{}
	for _, name := range rowNames {
		d, _, _ := strings.Cut(name, ":")
		if strings.HasPrefix(d, "lockup") {
			continue
		}
		if _, ok := alarms[d]; !ok {
			detectors = append(detectors, d)
		}
		alarms[d] += t.row(name).falseAlarms
	}
	for _, d := range detectors {
		most("false alarms per 100 h: "+d, t.per100h(alarms[d]), 1, hours)
	}
	var lags row
	lags.measures = map[string][]float64{}
	for _, name := range []string{rowLate, rowLateEdge, rowNormal} {
		r := t.row(name)
		lags.inside += r.inside
		lags.outside += r.outside
		lags.measures["lag"] = append(lags.measures["lag"], r.measures["lag beyond one period, s"]...)
	}
	most("lag error beyond one sample period, 95th percentile, s", lags.quantile("lag", 0.95), 0.020, len(lags.measures["lag"]))
	least("true lags inside the reported interval, %", 100*lags.coverage(), 95, lags.inside+lags.outside)
	lock := t.row(rowLockup)
	most("lockup fraction off, 95th percentile, points", lock.quantile("points", 0.95), 0.5, len(lock.measures["points"]))
	var slip row
	slip.measures = map[string][]float64{}
	for _, name := range []string{rowAsked, rowUnasked} {
		slip.measures["m"] = append(slip.measures["m"], t.row(name).measures["slip_mean_rpm"]...)
	}
	most("mean hill slip off, 95th percentile, rpm", slip.quantile("m", 0.95), 5, len(slip.measures["m"]))
	return out
}

// measureOrder fixes the order in which measures are shown.
var measureOrder = []string{"lag_s", "slip_mean_rpm", "points", "unknown_points", "engine_pulled_down_rpm", "lining_energy_j", "dip_depth_kpa",
	"slip_peak_rpm", "flare_rpm", "frequency_hz"}

func writeTable(w io.Writer, t *tally, aims []aim, notes bool) error {
	fmt.Fprintf(w, "%.0f h driven, %.0f h of them without a fault; %d frames\n\n", t.allHours, t.normalHours, t.frames)
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "detector\ttruths\thits\tmissed\tnot observable\tfalse /100 h\twrong in faults\tin interval\terror of\tmedian\t95 %\tworst\t")
	for _, name := range rowNames {
		r := t.row(name)
		if r.truths == 0 && r.falseAlarms == 0 && r.wrong == 0 {
			continue
		}
		inside := "-"
		if r.inside+r.outside > 0 {
			inside = fmt.Sprintf("%.1f %%", 100*r.coverage())
		}
		head := fmt.Sprintf("%s\t%d\t%d\t%d\t%d\t%.2f\t%d\t%s\t", name, r.truths, r.hits, r.misses, r.unobservable, t.per100h(r.falseAlarms), r.wrong, inside)
		shown := false
		for _, m := range measureOrder {
			if len(r.measures[m]) == 0 {
				continue
			}
			fmt.Fprintf(tw, "%s%s\t%.3f\t%.3f\t%.3f\t\n", head, m, r.quantile(m, 0.5), r.quantile(m, 0.95), r.quantile(m, 1))
			head, shown = "\t\t\t\t\t\t\t\t", true
		}
		if !shown {
			fmt.Fprintf(tw, "%s-\t\t\t\t\n", head)
		}
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w)
	tw = tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintln(tw, "aim\tvalue\tlimit\tn\t")
	for _, a := range aims {
		word, sign := "met", "at most"
		if a.AtLeast {
			sign = "at least"
		}
		if !a.Met {
			word = "MISSED"
		}
		fmt.Fprintf(tw, "%s\t%.3f\t%s %g\t%d\t%s\n", a.What, a.Value, sign, a.Limit, a.N, word)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	if notes {
		for _, name := range rowNames {
			for _, n := range t.row(name).notes {
				fmt.Fprintf(w, "%s: %s\n", name, n)
			}
		}
	}
	return nil
}

func writeJSON(w io.Writer, t *tally, aims []aim) error {
	e := json.NewEncoder(w)
	for _, name := range rowNames {
		r := t.row(name)
		errs := map[string][3]float64{}
		for _, m := range measureOrder {
			if len(r.measures[m]) > 0 {
				errs[m] = [3]float64{r.quantile(m, 0.5), r.quantile(m, 0.95), r.quantile(m, 1)}
			}
		}
		if err := e.Encode(map[string]any{"detector": name, "truths": r.truths, "hits": r.hits, "misses": r.misses, "not_observable": r.unobservable,
			"false_per_100h": t.per100h(r.falseAlarms), "wrong_in_faults": r.wrong, "in_interval": r.coverage(),
			"errors": errs}); err != nil {
			return err
		}
	}
	for _, a := range aims {
		if math.IsNaN(a.Value) {
			a.Value = 0
		}
		if err := e.Encode(a); err != nil {
			return err
		}
	}
	return nil
}
