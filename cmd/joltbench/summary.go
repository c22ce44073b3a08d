package main

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"unicode/utf8"

	"joltwatch/cmd/internal/cli"
	"joltwatch/detect"
	"joltwatch/detect/calibrate"
	"joltwatch/storage/review"
	"joltwatch/stream"
)

type summaryCmd struct {
	stayArgs
	JSON bool `name:"json" help:"One JSON object on one line."`
}

// Help implements kong's long help.
func (summaryCmd) Help() string {
	return `Coverage of the stay, time per clutch state, what was found, and for each kind
the opportunities it had: how often it could have happened, how often the signals
would have shown it, and the 95 % bound that follows. The exact bound when
nothing was seen in n opportunities is 1 - 0.05^(1/n), about 3/n.`
}

// Run prints the summary.
func (c *summaryCmd) Run(h *host) error {
	s, view, err := c.read(h)
	if err != nil {
		return err
	}
	t := s.Total()
	if c.JSON {
		l := cli.NewLines(h.stdout)
		l.Add(summaryObject(s, &t))
		return cmp.Or(l.Err(), done(s))
	}
	fmt.Fprintf(h.stdout, "%s\n%s\n\n", cli.Plain(s.Title()), s.Span(view.Times))
	v := s.Verdict(view.Units, view.Times)
	writeVerdict(h.stdout, v)
	if v.Strongest > 0 {
		fmt.Fprintf(h.stdout, "%-12s joltbench events %s --event %d\n", "", cli.Plain(c.Dir), v.Strongest)
	}
	if t.Drives > 0 {
		writeCoverage(h.stdout, s, &t)
		writeSignals(h.stdout, s, &t)
		writeLearned(h.stdout, s)
		c.writeFound(h.stdout, s, &t)
	}
	return done(s)
}

// table writes rows with tabs between their columns under a heading.
func table(out io.Writer, heading string, rows func(w io.Writer)) {
	fmt.Fprintf(out, "\n%s", heading)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	rows(w)
	w.Flush()
}

func writeCoverage(out io.Writer, s *review.Stay, t *review.Total) {
	table(out, "", func(w io.Writer) {
		fmt.Fprintf(w, "Drives\t%d\n", t.Drives)
		fmt.Fprintf(w, "Engine on\t%s\n", review.DurationText(t.EngineOnS))
		fmt.Fprintf(w, "Moving\t%s\n", review.DurationText(t.MovingS))
		for _, x := range t.States() {
			fmt.Fprintf(w, "  %s\t%s\t%s\n", x.Name, review.DurationText(x.Seconds), review.Percent(x.Seconds, t.MovingS))
		}
		fmt.Fprintf(w, "Lockup fraction\t%s\tof moving time\n", t.LockupText())
		fmt.Fprintf(w, "Stops\t%d\tin %d of them a release later by 1 s would have been recognised\n", t.Stops, t.StopsObserved)
		if x := t.Recognised(); x != "" {
			fmt.Fprintf(w, "Releases\t%d\t%s\n", t.Trials.Releases, x)
		}
		if x := t.Commands; x.Falls > 0 {
			fmt.Fprintf(w, "Command let go\t%d\tin %d of them one later by 1 s than is this vehicle's habit would have been recognised\n", x.Falls, x.Later1S)
		}
		if x := t.Rises; x.Falls > 0 {
			fmt.Fprintf(w, "Command to close\t%d\tas it pulled away; in %d of them one later by 1 s than is this vehicle's habit would have been recognised\n", x.Falls, x.Later1S)
		}
		fmt.Fprintf(w, "Frames\t%d\t%d dropped, %d error frames, %d lines not understood\n", t.Frames, t.Dropped, t.Errors, t.BadLines)
		if hours := t.EngineOnS / 3600; hours > 0 {
			fmt.Fprintf(w, "Card\t%.1f kB written, %d syncs\t%.1f kB and %.0f syncs an hour of driving\n",
				float64(s.Card.BytesWritten)/1e3, s.Card.Syncs, float64(s.Card.BytesWritten)/1e3/hours, float64(s.Card.Syncs)/hours)
		}
	})
}

func writeSignals(out io.Writer, s *review.Stay, t *review.Total) {
	table(out, "Signals\n", func(w io.Writer) {
		for _, r := range t.Roles {
			fmt.Fprintf(w, "  %s\tknown %s of engine-on time\tevery %s\t%d values\t%d not valid\n", cli.Plain(r.Role), review.Percent(r.FreshS, t.EngineOnS), review.Period(r.PeriodS), r.Samples, r.NotOK)
		}
	})
	var unmapped []string
	for _, r := range s.Unmapped() {
		unmapped = append(unmapped, r.String())
	}
	if len(unmapped) > 0 {
		fmt.Fprintf(out, "  not mapped: %s\n", strings.Join(unmapped, ", "))
	}
}

// writeLearned writes what was learned of the vehicle.
func writeLearned(out io.Writer, s *review.Stay) {
	var ratios []string
	for _, r := range s.Ratios {
		ratios = append(ratios, r.Text())
	}
	for _, x := range []struct {
		heading string
		lines   []string
	}{{"Ratios learned", ratios}, {"Calibration", s.CalibrationText()}, {"Lines of engine over road speed", s.LinesText()}} {
		if len(x.lines) > 0 {
			fmt.Fprintf(out, "\n%s\n  %s\n", x.heading, strings.Join(x.lines, "\n  "))
		}
	}
}

// writeFound writes what was found, on what it depends, and how sure it is.
func (c *summaryCmd) writeFound(out io.Writer, s *review.Stay, t *review.Total) {
	table(out, "Found\n", func(w io.Writer) {
		if len(s.Events) == 0 {
			fmt.Fprintln(w, "  nothing")
		}
		for _, x := range s.Counts() {
			fmt.Fprintf(w, "  %d\t%s\t%s\tseverity %.2f\tfor instance no. %d\n", x.N, cli.Plain(x.Kind), cli.Plain(x.Class.String()), x.Severity, x.First)
		}
	})
	if a := s.Conditions(); a.Late > 0 {
		fmt.Fprintf(out, "\nOn what it depends\n  %s\n", wrapped(cli.Plain(a.Says(c.Units.Quantity)), 2, 80))
		if a.Recipe() != nil {
			fmt.Fprintf(out, "  joltbench recipe %s says how to make it happen again\n", cli.Plain(c.Dir))
		}
	}
	if x := s.Tried(c.Units); x != "" {
		fmt.Fprintf(out, "\n%s\n", wrapped(cli.Plain(x), 0, 80))
	}
	table(out, "How sure\n", func(w io.Writer) {
		for _, x := range t.Sureness() {
			fmt.Fprintf(w, "  %s\t%d in %d observed of %d opportunities\ttrue rate, 95 %%: %s\n", cli.Plain(review.KindWords(x.Kind)), x.Hits, x.Observable, x.Seen, x.Bound)
		}
	})
}

// writeVerdict writes the answer, a line each, wrapped for a terminal.
func writeVerdict(out io.Writer, v review.Verdict) {
	for _, l := range v.Lines {
		fmt.Fprintf(out, "%-12s %s\n", l.Head, wrapped(cli.Plain(l.Text), 13, 80))
	}
}

// wrapped breaks text at spaces so that no line is longer than width where
// all but the first are indented.
func wrapped(text string, indent, width int) string {
	var b strings.Builder
	column := indent
	for i, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case column+1+n > width:
			b.WriteString("\n" + strings.Repeat(" ", indent))
			column = indent
		default:
			b.WriteByte(' ')
			column++
		}
		b.WriteString(word)
		column += n
	}
	return b.String()
}

type summaryJSON struct {
	Label          string   `json:"label"`
	Drives         int      `json:"drives"`
	Start          any      `json:"start"`
	End            any      `json:"end"`
	EngineOnS      float64  `json:"engine_on_s"`
	MovingS        float64  `json:"moving_s"`
	ClosedS        float64  `json:"closed_s"`
	PartialS       float64  `json:"partial_s"`
	CoastS         float64  `json:"coast_s"`
	OpenS          float64  `json:"open_s"`
	UnknownS       float64  `json:"unknown_s"`
	LockupFraction *float64 `json:"lockup_fraction"`
	Stops          int      `json:"stops"`
	StopsObserved  int      `json:"stops_observed"`
	// LockupBounds are between which shares of moving time the clutch was
	// engaged; absent where the vehicle never moved.
	LockupBounds *[2]float64 `json:"lockup_bounds"`
	// Trials are in how many of the releases a later one would have been
	// recognised.
	Trials detect.ReleaseTrials `json:"release_trials"`
	// Commands are in how many of the falls of the command.
	Commands detect.CommandTrials `json:"command_trials"`
	// Rises are in how many of its first rises as the vehicle pulled away.
	Rises        detect.CommandTrials `json:"rise_trials"`
	Frames       uint64               `json:"frames"`
	BadLines     uint64               `json:"bad_lines"`
	Dropped      uint64               `json:"dropped"`
	ErrorFrames  uint64               `json:"error_frames"`
	BytesWritten uint64               `json:"bytes_written"`
	Syncs        uint64               `json:"syncs"`
	Events       int                  `json:"events"`
	Counts       []count              `json:"counts"`
	Roles        []roleJSON           `json:"roles"`
	// Fresh is the fresh share by role name, as Roles has it.
	Fresh         map[string]float64 `json:"fresh"`
	Opportunities []opportunityJSON  `json:"opportunities"`
	Bands         []detect.Band      `json:"bands"`
	Verdict       review.Verdict     `json:"verdict"`
	Programs      []string           `json:"programs"`
	// Ratios are those learned; absent where the turbine's speed is mapped.
	Ratios []stream.LearnedRatio `json:"learned_ratios,omitempty"`
	// Calibration is absent where nothing was learned of the speeds.
	Calibration *calibrate.Summary `json:"calibration,omitempty"`
	// Habits are how closely the vehicle keeps to where it lets go.
	Habits detect.Habits `json:"habits"`
	// Asking is how values are asked for, and why nothing is, as watch shows it.
	Asking  []string `json:"asking"`
	Remarks []string `json:"remarks"`
	Damaged bool     `json:"damaged"`
}

type count struct {
	Kind  string `json:"kind"`
	Class string `json:"class"`
	N     int    `json:"n"`
}

type roleJSON struct {
	Role       string  `json:"role"`
	FreshShare float64 `json:"fresh_share"`
	Samples    uint64  `json:"samples"`
	NotOK      uint64  `json:"not_ok"`
	PeriodS    float64 `json:"period_s"`
	Switches   uint64  `json:"source_switches"`
}

type opportunityJSON struct {
	Kind       string  `json:"kind"`
	Seen       uint64  `json:"seen"`
	Observable uint64  `json:"observable"`
	Hits       uint64  `json:"hits"`
	RateLow    float64 `json:"rate_low"`
	RateHigh   float64 `json:"rate_high"`
	Method     string  `json:"method"`
}

func summaryObject(s *review.Stay, t *review.Total) summaryJSON {
	o := summaryJSON{Verdict: s.Verdict(review.Metric, review.Times{}), Label: s.Label, Drives: t.Drives, EngineOnS: t.EngineOnS, MovingS: t.MovingS, ClosedS: t.ClosedS,
		PartialS: t.PartialS, CoastS: t.CoastS, OpenS: t.OpenS, UnknownS: t.UnknownS, Stops: t.Stops, StopsObserved: t.StopsObserved, Trials: t.Trials, Commands: t.Commands, Rises: t.Rises, Calibration: s.Calibration, Habits: s.Habits,
		BytesWritten: s.Card.BytesWritten, Syncs: s.Card.Syncs,
		Frames: t.Frames, BadLines: t.BadLines, Dropped: t.Dropped, ErrorFrames: t.Errors, Events: len(s.Events),
		Counts: []count{}, Roles: []roleJSON{}, Fresh: map[string]float64{}, Opportunities: []opportunityJSON{}, Bands: t.Bands,
		Programs: s.Programs, Ratios: s.Ratios, Asking: s.AskingText(review.Times{}), Remarks: s.Remarks, Damaged: s.Damaged}
	if len(s.Drives) > 0 {
		first, last := &s.Drives[0], &s.Drives[len(s.Drives)-1]
		o.Start, o.End = review.When(first.Clock, first.Account.Start), review.When(last.Clock, last.Account.End)
	}
	if low, high, ok := t.LockupBounds(); ok {
		o.LockupBounds = &[2]float64{low, high}
	}
	if share, ok := t.LockupFraction(); ok {
		o.LockupFraction = &share
	}
	for _, x := range s.Counts() {
		o.Counts = append(o.Counts, count{x.Kind, x.Class.String(), x.N})
	}
	for _, r := range t.Roles {
		share := 0.0
		if t.EngineOnS > 0 {
			share = r.FreshS / t.EngineOnS
		}
		o.Roles = append(o.Roles, roleJSON{r.Role, share, r.Samples, r.NotOK, r.PeriodS, r.Switched})
		o.Fresh[r.Role] = share
	}
	for _, x := range t.Sureness() {
		o.Opportunities = append(o.Opportunities, opportunityJSON{x.Kind, x.Seen, x.Observable, x.Hits, x.Low, x.High, x.Method})
	}
	if o.Bands == nil {
		o.Bands = []detect.Band{}
	}
	if o.Programs == nil {
		o.Programs = []string{}
	}
	if o.Remarks == nil {
		o.Remarks = []string{}
	}
	return o
}
