package main

import (
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
	"text/tabwriter"

	"joltwatch/bus"
	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/cmd/develop/joltsim/elastic"
	"joltwatch/detect"
	"joltwatch/storage/review"
	"joltwatch/storage/review/stats"
	"joltwatch/stream"
)

// causeOrder is the order of the confusion table.
var causeOrder = []drive.Cause{drive.CausePlates, drive.CauseOil, drive.CauseValve, drive.CauseCommand, drive.CauseIdle, drive.CauseOneWay,
	drive.CauseLining, drive.CauseGearset, drive.CauseArtefact}

// causeOfFault is what a technician would look for behind a fault that is not of
// a release.
var causeOfFault = map[string]drive.Cause{"idle-stall": drive.CauseIdle, "die": drive.CauseIdle, "one-way": drive.CauseOneWay,
	"unasked-slip": drive.CauseLining, "slip": drive.CauseLining, "gearset-slip": drive.CauseGearset, "gearset": drive.CauseGearset,
	"stuck": drive.CauseArtefact, "freeze": drive.CauseArtefact}

// confusion counts, for one class of vehicle, what the review said of findings
// whose cause is known.
type confusion struct {
	of map[drive.Cause]*confused
	// tells are the causes that the signals of the class can tell.
	tells map[drive.Cause]bool
	// falls and rises are the commands to let go, in stops, and to close.
	falls, rises decisions
	notes        []string
}

// decisions count the commands that came late on purpose and those that did not.
type decisions struct{ late, sound decided }

// decided are so many commands, of how many the self-test said that a later one would have
// been told, how many were told as late, and of how many both is so.
type decided struct{ of, observed, told, both int }

func (d *decisions) add(o *decisions) {
	d.late.add(&o.late)
	d.sound.add(&o.sound)
}

func (d *decided) add(o *decided) {
	d.of, d.observed, d.told, d.both = d.of+o.of, d.observed+o.observed, d.told+o.told, d.both+o.both
}

type confused struct {
	injected, found int
	firstTwo        int
	// first counts the first candidate where something speaks for it alone, open
	// the tables without one, named those with one.
	first map[review.CandidateKey]int
	open  int
	named int
}

func newConfusion() *confusion {
	return &confusion{of: map[drive.Cause]*confused{}, tells: map[drive.Cause]bool{}}
}

func (c *confusion) cause(x drive.Cause) *confused {
	if c.of[x] == nil {
		c.of[x] = &confused{first: map[review.CandidateKey]int{}}
	}
	return c.of[x]
}

func (c *confusion) add(o *confusion) {
	for x, b := range o.of {
		a := c.cause(x)
		a.injected += b.injected
		a.found += b.found
		a.firstTwo += b.firstTwo
		a.open += b.open
		a.named += b.named
		for k, n := range b.first {
			a.first[k] += n
		}
	}
	for x := range o.tells {
		c.tells[x] = true
	}
	c.falls.add(&o.falls)
	c.rises.add(&o.rises)
	c.notes = append(c.notes, o.notes...)
}

// tellable lists the causes that a layout has the signals for. A state that follows
// the plates is no command: plates that stay together and a command that comes late
// look alike.
func tellable(l *drive.Layout, follows bool) map[drive.Cause]bool {
	has := map[stream.Role]bool{}
	for i := range l.Messages {
		for _, s := range l.Messages[i].Signals {
			if !s.Unmapped {
				has[s.Role] = true
			}
		}
	}
	command := has[stream.ClutchPressureCommand] || has[stream.ClutchCommand]
	turbine := has[stream.TurbineSpeed]
	speeds := has[stream.EngineSpeed] && (turbine || has[stream.OutputSpeed] && has[stream.Gear])
	pressure := command && has[stream.ClutchPressure]
	return map[drive.Cause]bool{
		drive.CausePlates: pressure, drive.CauseOil: pressure, drive.CauseValve: pressure,
		drive.CauseCommand: command || has[stream.LockupState] && !follows, drive.CauseIdle: speeds && has[stream.EngineTorque], drive.CauseOneWay: speeds && has[stream.EngineTorque],
		drive.CauseLining: command && turbine, drive.CauseGearset: speeds && turbine && has[stream.OutputSpeed] && has[stream.Gear],
		drive.CauseArtefact: speeds,
	}
}

// causesCmd measures what the review says of findings whose cause is known.
type causesCmd struct {
	Rounds int `default:"1" help:"Rounds of drives; each draws its own."`
	driven
}

// Run drives everything and prints the tables and the aims.
func (c *causesCmd) Run() error {
	known, err := openKnown(c.Known)
	if err != nil {
		return err
	}
	jobs, err := c.jobs(c.set())
	if err != nil {
		return err
	}
	if len(jobs) == 0 {
		return fmt.Errorf("causes: in %d rounds no drive's name contains %q", c.Rounds, c.Only)
	}
	classes, err := c.confuse(jobs)
	if err != nil {
		return err
	}
	if err := writeConfusion(os.Stdout, classes, c.Notes); err != nil {
		return err
	}
	var list []aim
	for _, name := range slices.Sorted(maps.Keys(classes)) {
		list = append(list, causeAims(name, classes[name])...)
	}
	sortAims(list)
	for _, x := range byAim(list) {
		if err := writeAim(os.Stdout, x); err != nil {
			return err
		}
	}
	return judgeAims(list, known, c.Known, c.Record)
}

// jobs are the drives of known cause of both families.
func (c *causesCmd) jobs(set drive.Set) ([]job, error) {
	var jobs []job
	for n := range c.Rounds {
		if c.Family != 2 {
			for _, x := range drive.Causes(set, n) {
				j, err := ofFirst(x, false)
				if err != nil {
					return nil, err
				}
				jobs = append(jobs, j)
			}
		}
		if c.Family != 1 {
			for _, t := range elastic.Causes(set, n) {
				j, err := ofSecond(t)
				if err != nil {
					return nil, err
				}
				jobs = append(jobs, j)
			}
		}
	}
	return slices.DeleteFunc(jobs, func(j job) bool { return !strings.Contains(j.name, c.Only) }), nil
}

// confuse drives them and returns the confusion of each class.
func (c *causesCmd) confuse(jobs []job) (map[string]*confusion, error) {
	p, err := newPlans()
	if err != nil {
		return nil, err
	}
	defer p.close()
	results := make([]*confusion, len(jobs))
	err = each(len(jobs), c.Jobs, func(i int) (err error) {
		results[i], err = confuseJob(&jobs[i], p)
		return err
	}, func(int) {})
	if err != nil {
		return nil, err
	}
	classes := map[string]*confusion{}
	for i := range jobs {
		if classes[jobs[i].vehicle] == nil {
			classes[jobs[i].vehicle] = newConfusion()
		}
		classes[jobs[i].vehicle].add(results[i])
	}
	return classes, nil
}

func confuseJob(j *job, p *plans) (*confusion, error) {
	set := detect.DefaultSettings()
	set.Drive.AccountS = accountEveryS
	out, s, _, err := j.run(p, []detect.Settings{set})
	if err != nil {
		return nil, err
	}
	c := newConfusion()
	for x, ok := range tellable(s.Layout(), j.follows) {
		if ok {
			c.tells[x] = true
		}
	}
	c.match(j, s.Truth(), out[0].findings, set.ReleaseLag.LimitS)
	c.commanded(j, s.Truth(), &out[0])
	return c, nil
}

// accountEveryS is how often the account comes, so that each fall of the command is
// told from the next, and afterTrialS how long after it the self-test is in it.
const (
	accountEveryS = 0.5
	afterTrialS   = 2 * bus.Second
)

// commanded holds what was said of the command's falls and rises against the truth.
func (c *confusion) commanded(j *job, t *drive.Truth, out *seen) {
	told := func(class detect.Class, kind string, at bus.Micros) bool {
		return slices.ContainsFunc(out.findings, func(f detect.Finding) bool {
			return f.Kind == kind && f.Class == class && f.Start <= at+bus.Second/2 && f.End >= at-bus.Second/2
		})
	}
	for i := range t.Releases {
		r := &t.Releases[i]
		switch {
		case r.Reason != "stop":
		case r.Cause == "":
			was := told(detect.LateCommand, detect.KindReleaseLag, r.Fell)
			if c.falls.sound.take(out.commands.observed(r.Fell), was); was {
				c.note(j, r.Fell, "a sound stop is told as commanded late")
			}
		case r.Cause == drive.CauseCommand:
			observed := out.commands.observed(r.Fell)
			was := alarmNear(out.findings, r.Fell-bus.Second/2, r.Fell+bus.Second, detect.KindReleaseLag) != nil
			if c.falls.late.take(observed, was); observed && !was {
				c.note(j, r.Fell, "late command, said as observed, not told")
			}
		}
	}
	for i := range t.Applies {
		x := &t.Applies[i]
		observed, was := out.rises.observed(x.Rise), told(detect.LateCommand, detect.KindApply, x.Rise)
		if x.LateS < lateApplyS {
			if c.rises.sound.take(observed, was); was {
				c.note(j, x.Rise, "a sound apply is told as commanded late")
			}
		} else if c.rises.late.take(observed, was); observed && !was {
			c.note(j, x.Rise, "late command to close, said as observed, not told")
		}
	}
}

// lateApplyS is from how much on a late command to close is one.
const lateApplyS = 0.9

func (d *decided) take(observed, told bool) {
	d.of++
	if observed {
		d.observed++
	}
	if told {
		d.told++
	}
	if observed && told {
		d.both++
	}
}

func (c *confusion) note(j *job, at bus.Micros, text string) {
	c.notes = append(c.notes, fmt.Sprintf("%s at %.1f s: %s", j.name, at.Seconds(), text))
}

// match goes through what was injected and looks at what was said of it.
func (c *confusion) match(j *job, t *drive.Truth, said []detect.Finding, limitS float64) {
	for i := range t.Releases {
		r := &t.Releases[i]
		if r.Cause == "" || r.Reason != "stop" || r.Cause != drive.CauseCommand && (r.Parted == 0 || r.LagS < limitS+edge) {
			continue
		}
		c.judge(j, r.Cause, alarmNear(said, r.Fell-bus.Second/2, max(r.Fell, r.Parted)+bus.Second, detect.KindReleaseLag), r.Fell)
	}
	for _, in := range t.Injected {
		cause, ok := causeOfFault[in.Fault.Kind]
		switch {
		case !ok:
		case cause == drive.CauseIdle || cause == drive.CauseOneWay:
			for _, st := range t.Stalls {
				if st.At >= in.From && (st.At <= in.To || in.To == 0) {
					c.judge(j, cause, alarmNear(said, st.At-2*bus.Second, st.At+2*bus.Second, detect.KindEngineDied, detect.KindReleaseLag), st.At)
				}
			}
		default:
			c.judge(j, cause, alarmNear(said, in.From, in.To, detect.KindHillSlip, detect.KindGearsetSlip), in.From)
		}
	}
}

// alarmNear is the most severe finding out of the ordinary of those kinds that
// overlaps the stretch; nil where there is none.
func alarmNear(said []detect.Finding, from, to bus.Micros, kinds ...string) *detect.Finding {
	var best *detect.Finding
	for i := range said {
		f := &said[i]
		if slices.Contains(kinds, f.Kind) && !detect.Ordinary(f.Kind, f.Class) && f.Start <= to && f.End >= from && (best == nil || f.Severity > best.Severity) {
			best = f
		}
	}
	return best
}

func (c *confusion) judge(j *job, cause drive.Cause, f *detect.Finding, at bus.Micros) {
	x := c.cause(cause)
	x.injected++
	if f == nil {
		return
	}
	w := review.WhyOf(f, review.Metric)
	if w == nil {
		return
	}
	x.found++
	for i := range w.Candidates[:min(2, len(w.Candidates))] {
		if w.Candidates[i].Key == review.CandidateKey(cause) {
			x.firstTwo++
		}
	}
	first := &w.Candidates[0]
	alone := first.Named() && !(len(w.Candidates) > 1 && w.Candidates[1].Named())
	if !alone {
		x.open++
	} else {
		x.named++
		x.first[first.Key]++
	}
	if first.Key != review.CandidateKey(cause) && (alone || c.tells[cause]) {
		c.notes = append(c.notes, fmt.Sprintf("%s at %.1f s: %s, said %s", j.name, at.Seconds(), describe(f), w.Says))
	}
}

// causeAims are those of a class: the right candidate among the first two and late
// commands found where the signals can tell, and none named where they cannot.
func causeAims(class string, c *confusion) []aim {
	a := &aims{class: class}
	two, n, named, blind := 0, 0, 0, 0
	for _, x := range causeOrder {
		y := c.of[x]
		switch {
		case y == nil:
		case c.tells[x]:
			two, n = two+y.firstTwo, n+y.found
		default:
			named, blind = named+y.named, blind+y.found
		}
	}
	a.share("right candidate among the first two, %", two, n, 90)
	if y := c.of[drive.CauseCommand]; y != nil && c.tells[drive.CauseCommand] {
		a.share("late commands found, %", y.found, y.injected, 90)
		a.share("late commands found where said as observed, %", c.falls.late.both, c.falls.late.observed, 90)
	}
	a.share("sound stops not told as commanded late, %", c.falls.sound.of-c.falls.sound.told, c.falls.sound.of, 99)
	a.share("late commands to close found where said as observed, %", c.rises.late.both, c.rises.late.observed, 90)
	a.share("sound applies not told as commanded late, %", c.rises.sound.of-c.rises.sound.told, c.rises.sound.of, 99)
	if blind > 0 {
		a.share("no part named where the facts are missing, %", blind-named, blind, 100)
	}
	return a.list
}

// writeConfusion prints a table for each class: what was injected, and what came
// first.
func writeConfusion(w io.Writer, classes map[string]*confusion, notes bool) error {
	fmt.Fprintf(w, "\nwhat was wrong (lines), and what the review put first (columns); * where the class lacks the signals to tell\n")
	for _, name := range slices.Sorted(maps.Keys(classes)) {
		c := classes[name]
		tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintf(tw, "\n%s\tdone\tfound\t", name)
		for _, k := range causeOrder {
			fmt.Fprintf(tw, "%s\t", k)
		}
		fmt.Fprintln(tw, "none\tfirst two\t")
		for _, x := range causeOrder {
			y := c.of[x]
			if y == nil {
				continue
			}
			mark := ""
			if !c.tells[x] {
				mark = "*"
			}
			fmt.Fprintf(tw, "%s%s\t%d\t%d\t", x, mark, y.injected, y.found)
			for _, k := range causeOrder {
				fmt.Fprintf(tw, "%s\t", dash(y.first[review.CandidateKey(k)]))
			}
			fmt.Fprintf(tw, "%s\t%s\t\n", dash(y.open), shareText(y.firstTwo, y.found))
		}
		if err := tw.Flush(); err != nil {
			return err
		}
		if y := c.of[drive.CauseCommand]; y != nil {
			fmt.Fprintf(w, "  a later command would have been told, it says: %d of %d late ones, %d of %d sound stops\n", c.falls.late.observed, y.injected, c.falls.sound.observed, c.falls.sound.of)
		}
		if y := &c.rises; y.late.of > 0 {
			fmt.Fprintf(w, "  commanded to close late: %d of %d told; a later command would have been told, it says: %d of them, %d of %d sound applies, of which %d are told as late\n",
				y.late.told, y.late.of, y.late.observed, y.sound.observed, y.sound.of, y.sound.told)
		}
		if notes {
			for _, n := range c.notes {
				fmt.Fprintln(w, "  "+n)
			}
		}
	}
	return nil
}

func dash(n int) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprint(n)
}

func shareText(n, of int) string {
	if of == 0 {
		return "-"
	}
	i := stats.Proportion(uint64(n), uint64(of))
	return fmt.Sprintf("%d/%d (%.0f-%.0f %%)", n, of, 100*i.Low, 100*i.High)
}
