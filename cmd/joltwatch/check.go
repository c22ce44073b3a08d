package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/proof"
	"joltwatch/stream/vehicle"
)

type checkCmd struct {
	Vehicle string  `placeholder:"FILE" help:"The vehicle file to check. Without it, --from a table of decoded values proposes which column is which role."`
	From    string  `placeholder:"LOG" help:"Check against a recording (a file or - for standard input) instead of the vehicle file's buses."`
	Store   string  `default:"." placeholder:"DIR" help:"Where the stay will be kept: its free room and speed are measured, and its clock is asked. Default: the current folder."`
	For     float64 `name:"for" default:"20" placeholder:"SECONDS" help:"How long to listen to a live bus without --drive. Default: ${default}."`
	Drive   bool    `help:"Guide a short drive: goes on until an apply, a shift and a stop were seen, or an interrupt. A passenger reads, never the driver."`
	Recipe  string  `placeholder:"FILE" help:"With --drive, a [recipe] table as joltbench recipe writes it: goes on until an interrupt, says of each release whether it was a try and counts them."`
	JSON    bool    `name:"json" help:"Print one JSON object."`
}

func (c *checkCmd) Help() string {
	return `Run it before leaving the unit in a vehicle. It says which roles decode, whether
they are plausible together, what each detector can tell with them and how
finely, and whether the board is fit for a stay. Exit code 3 means that
something needs attention. CAN interfaces are set up first, as by joltwatch
prepare, which takes root.

` + cautions
}

// report is all that a check found; it is what --json prints.
type report struct {
	Columns   []columnReport   `json:"columns,omitempty"`
	Vehicle   string           `json:"vehicle"`
	Seconds   float64          `json:"seconds"`
	Roles     []roleReport     `json:"roles"`
	Plausible []remark         `json:"plausibility"`
	Buses     []busReport      `json:"buses"`
	Asked     []askedReport    `json:"asked,omitempty"`
	Board     []remark         `json:"board"`
	Detectors []detect.Ability `json:"detectors"`
	Drive     []driveStep      `json:"drive"`
	Attention int              `json:"needs_attention"`
}

// remark is one thing looked at.
type remark struct {
	What string `json:"what"`
	OK   bool   `json:"ok"`
	Says string `json:"says"`
}

type roleReport struct {
	Role    string  `json:"role"`
	Source  string  `json:"source"`
	Unit    string  `json:"unit"`
	RateHz  float64 `json:"rate_hz"`
	Samples uint64  `json:"samples"`
	NotOK   uint64  `json:"not_ok"`
	Min     float64 `json:"min"`
	Max     float64 `json:"max"`
	OK      bool    `json:"ok"`
	Says    string  `json:"says"`
}

// driveStep is a part of the drive that has to be seen, unless these signals
// hide it.
type driveStep struct {
	Step   string `json:"step"`
	Seen   bool   `json:"seen"`
	Hidden bool   `json:"hidden"`
	Says   string `json:"says"`
}

func (c *checkCmd) Run(h *host) error {
	if c.Recipe != "" && !c.Drive {
		return cli.Usage("--recipe counts the tries of a drive; expected --drive beside it")
	}
	settings := detect.DefaultSettings()
	file, found, err := c.load(h, &settings)
	if err != nil {
		return err
	}
	if c.Recipe != "" {
		if err := vehicle.AddRecipe(file, c.Recipe, &settings); err != nil {
			return err
		}
	}
	ready := map[string]error{}
	if c.From == "" {
		ready = setUp(file)
	}
	in, err := openInput(h, file, c.From, true)
	if err != nil {
		return err
	}
	defer in.Close()
	k, err := newChecker(h, file, settings)
	if err != nil {
		return err
	}
	k.asking = in.asking
	k.asking.hurry()
	if err := c.listen(h, k, in, file); err != nil {
		return err
	}
	r := k.report(file, in, c, ready)
	r.Columns = found
	if !c.JSON {
		r.print(h.stdout)
	} else if err := json.NewEncoder(h.stdout).Encode(r); err != nil {
		return err
	}
	if r.Attention > 0 {
		what := "things need"
		if r.Attention == 1 {
			what = "thing needs"
		}
		return cli.Attention(fmt.Errorf("%d %s attention before the unit is left in the vehicle", r.Attention, what))
	}
	return nil
}

// listen carries what comes to the checker until enough was heard or it is
// interrupted, and guides the drive.
func (c *checkCmd) listen(h *host, k *checker, in *input, file *vehicle.File) error {
	guide := io.Discard
	if !c.JSON {
		guide = h.stdout
	}
	started := time.Now()
	switch {
	case c.Drive:
		fmt.Fprintln(guide, driveRecipe)
		k.guide(guide, file)
	case in.live:
		fmt.Fprintf(guide, "listening for %g s\n", c.For)
	}
	enough := func() bool {
		if c.Drive {
			return k.driven() && !k.tries.wanted()
		}
		return time.Since(started).Seconds() >= c.For
	}
	silent := false
	p := h.progress(in)
	err := pump(h.ctx, in, k.push, func() (time.Duration, error) {
		p.frames(k.counted.Frames, k.last-k.first)
		if in.live && enough() {
			return 0, io.EOF
		}
		if in.live && !k.started && !silent && time.Since(started) > 5*time.Second {
			silent = true
			fmt.Fprintln(guide, "nothing heard yet: is the ignition on?")
		}
		return heartbeat / 4, nil
	})
	p.End()
	// As run ends it: a release may still wait for its end.
	k.stream.Flush(k)
	k.monitor.Flush()
	if s := k.tries.total(); s != "" {
		fmt.Fprintln(guide, s)
	}
	switch {
	case err == errInterrupted && !in.live:
		return interrupted{errors.New("interrupted: nothing can be said of half a recording")}
	case err == io.EOF || err == errInterrupted:
		return nil
	}
	return err
}

// guide says on out which parts of the drive have been seen, and which releases
// were tries.
func (k *checker) guide(out io.Writer, file *vehicle.File) {
	k.told = func(step string) { fmt.Fprintf(out, "seen: %s\n", step) }
	k.tries = newTries(file)
	k.tries.guide(out)
	k.line.seen = func(f *detect.Finding) {
		if says := k.tries.take(f); says != "" {
			fmt.Fprintln(out, says)
		}
	}
}

const driveRecipe = `A short drive, in a safe place. A passenger reads this, never the driver.
  1. engine running, standing in gear, foot on the brake, 10 s
  2. pull away gently and hold about 50 km/h for 20 s   (an apply, shifts)
  3. let it roll, then brake gently to a standstill     (a stop)
Interrupt (Ctrl-C) to end early.`

// checker is the line with an eye on every sample.
type checker struct {
	line
	told   func(string)
	proofs *proof.Observer
	tries  *tries
	toldOf int // how many steps of the drive have been told
	time   timeline

	min, max [stream.NumRoles]float64
	seen     [stream.NumRoles]uint64
	first    bus.Micros
	last     bus.Micros
	started  bool
	bits     []uint64 // by bus
	frames   []uint64
	errors   []uint64
	dropped  []uint64
	bad      []uint64
	plan     *stream.Plan
	set      detect.Settings
}

func newChecker(h *host, file *vehicle.File, set detect.Settings) (*checker, error) {
	s, err := stream.New(file.Plan)
	if err != nil {
		return nil, err
	}
	k := &checker{plan: file.Plan, set: set, proofs: proof.New(file.Plan), told: func(string) {}}
	k.line = line{stream: s, log: h.log, findings: map[string]int{}}
	k.line.monitor = detect.New(set, file.Plan, k)
	n := max(len(file.Buses), 1)
	for _, p := range []*[]uint64{&k.bits, &k.frames, &k.errors, &k.dropped, &k.bad} {
		*p = make([]uint64, n)
	}
	return k, nil
}

func (k *checker) push(f *bus.Frame) error {
	if !k.started {
		k.first, k.started = f.At, true
	}
	k.last = max(k.last, f.At)
	if int(f.Bus) < len(k.bits) {
		switch f.Kind {
		case bus.Data, bus.Remote:
			k.frames[f.Bus]++
			k.bits[f.Bus] += frameBits(f)
		case bus.Reading, bus.Answer:
			k.frames[f.Bus]++
		case bus.Error:
			k.errors[f.Bus]++
		case bus.Notice:
			switch bus.NoticeCode(f.ID) {
			case bus.NoticeDropped:
				k.dropped[f.Bus] += uint64(f.Count())
			case bus.NoticeBadInput:
				k.bad[f.Bus] += uint64(f.Count())
			}
		}
	}
	k.time.take(f)
	k.count(f)
	k.stream.Push(f, k)
	return nil
}

// Samples shadows the line's to note the range of each role.
func (k *checker) Samples(of []stream.Sample) {
	for i := range of {
		s := &of[i]
		if !s.OK {
			continue
		}
		if k.seen[s.Role] == 0 {
			k.min[s.Role], k.max[s.Role] = s.Value, s.Value
		}
		k.min[s.Role], k.max[s.Role] = min(k.min[s.Role], s.Value), max(k.max[s.Role], s.Value)
		k.seen[s.Role]++
	}
	k.proofs.Samples(of)
	k.line.Samples(of)
}

// Row shadows the line's to hold the roles against each other.
func (k *checker) Row(r *stream.Row) {
	k.proofs.Row(r)
	k.tries.row(r)
	k.line.Row(r)
}

// driven reports whether every step of the drive that these signals can show
// has been seen, and tells of each as it comes.
func (k *checker) driven() bool {
	seen, all := 0, true
	for _, s := range k.proofs.Steps() {
		all = all && (s.Seen || s.Hidden != "")
		if s.Seen {
			if seen++; seen > k.toldOf {
				k.told(s.Name + ": " + s.Says)
			}
		}
	}
	k.toldOf = max(k.toldOf, seen)
	return all
}

// setUp brings the vehicle's CAN interfaces up as the service does, and returns
// by the bus's name what stands against it.
func setUp(file *vehicle.File) map[string]error {
	out := map[string]error{}
	for i := range file.Buses {
		b := &file.Buses[i]
		if iface, ok := b.CANInterface(); ok {
			if _, err := kernel.prepare(iface, b); err != nil {
				out[b.Name] = err
			}
		}
	}
	return out
}

func (k *checker) report(file *vehicle.File, in *input, c *checkCmd, ready map[string]error) *report {
	secs := (k.last - k.first).Seconds()
	if in.live { // also the silence counts
		secs = (in.now() - in.opened).Seconds()
	}
	r := k.judge(file, secs, ready, c.Drive || !in.live)
	r.Asked = k.asking.reports()
	for _, x := range r.Asked {
		r.Attention += attend(x.OK)
	}
	if !in.live {
		r.recorded(file, in)
	}
	r.Board = board(k, in, c)
	for _, x := range r.Board {
		r.Attention += attend(x.OK)
	}
	return r
}

// recorded says of a recording's buses what is a recording's: no cable and no
// gateway is to blame.
func (r *report) recorded(file *vehicle.File, in *input) {
	_, names := in.foreign()
	for i := range r.Buses {
		x := &r.Buses[i]
		if x.Frames > 0 || x.OK {
			continue
		}
		x.Says = fmt.Sprintf("the recording has no frame of interface %s", file.Buses[i].Interface)
		if len(names) > 0 {
			x.Says += fmt.Sprintf("; it has %s: give one as interface = in this [[bus]]", strings.Join(names, ", "))
		}
	}
	if says := in.adopted(file); says != "" {
		r.Plausible = append(r.Plausible, remark{"interface", true, says})
	}
}

// judge says what the frames have shown of the vehicle file. With drive, what
// a drive has to show is asked for too.
func (k *checker) judge(file *vehicle.File, secs float64, ready map[string]error, drive bool) *report {
	r := &report{Vehicle: file.Label, Seconds: secs}
	r.Roles = k.roleReports(file)
	r.Plausible = k.plausibility(file)
	r.Buses = k.busReports(file, secs, ready)
	r.Detectors = abilities(k.stream.Cover(), file.Plan, k.set)
	if drive {
		r.Drive = k.driveSteps()
	}
	for _, x := range r.Roles {
		r.Attention += attend(x.OK)
	}
	for _, x := range r.Plausible {
		r.Attention += attend(x.OK)
	}
	for _, x := range r.Buses {
		r.Attention += attend(x.OK)
	}
	for _, x := range r.Drive {
		r.Attention += attend(x.Seen || x.Hidden)
	}
	return r
}

func (k *checker) driveSteps() []driveStep {
	var out []driveStep
	for _, s := range k.proofs.Steps() {
		x := driveStep{Step: s.Name, Seen: s.Seen, Says: s.Says}
		if !s.Seen && s.Hidden != "" {
			x.Hidden, x.Says = true, "cannot be seen with these signals: "+s.Hidden
		}
		out = append(out, x)
	}
	return out
}

func attend(ok bool) int {
	if ok {
		return 0
	}
	return 1
}

func (k *checker) roleReports(file *vehicle.File) []roleReport {
	var out []roleReport
	for _, c := range k.stream.Cover() {
		x := roleReport{Role: c.Role.String(), Unit: c.Role.Unit(), Samples: c.Samples, NotOK: c.NotOK,
			Min: round3(k.min[c.Role]), Max: round3(k.max[c.Role]), OK: true, Says: "decodes"}
		if p := c.Period.Seconds(); p > 0 {
			x.RateHz = math.Round(10/p) / 10
		}
		if s := file.Plan.Sources[x.Role]; c.Source >= 0 && c.Source < len(s) {
			x.Source = s[c.Source]
		}
		standard := onlyStandard(file, c.Role)
		asked := standard && slices.ContainsFunc(file.Buses, func(b vehicle.Bus) bool { return b.Standard })
		optional := (file.BuiltIn || standard) && c.Role != stream.EngineSpeed
		lo, hi, bounded := plausible(c.Role)
		switch {
		case c.Samples == 0 && asked:
			x.OK, x.Says = optional, "no answer: \"Asked for\" says why"
		case c.Samples == 0 && optional:
			x.Says = "built in, not on this bus"
		case c.Samples == 0:
			x.OK, x.Says = false, "never seen: check the message's identifier, the bus and the bit rate"
		case k.seen[c.Role] == 0 && optional:
			x.Says = "sent, but always as not available"
		case k.seen[c.Role] == 0:
			x.OK, x.Says = false, "always not available or out of range: check the signal's place and scale, or give another source"
		case bounded && (x.Min < lo || x.Max > hi):
			x.OK, x.Says = false, fmt.Sprintf("implausible: expected %g to %g %s; check scale and unit", lo, hi, x.Unit)
		case c.Role <= stream.TurbineSpeed && x.Min == x.Max && c.Samples > 50:
			x.OK, x.Says = false, "stuck: the same value throughout; is the engine running, and is this the signal?"
		case x.Min == x.Max && c.Samples > 50 && k.hadToChange(c.Role):
			x.OK, x.Says = false, "stuck: the same value throughout this drive; is this the signal?"
		case c.NotOK*2 > c.Samples:
			x.OK, x.Says = false, "not available more than half of the time"
		}
		out = append(out, x)
	}
	return out
}

// onlyStandard reports whether all sources of a role are the standard's own
// requests: what a vehicle does not support is not asked, and nothing is wrong.
func onlyStandard(file *vehicle.File, r stream.Role) bool {
	for _, m := range file.Plan.Messages {
		for _, s := range m.Signals {
			if s.Role == r && (m.Match != stream.MatchAnswer || !file.Buses[m.Bus].Requests[m.ID].Standard) {
				return false
			}
		}
	}
	return true
}

// hadToChange reports whether what was seen of the drive cannot have left a role
// at one value.
func (k *checker) hadToChange(r stream.Role) bool {
	var seen [3]bool // stop, shift, apply
	for i, s := range k.proofs.Steps() {
		seen[i] = s.Seen
	}
	switch r {
	case stream.OutputSpeed, stream.VehicleSpeed, stream.Accelerator, stream.EngineTorque, stream.Acceleration:
		return seen[0] || seen[1] || seen[2]
	case stream.ClutchPressureCommand, stream.ClutchPressure, stream.ClutchCommand, stream.LockupState:
		return seen[2]
	case stream.Gear:
		return seen[1]
	}
	return false
}

// plausible is the range that a role keeps in a road vehicle (common practice,
// no source; wide on purpose, to catch a wrong scale and not a rare vehicle).
func plausible(r stream.Role) (lo, hi float64, ok bool) {
	switch r {
	case stream.EngineSpeed, stream.TurbineSpeed:
		return 0, 9000, true
	case stream.OutputSpeed:
		return 0, 12000, true
	case stream.VehicleSpeed:
		return 0, 250, true
	case stream.ClutchPressureCommand, stream.ClutchPressure:
		return 0, 2500, true
	case stream.Accelerator, stream.ClutchCommand:
		return 0, 100, true
	case stream.FluidTemperature:
		return -40, 160, true
	case stream.Acceleration:
		return -20, 20, true
	case stream.Grade:
		return -45, 45, true
	case stream.SupplyVoltage:
		return 6, 36, true
	}
	return 0, 0, false
}

// plausibility is what physics says of the roles, and of the recording's time.
func (k *checker) plausibility(file *vehicle.File) []remark {
	out := k.time.remarks()
	out = append(out, k.indispensable()...)
	out = append(out, k.unmapped(file)...)
	for _, s := range k.proofs.Statements() {
		x := remark{What: s.What, OK: s.Verdict != proof.Against, Says: s.Says}
		switch {
		case s.Verdict == proof.Open:
			x.Says = "not proved yet: " + s.Says
		case s.Change != "":
			x.Says += ". Change " + s.Change
		}
		out = append(out, x)
	}
	for _, l := range k.stream.Learned() {
		out = append(out, k.learned(l))
	}
	return out
}

// indispensable names the speeds without which nothing at all can be told.
func (k *checker) indispensable() []remark {
	var out []remark
	lack := func(what, says, add string, roles ...stream.Role) {
		for _, r := range roles {
			if k.seen[r] > 0 {
				return
			}
			if len(k.plan.Sources[r.String()]) > 0 {
				add = r.String() + " is mapped and never came"
			}
		}
		out = append(out, remark{what, false, says + ". " + add})
	}
	lack("engine speed", "there is none, and nothing can be told without it", "Add a [[role]] with name = \"engine_speed\"", stream.EngineSpeed)
	lack("second speed", "there is none beside the engine's", "Add a [[role]] with name = \"turbine_speed\", or output_speed or vehicle_speed and gear",
		stream.TurbineSpeed, stream.OutputSpeed, stream.VehicleSpeed)
	return out
}

// unmapped names what the definitions have and the bus carries for roles that
// the vehicle file leaves out.
func (k *checker) unmapped(file *vehicle.File) []remark {
	var out []remark
	var named []stream.Role
	for _, s := range file.Spares {
		if !k.time.carries(s.Bus, s.ID) {
			continue
		}
		named = append(named, s.Role)
		says := fmt.Sprintf("no role %s, and %s is on the bus and named like it. Add a [[role]] with name = %q, signal = %q; or, if it is not that, none = [%q] at the top", s.Role, s.Signal, s.Role.String(), s.Signal, s.Role.String())
		out = append(out, remark{"left out", !s.Needed, says})
	}
	out = append(out, absent(file, named)...)
	for _, o := range file.Overlaps {
		says := fmt.Sprintf("%s is read from bits that %s holds too. Change the start bit or length of %s in the definition file", o.Role, o.Other, o.Signal)
		out = append(out, remark{o.Role.String() + " overlaps", false, says})
	}
	return out
}

// absent says which roles the vehicle file states there are none of, and which it
// leaves open; named are those that something on the bus is named like.
func absent(file *vehicle.File, named []stream.Role) []remark {
	var out []remark
	if len(file.None) > 0 {
		out = append(out, remark{"none", true, "the vehicle has no " + roleList(file.None, " and no ") + ", as its file says"})
	}
	var open []stream.Role
	for _, r := range file.Absent {
		if !slices.Contains(named, r) {
			open = append(open, r)
		}
	}
	if len(open) > 0 && !file.BuiltIn && !slices.ContainsFunc(file.Buses, func(b vehicle.Bus) bool { return b.Standard }) {
		out = append(out, remark{"not mapped", true, roleList(open, ", ") + ": nothing on the bus is named so. joltbench find looks for it; where the vehicle has none, none = [\"" +
			roleList(open, "\", \"") + "\"] in its file says so"})
	}
	return out
}

func roleList(roles []stream.Role, between string) string {
	var names []string
	for _, r := range roles {
		names = append(names, r.String())
	}
	return strings.Join(names, between)
}

// learned says what driving has taught, and whether it contradicts the file.
func (k *checker) learned(l stream.LearnedRatio) remark {
	out := remark{"ratio learned", true, l.Text()}
	want := k.plan.Facts.Ratios[l.Gear]
	if l.Of == stream.VehicleSpeed {
		want *= k.plan.Facts.OutputPerKmh
	}
	if want > 0 && l.Stable && math.Abs(l.Ratio/want-1) > 0.06 {
		out.OK = false
		out.Says += fmt.Sprintf("; the vehicle file says %.4g. Change ratios or output_rpm_per_kmh", want)
	}
	return out
}

func (r *report) print(w io.Writer) {
	fmt.Fprintf(w, "%s: %.1f s of traffic\n\nRoles\n", r.Vehicle, r.Seconds)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, x := range r.Roles {
		if x.Samples == 0 {
			fmt.Fprintf(t, "  %s\t%s\t\t\t%s\n", lookMark(x.OK), x.Role, x.Says)
			continue
		}
		fmt.Fprintf(t, "  %s\t%s\t%.4g Hz\t%.4g … %.4g %s\t%s (%s)\n", lookMark(x.OK), x.Role, x.RateHz, x.Min, x.Max, x.Unit, x.Says, x.Source)
	}
	t.Flush()
	list := func(title string, rs []remark) {
		if len(rs) == 0 {
			return
		}
		fmt.Fprintf(w, "\n%s\n", title)
		for _, x := range rs {
			fmt.Fprintf(t, "  %s\t%s\t%s\n", lookMark(x.OK), x.What, x.Says)
		}
		t.Flush()
	}
	list("Together", r.Plausible)
	fmt.Fprintln(w, "\nBuses")
	for _, x := range r.Buses {
		fmt.Fprintf(t, "  %s\t%s\t%s\n", lookMark(x.OK), x.Bus, x.Says)
	}
	t.Flush()
	r.printAsked(w, t)
	list("Board", r.Board)
	fmt.Fprintln(w, "\nDetectors, with these signals")
	for _, x := range r.Detectors {
		mark := "yes"
		if !x.Can {
			mark = "no"
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\n", mark, x.Kind, x.Says)
	}
	t.Flush()
	if len(r.Drive) > 0 {
		fmt.Fprintln(w, "\nSeen in this drive")
		for _, x := range r.Drive {
			seen := "yes"
			switch {
			case x.Hidden:
				seen = "no"
			case !x.Seen:
				seen = "not yet"
			}
			fmt.Fprintf(t, "  %s\t%s\t%s\n", seen, x.Step, x.Says)
		}
		t.Flush()
	}
	fmt.Fprintln(w)
	if r.Attention == 0 {
		fmt.Fprintln(w, "Ready to be left in the vehicle"+r.except()+".")
	}
	fmt.Fprintln(w, cautions)
}

// except says what it will not be able to tell.
func (r *report) except() string {
	var blind, part []string
	for _, x := range r.Detectors {
		switch {
		case !x.Can:
			blind = append(blind, x.Kind)
		case x.Part != "":
			part = append(part, x.Kind+" ("+x.Part+")")
		}
	}
	var but []string
	if len(blind) > 0 {
		but = append(but, fmt.Sprintf("%d of %d kinds of findings cannot be told: %s", len(blind), len(r.Detectors), strings.Join(blind, ", ")))
	}
	if len(part) > 0 {
		but = append(but, "not in full: "+strings.Join(part, ", "))
	}
	if len(but) == 0 {
		return ""
	}
	return ", but " + strings.Join(but, "; and ")
}

func (r *report) printAsked(w io.Writer, t *tabwriter.Writer) {
	if len(r.Asked) == 0 {
		return
	}
	fmt.Fprintln(w, "\nAsked for")
	for _, x := range r.Asked {
		switch {
		case x.Value == "":
			fmt.Fprintf(w, "  %s  %s: %s\n", lookMark(x.OK), x.Bus, x.Says)
		case strings.HasPrefix(x.Says, "not needed"), strings.HasPrefix(x.Says, "no controller"):
			// Said once, for the bus.
		case x.Answers == 0:
			fmt.Fprintf(t, "  %s\t%s\t\t\t%s\n", lookMark(x.OK), x.Value, x.Says)
		default:
			fmt.Fprintf(t, "  %s\t%s\t%.1f Hz\tup to %.1f Hz\tfrom %s %s\n", lookMark(x.OK), x.Value, x.RateHz, x.BestHz, x.From, x.Says)
		}
	}
	t.Flush()
}

// lookMark marks what needs attention.
func lookMark(ok bool) string {
	if ok {
		return "ok"
	}
	return "LOOK"
}

func round3(v float64) float64 { return math.Round(v*1000) / 1000 }
