package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime/debug"
	"strconv"
	"strings"
	"text/tabwriter"

	"joltwatch/bus"
	"joltwatch/cmd/internal/cli"
	"joltwatch/stream"
	"joltwatch/stream/find"
)

type findCmd struct {
	Log       string            `arg:"" optional:"" name:"log" help:"The recorded log of a short drive; - is standard input."`
	Interface string            `placeholder:"NAME" help:"Use only the frames of this interface of the log."`
	Fields    bool              `help:"List every identifier: period, counters, checksums, switches, fields."`
	Page      string            `placeholder:"FILE" help:"Write a page with plots of what is proposed; - is standard output."`
	Accept    string            `placeholder:"FILE" help:"Write what was found as a vehicle file, and its definitions beside it."`
	Take      map[string]string `placeholder:"ROLE=RANK" help:"With --accept: take another proposal than the first, or 0 for none."`
	Label     string            `default:"unnamed" help:"With --accept: the label of the vehicle file."`
	Force     bool              `help:"With --accept: write over files that are there."`
	Recipe    bool              `help:"Print how to drive so that the search is easy, and stop."`
	JSON      bool              `name:"json" help:"One JSON object a line: identifiers (with --fields), answers, proposals."`
}

// Help implements kong's long help.
func (findCmd) Help() string {
	return `Proposes, from a recording of a vehicle that nobody has documented, which
bits are engine speed, turbine speed, output speed, road speed, gear, pedal and
brake. Record two minutes as --recipe says; with the answers to standard
requests (engine speed, road speed, pedal) in the recording, scales are measured
instead of guessed.

  joltbench find --recipe
  joltbench find drive.log.gz --page found.html
  joltbench find drive.log.gz --accept van.toml --label "van 7"
  joltbench find drive.log.gz --accept van.toml --take gear=2 --take brake=0

Look at the plots before you accept. A proposal is likely, not certain; check
the vehicle file with joltwatch check on a drive before you rely on it.

Exit code 3: engine speed, or every shaft and road speed, was not found.`
}

const findRecipe = `A drive that makes the signals easy to find: two minutes.

Safety first. Drive where it is safe and allowed: a quiet road or a large closed
yard, dry, no traffic behind you. The driver only drives. A passenger works the
recorder, and fixes it and its cable clear of pedals and airbags before the
start, with the vehicle stationary. Follow the maker's instructions and local
rules; leave a step out that does not suit the place.

  1. Start the recorder, then the engine. Stand with the brake on and the
     selector in park or neutral for five seconds, then in drive for five.
  2. Pull away with a steady light pedal and go through at least three gears,
     to about 50 km/h (30 mph).
  3. Hold the speed for ten seconds, so that the converter clutch closes.
  4. Lift the pedal and coast for five seconds.
  5. Brake gently to a standstill, and wait five seconds in drive.
  6. Pull away again, to about 40 km/h (25 mph), and hold for ten seconds.
  7. Only where it is safe: select neutral while rolling slowly, or standing,
     press the pedal lightly for a second, and select drive again.
  8. Stop, and wait five seconds. Stop the recorder.

If a reader can ask for standard values, have it ask for engine speed, road speed
and accelerator position a few times a second meanwhile, and record that too:
the scales are then measured and not guessed.
`

// findMemory is from where on memory is collected more eagerly, in bytes.
const findMemory = 110 << 20

// Run searches the recording.
func (c *findCmd) Run(h *host) error {
	if c.Recipe {
		_, err := io.WriteString(h.stdout, findRecipe)
		return err
	}
	if c.Log == "" {
		return cli.Usage("find needs a recorded log (or --recipe)")
	}
	debug.SetMemoryLimit(findMemory)
	take, err := c.taken()
	if err != nil {
		return err
	}
	survey, interfaces, err := c.survey(h)
	if err != nil {
		return err
	}
	p := cli.NewProgress(h.stderr)
	res := survey.Analyse(p.Steps("analysing, step"))
	p.End()
	if c.JSON {
		err = c.writeJSON(h.stdout, res, interfaces)
	} else {
		err = c.write(h.stdout, res, interfaces)
	}
	if err != nil {
		return err
	}
	if c.Page != "" {
		if err := cli.WriteFile(h.stdout, c.Page, func(w io.Writer) error { return writeFindPage(w, c.Log, res, interfaces) }); err != nil {
			return err
		}
	}
	missing := findMissing(res)
	if c.Accept != "" {
		if err := c.accept(h, res, interfaces, take); err != nil {
			return err
		}
	}
	if missing != "" {
		return cli.Attention(errors.New(missing))
	}
	return nil
}

// findMissing says what a vehicle file would lack.
func findMissing(res *find.Result) string {
	shaft := res.Best(stream.TurbineSpeed) != nil || res.Best(stream.OutputSpeed) != nil || res.Best(stream.VehicleSpeed) != nil
	switch engine := res.Best(stream.EngineSpeed) != nil; {
	case !engine && !shaft:
		return "neither engine speed nor any shaft or road speed was found in this recording; see joltbench find --recipe"
	case !engine:
		return "engine speed was not found in this recording; see joltbench find --recipe"
	case !shaft:
		return "no shaft or road speed was found in this recording; see joltbench find --recipe"
	}
	return ""
}

// survey reads the log.
func (c *findCmd) survey(h *host) (*find.Survey, []string, error) {
	var opt bus.LogOptions
	if c.Interface != "" {
		opt.Interfaces = []string{c.Interface}
	}
	log, err := bus.OpenLog(c.Log, opt)
	if err != nil {
		return nil, nil, err
	}
	defer log.Close()
	s := find.NewSurvey(find.Options{})
	batch := make([]bus.Frame, 512)
	p := cli.NewProgress(h.stderr)
	defer p.End()
	for {
		n, err := log.Read(batch)
		for i := range batch[:n] {
			s.Add(&batch[i])
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, nil, err
		}
		if h.ctx.Err() != nil {
			return nil, nil, errors.New("stopped before the end of the log")
		}
		p.Frames(s.Frames, s.Duration().Seconds(), log.Share())
	}
	if s.Frames == 0 {
		if c.Interface != "" {
			return nil, nil, fmt.Errorf("%s: no data frames of interface %s: expected one of the log's interfaces, or no --interface", c.Log, c.Interface)
		}
		return nil, nil, fmt.Errorf("%s: no data frames in it: expected the recorded log of a drive", c.Log)
	}
	return s, log.Interfaces(), nil
}

// taken reads --take.
func (c *findCmd) taken() (map[stream.Role]int, error) {
	take := map[stream.Role]int{}
	for name, rank := range c.Take {
		role, ok := stream.ParseRole(name)
		if !ok {
			return nil, cli.Usage(fmt.Sprintf("--take %s=%s: unknown role %q", name, rank, name))
		}
		n, err := strconv.Atoi(rank)
		if err != nil || n < 0 {
			return nil, cli.Usage(fmt.Sprintf("--take %s=%s: expected the rank of a proposal, 1 for the first, or 0 for none", name, rank))
		}
		take[role] = n
	}
	return take, nil
}

func findPlace(p *find.Proposal, interfaces []string) string {
	text := p.ID.String()
	if len(interfaces) > 1 && int(p.ID.Bus) < len(interfaces) {
		text = interfaces[p.ID.Bus] + " " + text
	}
	if p.Mux != nil {
		text += fmt.Sprintf(" where %v = %d", p.Mux.Field, p.MuxValue)
	}
	return text
}

// findScale is value = scale * raw + offset, in words.
func findScale(p *find.Proposal, role stream.Role) string {
	if p.States != nil || role.Unit() == "" {
		return ""
	}
	text := strconv.FormatFloat(p.Scale, 'g', 5, 64)
	if p.Offset != 0 {
		text += fmt.Sprintf(" %+.4g", p.Offset)
	}
	text += " " + role.Unit()
	if p.Guessed {
		text += " (guess)"
	}
	return text
}

// write prints the answer for people.
func (c *findCmd) write(w io.Writer, res *find.Result, interfaces []string) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %d frames, %d identifiers, %.0f s", c.Log, res.Frames, len(res.Identifiers), res.Duration.Seconds())
	if res.Kept < 0.99 {
		fmt.Fprintf(&b, "; analysed %.0f %% of the time, in stretches of 8 s spread over it", 100*res.Kept)
	}
	b.WriteString("\n")
	if res.Unfollowed > 0 {
		fmt.Fprintf(&b, "%d frames of more identifiers than are followed were left out\n", res.Unfollowed)
	}
	if res.Backwards > 0 {
		fmt.Fprintf(&b, "the recording's time runs backwards: recordings joined? %d frames of a time that had been read already were left out\n", res.Backwards)
	}
	if len(res.References) == 0 {
		b.WriteString("no answers to standard requests in it: scales are guesses where marked\n")
	}
	for _, r := range res.References {
		fmt.Fprintf(&b, "standard request 01 %02X, %s: %d answers, %.4g to %.4g %s\n", uint8(r.Parameter), r.Name, r.Answers, r.Min, r.Max, r.Unit)
	}
	b.WriteString("\n")
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "role\trank\tfit\tidentifier\tfield\tone step\tevery")
	for _, r := range res.Roles {
		if !r.Found {
			fmt.Fprintf(t, "%s\t-\tnot found\t\t\t\t\n", r.Role)
		}
		for i, p := range r.Proposals {
			name := r.Role.String()
			if i > 0 || !r.Found {
				name = ""
			}
			rank := strconv.Itoa(i + 1)
			if !r.Found {
				rank = fmt.Sprintf("(%d)", i+1)
			}
			fmt.Fprintf(t, "%s\t%s\t%.0f\t%s\t%v\t%s\t%.4g ms\n", name, rank, p.Fit, findPlace(&p, interfaces), p.Field, findScale(&p, r.Role), float64(p.Period)/1000)
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	b.WriteString("\n")
	for _, r := range res.Roles {
		if !r.Found {
			fmt.Fprintf(&b, "%s not found: %s.\n", r.Role, strings.TrimPrefix(r.Why, "not found: "))
			continue
		}
		fmt.Fprintf(&b, "%s: %s.\n", r.Role, strings.Join(r.Proposals[0].Evidence, "; "))
		if len(r.Proposals) > 1 {
			lead := r.Proposals[0].Fit - r.Proposals[1].Fit
			if lead < 3 {
				fmt.Fprintf(&b, "  %s is a close rival (%.1f behind): it may carry the same; look at the plots.\n", findPlace(&r.Proposals[1], interfaces), lead)
			}
		}
	}
	if len(res.Wheels) > 0 {
		b.WriteString("wheel speeds, several alike and so no shaft's:")
		for i := range res.Wheels {
			fmt.Fprintf(&b, " %s %v", findPlace(&res.Wheels[i], interfaces), res.Wheels[i].Field)
		}
		b.WriteString("\n")
	}
	if len(res.Ratios) > 0 {
		fmt.Fprintf(&b, "gear ratios seen:%s", ratioText(res.Ratios))
		if !res.FirstGear {
			b.WriteString(" (no standstill in the recording: the first of them need not be first gear)")
		}
		b.WriteString("\n")
	}
	b.WriteString("\nfields are start|length@order+sign as in definition files; the fit is from 0 to 100.\nProposals are likely, not certain: check them with joltwatch check on a drive.\n")
	if c.Fields {
		b.WriteString("\n")
		if err := writeFields(&b, res, interfaces); err != nil {
			return err
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func ratioText(ratios []float64) string {
	var b strings.Builder
	for _, r := range ratios {
		fmt.Fprintf(&b, " %.3g", r)
	}
	return b.String()
}

// writeFields lists the make-up of every identifier.
func writeFields(w io.Writer, res *find.Result, interfaces []string) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "identifier\tframes\tevery\tjitter\tbytes\tunchanged bits\tcounters\tchecksums\tswitch\tfields")
	for _, id := range res.Identifiers {
		name := id.ID.String()
		if len(interfaces) > 1 && int(id.Bus) < len(interfaces) {
			name = interfaces[id.Bus] + " " + name
		}
		size := strconv.Itoa(id.MaxLen)
		if id.MinLen != id.MaxLen {
			size = fmt.Sprintf("%d-%d", id.MinLen, id.MaxLen)
		}
		var sums []string
		for _, s := range id.Checksums {
			sums = append(sums, fmt.Sprintf("%v %s", s.Field, s.Kind))
		}
		mux := ""
		if id.Mux != nil {
			mux = fmt.Sprintf("%v: %d values", id.Mux.Field, len(id.Mux.Values))
		}
		fmt.Fprintf(t, "%s\t%d\t%.4g ms\t%.3g ms\t%s\t%d\t%s\t%s\t%s\t%s\n", name, id.Frames, float64(id.Period)/1000, float64(id.Jitter)/1000,
			size, id.Constant, fieldList(id.Counters), strings.Join(sums, ", "), mux, fieldList(id.Fields))
	}
	return t.Flush()
}

func fieldList(fields []find.Field) string {
	var out []string
	for _, f := range fields {
		out = append(out, f.String())
	}
	return strings.Join(out, " ")
}

// writeJSON writes one object a line.
func (c *findCmd) writeJSON(w io.Writer, res *find.Result, interfaces []string) error {
	e := json.NewEncoder(w)
	name := func(n uint8) string {
		if int(n) < len(interfaces) {
			return interfaces[n]
		}
		return ""
	}
	type object map[string]any
	lines := []object{{"type": "recording", "log": c.Log, "frames": res.Frames, "identifiers": len(res.Identifiers),
		"duration_s": round3(res.Duration.Seconds()), "analysed_share": round3(res.Kept), "gear_ratios": rounded(res.Ratios),
		"idle_rpm": res.IdleRPM, "output_rpm_per_kmh": round3(res.OutputPerKmh)}}
	for _, r := range res.References {
		lines = append(lines, object{"type": "answers", "parameter": fmt.Sprintf("%02X", uint8(r.Parameter)), "name": r.Name,
			"unit": r.Unit, "answers": r.Answers, "min": round3(r.Min), "max": round3(r.Max)})
	}
	for _, r := range res.Roles {
		line := object{"type": "role", "role": r.Role.String(), "found": r.Found}
		if !r.Found {
			line["why"] = r.Why
		}
		lines = append(lines, line)
		for i, p := range r.Proposals {
			x := object{"type": "proposal", "role": r.Role.String(), "rank": i + 1, "fit": round3(p.Fit), "interface": name(p.ID.Bus),
				"id": p.ID.String(), "extended": p.ID.Extended, "start": p.Field.Start, "length": p.Field.Length, "big_endian": p.Field.BigEndian,
				"signed": p.Field.Signed, "scale": p.Scale, "offset": p.Offset, "unit": r.Role.Unit(), "guessed": p.Guessed,
				"period_s": p.Period.Seconds(), "evidence": p.Evidence}
			if p.Mux != nil {
				x["switch"], x["switch_value"] = p.Mux.Field, p.MuxValue
			}
			if p.States != nil {
				x["states"] = p.States
			}
			lines = append(lines, x)
		}
	}
	if c.Fields {
		for _, id := range res.Identifiers {
			x := object{"type": "identifier", "interface": name(id.Bus), "id": id.ID.String(), "extended": id.Extended, "frames": id.Frames,
				"period_s": id.Period.Seconds(), "jitter_s": id.Jitter.Seconds(), "min_bytes": id.MinLen, "max_bytes": id.MaxLen,
				"unchanged_bits": id.Constant, "counters": id.Counters, "checksums": id.Checksums, "fields": id.Fields}
			if id.Mux != nil {
				x["switch"] = id.Mux
			}
			lines = append(lines, x)
		}
	}
	for _, l := range lines {
		if err := e.Encode(l); err != nil {
			return err
		}
	}
	return nil
}

func round3(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return math.Round(x*1000) / 1000
}

func rounded(x []float64) []float64 {
	out := []float64{}
	for _, v := range x {
		out = append(out, round3(v))
	}
	return out
}
