package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"sort"
	"strings"
	"text/tabwriter"

	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/cmd/develop/joltsim/elastic"
	"joltwatch/detect"
)

// scoreCmd measures the detectors against the truth of simulated drives.
type scoreCmd struct {
	Hours      float64 `default:"300" help:"Hours of normal driving besides the scenario library, shared out over the vehicles."`
	AskedHours float64 `default:"30" help:"Hours of normal driving of the cars of which nothing is known but two speeds."`
	driven
	Sensitivity bool `help:"Vary each threshold by 20 % either way as well, on a tenth of the hours."`
	Rows        bool `help:"Print the table of each class as well."`
	JSON        bool `name:"json" help:"One object an aim and row instead of the table."`
}

// driven are the flags of what is driven, and how its aims are judged.
type driven struct {
	Family int    `default:"0" enum:"0,1,2" help:"Only vehicles of this family, 1 or 2; both where 0."`
	Tuning bool   `help:"Use the tuning vehicles and seeds instead of the scoring ones: for choosing thresholds."`
	Only   string `help:"Only drives whose name contains this."`
	Notes  bool   `help:"List the first misses and what was told wrongly."`
	Jobs   int    `default:"2" help:"Drives at a time."`
	Known  string `placeholder:"FILE" help:"Fail only on aims that are missed by more than this record of earlier misses has."`
	Record string `placeholder:"FILE" help:"Write such a record."`
}

// set is what the vehicles and seeds are taken from.
func (d *driven) set() drive.Set {
	if d.Tuning {
		return drive.Tuning
	}
	return drive.Scoring
}

// missedError says that aims were missed, which is no failure of the program.
type missedError int

func (e missedError) Error() string { return fmt.Sprintf("%d aims missed", int(e)) }

// Run drives everything and prints the aims.
func (c *scoreCmd) Run() error {
	known, err := openKnown(c.Known)
	if err != nil {
		return err
	}
	jobs, err := c.jobs(c.set(), c.Hours)
	if err != nil {
		return err
	}
	if len(jobs) == 0 {
		return fmt.Errorf("score: no drive's name contains %q", c.Only)
	}
	scores, err := c.drive(jobs, []detect.Settings{detect.DefaultSettings()})
	if err != nil {
		return err
	}
	s := scores[0]
	list := s.aims()
	if c.JSON {
		err = writeJSON(os.Stdout, s, list)
	} else {
		err = writeScore(os.Stdout, s, list, c.Rows, c.Notes)
	}
	if err != nil {
		return err
	}
	if !c.Sensitivity || c.Known != "" || c.Record != "" {
		return judgeAims(list, known, c.Known, c.Record)
	}
	lost, err := c.vary(c.set())
	if err != nil {
		return err
	}
	if n := count(list, missed) + lost; n > 0 {
		return missedError(n)
	}
	return nil
}

func count(list []aim, v verdict) int {
	n := 0
	for i := range list {
		if list[i].Verdict == v {
			n++
		}
	}
	return n
}

// score holds the tally of each class of vehicle. A class is one vehicle: no
// two have the same signals, measuring chain and habits.
type score struct {
	classes []string
	of      map[string]*tally
}

func newScore() *score { return &score{of: map[string]*tally{}} }

func (s *score) class(name string) *tally {
	t := s.of[name]
	if t == nil {
		t = newTally()
		s.of[name] = t
		s.classes = append(s.classes, name)
	}
	return t
}

// all is everything together, for what is asked of the whole.
func (s *score) all() *tally {
	t := newTally()
	for _, name := range s.classes {
		t.add(s.of[name])
	}
	return t
}

// aims lists the aims of all classes, the worst class of each first, and that
// of the recall over all.
func (s *score) aims() []aim {
	var list []aim
	for _, name := range s.classes {
		list = append(list, aimsOf(name, s.of[name], 97)...)
	}
	if len(s.classes) > 1 {
		late := s.all().row(rowLate)
		a := &aims{class: "all classes"}
		a.share("late by 0.15 s beyond the limit or more, found, %", late.hits, late.truths, 99)
		list = append(list, a.list...)
	}
	sortAims(list)
	return list
}

// normalKinds are the first family's scenarios without a fault.
var normalKinds = map[string]bool{"town": true, "mixed": true, "hill-steep": true, "hill-slight": true, "second-gear": true,
	"neutral": true, "reverse": true, "towing": true, "ice": true, "cold": true, "keys": true, "downhill": true,
	"noise": true, "coarse": true, "slow-rate": true, "misaligned": true}

// length is that of a normal drive, h.
const length = 0.5

// jobs lists the libraries of both families and so many hours of normal
// driving, shared out over the set's vehicles.
func (c *scoreCmd) jobs(set drive.Set, hours float64) ([]job, error) {
	var jobs []job
	add := func(j job, err error) error {
		if err == nil && strings.Contains(j.name, c.Only) {
			jobs = append(jobs, j)
		}
		return err
	}
	first, second := set.Vehicles(), elastic.Vehicles(set)
	if c.Family == 1 {
		second = nil
	}
	if c.Family == 2 {
		first = nil
	} else {
		for _, x := range drive.Library(set) {
			if err := add(ofFirst(x, normalKinds[x.Kind])); err != nil {
				return nil, err
			}
		}
	}
	// One round of everything that can go wrong, and one more for each 60 h.
	for n := 0; n < 1+int(hours/60); n++ {
		for k := range second {
			for _, t := range elastic.Faulted(set, k, n) {
				if err := add(ofSecond(t)); err != nil {
					return nil, err
				}
			}
		}
	}
	if c.Family == 0 {
		list, err := askedJobs(set, c.AskedHours)
		if err != nil {
			return nil, err
		}
		for _, j := range list {
			if err := add(j, nil); err != nil {
				return nil, err
			}
		}
	}
	for n := 0; float64(n)*length < hours; n++ {
		k, round := n%(len(first)+len(second)), n/(len(first)+len(second))
		if k < len(first) {
			sc := drive.Normal(set, first[k], n, length*3600)
			if err := add(ofFirst(drive.Case{Name: sc.Name, Kind: "normal", Scenario: sc}, true)); err != nil {
				return nil, err
			}
			continue
		}
		if err := add(ofSecond(elastic.Normal(set, k-len(first), round, length*3600))); err != nil {
			return nil, err
		}
	}
	return jobs, nil
}

// drive runs the jobs and returns one score for each of the settings. The
// order of jobs, not of their ends, decides what is noted, so the result does
// not depend on the machine.
func (c *scoreCmd) drive(jobs []job, settings []detect.Settings) ([]*score, error) {
	p, err := newPlans()
	if err != nil {
		return nil, err
	}
	defer p.close()
	results := make([][]*tally, len(jobs))
	show := isTerminal(os.Stderr)
	err = each(len(jobs), c.Jobs, func(i int) (err error) {
		results[i], err = scoreJob(&jobs[i], p, settings)
		return err
	}, func(begun int) {
		if show {
			fmt.Fprintf(os.Stderr, "\r%d of %d drives ", begun, len(jobs))
		}
	})
	if show {
		fmt.Fprintln(os.Stderr)
	}
	if err != nil {
		return nil, err
	}
	scores := make([]*score, len(settings))
	for k := range scores {
		scores[k] = newScore()
	}
	for i := range jobs {
		for k := range scores {
			scores[k].class(jobs[i].vehicle).add(results[i][k])
		}
	}
	return scores, nil
}

func isTerminal(f *os.File) bool {
	s, err := f.Stat()
	return err == nil && s.Mode()&os.ModeCharDevice != 0
}

func scoreJob(j *job, p *plans, settings []detect.Settings) ([]*tally, error) {
	out, s, frames, err := j.run(p, settings)
	if err != nil {
		return nil, err
	}
	tallies := make([]*tally, len(settings))
	for k := range settings {
		tallies[k] = newTally()
		tallies[k].frames = frames
		match(tallies[k], j, s.Truth(), &out[k], &settings[k], s.Layout())
	}
	return tallies, nil
}

// measureOrder fixes the order in which measures are shown.
var measureOrder = []string{"lag_s", "slip_mean_rpm", "points", "unknown_points", "engine_pulled_down_rpm", "lining_energy_j", "dip_depth_kpa",
	"slip_peak_rpm", "flare_rpm", "frequency_hz"}

// writeScore prints the aims, each class apart and the worst first.
func writeScore(w io.Writer, s *score, list []aim, rows, notes bool) error {
	all := s.all()
	nMet, nOpen, nMissed := count(list, met), count(list, open), count(list, missed)
	fmt.Fprintf(w, "%.0f h driven, %.0f h of them without a fault; %d frames\n\n", all.allHours, all.normalHours, all.frames)
	if err := writeClasses(w, s, list); err != nil {
		return err
	}
	for _, x := range byAim(list) {
		if err := writeAim(w, x); err != nil {
			return err
		}
	}
	fmt.Fprintf(w, "\n%d aims met, %d open (the value meets the aim, and the chances were too few to show it), %d missed\n",
		nMet, nOpen, nMissed)
	for _, name := range s.classes {
		if rows {
			fmt.Fprintf(w, "\n%s\n", describeClass(name))
			if err := writeRows(w, s.of[name]); err != nil {
				return err
			}
		}
		if notes {
			writeNotes(w, s.of[name])
		}
	}
	return nil
}

// writeClasses prints a line of counts for each class, the one that misses most
// first.
func writeClasses(w io.Writer, s *score, list []aim) error {
	lost := map[string]int{}
	for i := range list {
		if list[i].Verdict == missed {
			lost[list[i].Class]++
		}
	}
	names := append([]string(nil), s.classes...)
	sort.SliceStable(names, func(i, j int) bool { return lost[names[i]] > lost[names[j]] })
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintln(tw, "class\tmissed aims\tlate\tdragging\tstalls\tlag inside\tlag off p95\tlockup\tasked slip\tshifts\tbus troubles\tfalse alarms\treleases observed\t")
	of := func(x, n int) string {
		if n == 0 {
			return "-"
		}
		return fmt.Sprintf("%d/%d", x, n)
	}
	for _, name := range names {
		t := s.of[name]
		cell := func(row string) string { return of(t.row(row).hits, t.row(row).truths) }
		lags, off := t.lags(), "-"
		if len(lags.measures[lagBeyond]) > 0 {
			off = fmt.Sprintf("%.3f s", lags.quantile(lagBeyond, 0.95))
		}
		held, open := t.row(rowStallHeld), t.row(rowStallOpen)
		falseAlarms := 0
		for _, r := range rowNames {
			falseAlarms += t.row(r).falseAlarms
		}
		fmt.Fprintf(tw, "%s\t%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%d in %.1f h\t%s\t\n", name, lost[name], cell(rowLate), cell(rowDrag),
			of(held.hits+open.hits, held.truths+open.truths), of(lags.inside, lags.inside+lags.outside), off, cell(rowLockup), cell(rowAsked),
			cell(rowShift), cell(rowTrouble), falseAlarms, t.normalHours, of(int(t.observable), int(t.opportunities)))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w)
	for _, name := range names {
		if what := describeClass(name); what != name {
			fmt.Fprintln(w, what)
		}
	}
	return nil
}

// writeAim prints one aim of all classes. Rates of which nothing was seen, and
// that the hours cannot show, are one line together.
func writeAim(w io.Writer, list []aim) error {
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintf(tw, "\n%s\tvalue\texact 95 %%\taim\tof\t\t\n", list[0].What)
	none, least, most := 0, math.Inf(1), 0.0
	for i := range list {
		x := &list[i]
		if !x.AtLeast && x.Value == 0 && x.Verdict == open {
			none, least, most = none+1, min(least, x.High), max(most, x.High)
			continue
		}
		fmt.Fprintln(tw, "  "+x.line())
	}
	if none > 0 {
		fmt.Fprintf(tw, "  %d classes\t0\tat most %.3g to %.3g\tat most %g\t\topen\t\n", none, least, most, list[0].Limit)
	}
	return tw.Flush()
}

// describeClass names a vehicle and says in a few words what it is.
func describeClass(name string) string {
	if v, err := elastic.ByName(name); err == nil {
		return name + " (" + v.What + ")"
	}
	return name
}

// writeRows prints a class's table.
func writeRows(w io.Writer, t *tally) error {
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "detector\ttruths\thits\tmissed\tnot observable\tfalse alarms\twrong in faults\tin interval\terror of\tmedian\t95 %\tworst\t")
	for _, name := range rowNames {
		r := t.row(name)
		if r.truths+r.unobservable+r.falseAlarms+r.wrong == 0 {
			continue
		}
		inside := "-"
		if n := r.inside + r.outside; n > 0 {
			inside = fmt.Sprintf("%.1f %%", 100*float64(r.inside)/float64(n))
		}
		head := fmt.Sprintf("%s\t%d\t%d\t%d\t%d\t%d\t%d\t%s\t", name, r.truths, r.hits, r.misses, r.unobservable, r.falseAlarms, r.wrong, inside)
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
	return tw.Flush()
}

func writeNotes(w io.Writer, t *tally) {
	for _, name := range rowNames {
		for _, n := range t.row(name).notes {
			fmt.Fprintf(w, "%s: %s\n", name, n)
		}
	}
}

func writeJSON(w io.Writer, s *score, list []aim) error {
	e := json.NewEncoder(w)
	for _, class := range s.classes {
		for _, name := range rowNames {
			r := s.of[class].row(name)
			errs := map[string][3]float64{}
			for _, m := range measureOrder {
				if len(r.measures[m]) > 0 {
					errs[m] = [3]float64{r.quantile(m, 0.5), r.quantile(m, 0.95), r.quantile(m, 1)}
				}
			}
			if err := e.Encode(map[string]any{"class": class, "detector": name, "truths": r.truths, "hits": r.hits, "misses": r.misses,
				"not_observable": r.unobservable, "false_alarms": r.falseAlarms, "wrong_in_faults": r.wrong, "inside": r.inside,
				"outside": r.outside, "errors": errs}); err != nil {
				return err
			}
		}
	}
	for _, a := range list {
		if math.IsNaN(a.Value) {
			a.Value = 0
		}
		if err := e.Encode(a); err != nil {
			return err
		}
	}
	return nil
}
