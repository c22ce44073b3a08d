package main

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"

	"github.com/coreos/go-systemd/v22/daemon"
	"joltwatch/cmd/internal/cli"
)

type runCmd struct {
	Vehicle string `placeholder:"FILE" help:"The vehicle file (TOML): buses, roles, settings."`
	Columns string `placeholder:"ROLE=HEADING,…" help:"In place of --vehicle, with --from a table of decoded values: which column is which role; found takes what joltwatch check --from proposes."`
	From    string `placeholder:"LOG" help:"Replay a recorded text log instead of listening: a file (plain, gzip or zstd), - for standard input, or the folder of a stay. Without it the vehicle file's buses are opened."`
	Store   string `required:"" placeholder:"DIR" help:"The folder of the stay; made if absent, continued if present."`
	Label   string `placeholder:"TEXT" help:"The stay's own label; the vehicle file's otherwise."`
	Group   bool   `name:"group-read" help:"Let the group of the account that records read the stay: for a courier with an account of its own."`
	Recipe  string `placeholder:"FILE" help:"A [recipe] table, as joltbench recipe writes it: the releases made under its conditions are counted as tries. It is kept with the stay."`
	JSON    bool   `name:"json" help:"Say at the end what was done as one JSON object."`
}

func (c *runCmd) Help() string {
	return `The vehicle file names the signals; see the README for how to write one. A
recording is replayed at full speed, and time is the recording's own. Lines that
are not frames are counted and reported; they never end the run. An interrupt
(Ctrl-C) ends it cleanly with everything written; a replay ends with exit code
130 then, and goes on where it stopped when it is run again.

` + cautions
}

const (
	// heartbeat is how often the loop shows that it lives while frames may
	// come; systemd's watchdog is told from there.
	heartbeat = time.Second
	// quietAfter is how long the bus must be silent for the key to be taken
	// as off. Gateways keep the bus alive for some seconds up to minutes
	// after the key is turned (common practice, no source).
	quietAfter = 30 * bus.Second
	// awayAfter is the same while a source is known to be away: an adapter
	// that has worked loose is no key. The detectors allow a drive as much.
	awayAfter = 60 * bus.Second
	// asleep is the heartbeat then: few wake-ups, and well within the
	// watchdog of the service (30 s).
	asleep = 12 * time.Second
)

func (c *runCmd) Run(h *host) error {
	settings := detect.DefaultSettings()
	file, err := loadVehicle(c.Vehicle, c.Columns, c.From, &settings)
	if err != nil {
		return err
	}
	if c.Recipe != "" {
		if err := vehicle.AddRecipe(file, c.Recipe, &settings); err != nil {
			return err
		}
	}
	for _, w := range file.Warnings {
		h.log.Warn().Msg(w)
	}
	in, err := openInput(h, file, c.From, false)
	if err != nil {
		return err
	}
	defer in.Close()
	if !in.live {
		in.forward = &forward{source: in.source}
		in.source = in.forward
	}
	l, err := newLine(h, file.Plan, settings)
	if err != nil {
		return err
	}
	l.codes, l.asking = &in.codes, in.asking
	tries := newTries(file)
	l.seen = func(f *detect.Finding) {
		if says := tries.take(f); says != "" {
			h.log.Info().Msg(says)
		}
	}
	label := c.Label
	if label == "" {
		label = file.Label
	}
	halted, err := c.resume(in, l)
	if err != nil {
		return err
	}
	opt := storeOptions(h, file, label, in)
	opt.GroupRead = c.Group
	if err := l.open(h, c.Store, opt); err != nil {
		return err
	}
	daemon.SdNotify(false, daemon.SdNotifyReady) //nolint:errcheck // no service manager is no error
	err = l.pumpAll(h, in)
	daemon.SdNotify(false, daemon.SdNotifyStopping) //nolint:errcheck
	if err == errInterrupted && !in.live {
		return c.stop(l, halted)
	}
	if err == errInterrupted {
		err = nil
	}
	if ferr := l.Finish(); err == nil {
		err = ferr
	}
	if err == nil && !in.live {
		err = os.RemoveAll(filepath.Join(c.Store, haltFile))
	}
	if err != nil {
		return err
	}
	return c.say(h, in, l, tries)
}

// storeOptions is what the vehicle file and the input say of the store.
func storeOptions(h *host, file *vehicle.File, label string, in *input) storage.Options {
	return storage.Options{
		Plan:      file.Plan,
		Settings:  file.Text,
		Label:     label,
		Boot:      in.boot,
		Clock:     in.Clock(),
		LookBack:  seconds(file.Store.LookBackS),
		LookOn:    seconds(file.Store.LookOnS),
		Quota:     file.Store.QuotaMB << 20,
		FreeFloor: file.Store.FreeFloorMB << 20,
		Program:   "joltwatch " + cli.Release(),
		// Better to watch for a while without a card than not to watch.
		Wait: in.live,
		Acknowledged: func(e *storage.Event) {
			h.log.Info().Str("kind", e.Finding.Kind).Str("class", e.Finding.Class.String()).Str("event", e.ID).Msg("stored")
		},
		Troubled: func(t storage.Trouble) {
			says := "the store cannot be written: watching goes on, and it is tried again"
			if t.Over {
				says = "the store is written again"
			}
			h.log.Warn().Float64("at_s", t.At.Seconds()).Str("medium", t.What).Msg(says)
		},
	}
}

// open opens the stay in dir, repaired, and gives the monitor what earlier
// drives taught.
func (l *line) open(h *host, dir string, opt storage.Options) error {
	st, repair, err := storage.Open(dir, opt)
	if err != nil {
		return err
	}
	if s := repair.String(); s != "" {
		h.log.Warn().Str("store", dir).Msg(s)
	}
	if err := l.recall(dir); err != nil {
		// Better to watch without knowing the vehicle than not to watch.
		h.log.Warn().Err(err).Str("store", dir).Msg("what earlier drives taught cannot be used; it is learned anew")
	}
	l.store = st
	return nil
}

// pumpAll runs the line until the input ends or the program is interrupted.
func (l *line) pumpAll(h *host, in *input) error {
	p := h.progress(in)
	defer p.End()
	beat := l.beat(in)
	return pump(h.ctx, in, l.Push, func() (time.Duration, error) {
		p.frames(l.pushed, l.last-l.first)
		return beat()
	})
}

// beat returns what is done at each heartbeat; it returns the time to the next.
func (l *line) beat(in *input) func() (time.Duration, error) {
	clock := in.Clock()
	return func() (time.Duration, error) {
		daemon.SdNotify(false, daemon.SdNotifyWatchdog) //nolint:errcheck // no service manager is no error
		if !in.live {
			return heartbeat, nil
		}
		if now := in.Clock(); now != clock && (now.Known != clock.Known || stepped(now, clock)) {
			clock = now
			if err := l.store.SetClock(now); err != nil {
				return 0, err
			}
		}
		now := in.now()
		if !l.asleep && now-max(l.last, in.opened) > l.patience() {
			l.sleep()
		}
		l.asking.log(l.log, now)
		if n, ok := l.asking.note(now); ok {
			l.keep(l.store.Asking(n))
		}
		// Findings that wait for trouble codes do not wait for frames.
		l.release(now)
		if err := l.store.Tick(now); err != nil || l.asleep {
			return asleep, errors.Join(err, l.failed)
		}
		return heartbeat, nil
	}
}

// stepped reports whether wall time was set by more than a clock drifts
// between two looks.
func stepped(a, b bus.Clock) bool {
	d := a.Zero - b.Zero
	return d > bus.Second/10 || d < -bus.Second/10
}

// say prints what was done.
func (c *runCmd) say(h *host, in *input, l *line, tries *tries) error {
	w := bufio.NewWriter(h.stdout)
	defer w.Flush()
	kinds := make([]string, 0, len(l.findings))
	total := 0
	for k, n := range l.findings {
		kinds = append(kinds, k)
		total += n
	}
	slices.Sort(kinds)
	foreign, names := in.foreign()
	if c.JSON {
		err := json.NewEncoder(w).Encode(map[string]any{
			"store": c.Store, "frames": l.counted.Frames, "bad_lines": l.counted.BadLines,
			"foreign_frames": foreign, "findings": l.findings,
		})
		return errors.Join(err, heed(in, l, names))
	}
	fmt.Fprintf(w, "%s: %d frames, %d lines not understood, %d findings\n", c.Store, l.counted.Frames, l.counted.BadLines, total)
	for _, k := range kinds {
		fmt.Fprintf(w, "%6d  %s\n", l.findings[k], k)
	}
	for _, s := range l.asking.lines() {
		fmt.Fprintln(w, s)
	}
	if s := tries.total(); s != "" {
		fmt.Fprintln(w, s)
	}
	if foreign > 0 {
		fmt.Fprintf(w, "%d frames came from interfaces that the vehicle file does not name (%s); they were passed over\n", foreign, strings.Join(names, ", "))
	}
	fmt.Fprintf(w, "next: joltbench summary %s\n", c.Store)
	return heed(in, l, names)
}

// heed is an error where nothing usable came, or time ran backwards.
func heed(in *input, l *line, foreign []string) error {
	if err := l.heard(foreign); err != nil {
		return err
	}
	if s := in.forward.says(); s != "" {
		return cli.Attention(errors.New(s))
	}
	return nil
}

// heard is an error where what came was nothing that a detector could use.
// foreign names the interfaces that were passed over.
func (l *line) heard(foreign []string) error {
	seen := map[stream.Role]bool{}
	for _, c := range l.stream.Cover() {
		seen[c.Role] = c.Samples > c.NotOK
	}
	switch stats := l.stream.Stats(); {
	case stats.Frames == 0 && len(foreign) > 0:
		return cli.Attention(fmt.Errorf("no frame came from an interface that the vehicle file names; the recording has %s: give one as interface = in its [[bus]]", strings.Join(foreign, ", ")))
	case stats.Mapped == 0:
		return cli.Attention(fmt.Errorf("%d frames, and none is of a message that the vehicle file maps: see what is there with joltbench find --fields", stats.Frames))
	case !seen[stream.EngineSpeed]:
		return cli.Attention(errors.New("engine_speed never came, so no detector could work: see joltwatch check"))
	case !seen[stream.TurbineSpeed] && !seen[stream.OutputSpeed] && !seen[stream.VehicleSpeed]:
		return cli.Attention(errors.New("no second speed came (turbine_speed, output_speed or vehicle_speed), so no detector could work: see joltwatch check"))
	}
	return nil
}

// newLine builds the way from frames to findings, without a store.
func newLine(h *host, plan *stream.Plan, set detect.Settings) (*line, error) {
	s, err := stream.New(plan)
	if err != nil {
		return nil, err
	}
	l := &line{stream: s, log: h.log, findings: map[string]int{}}
	l.monitor = detect.New(set, plan, l)
	return l, nil
}

// recall gives the monitor what earlier drives of the stay taught; of a recording
// that goes on, what they had before it.
func (l *line) recall(dir string) error {
	history, err := storage.ReadHistory(dir)
	if l.muted > 0 {
		history = l.before
	}
	if errors.Is(err, os.ErrNotExist) {
		return nil // a card that refused to begin a stay
	}
	if err != nil {
		return err
	}
	if err := l.monitor.LoadHistory(history); err != nil {
		return err
	}
	l.stream.RecallRatios(l.monitor.Ratios())
	return nil
}

// refuseRepeat keeps a recording from being counted twice in one stay.
func refuseRepeat(dir string, in *input) error {
	if in.live {
		return nil
	}
	s, err := storage.Read(dir)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil
		}
		return err
	}
	for _, b := range s.Boots() {
		if b.ID == in.boot { // every run of it is the whole recording
			return fmt.Errorf("%s: this stay holds the recording %s already; give another --store, or remove the folder to start anew", dir, in.name)
		}
	}
	return nil
}

func seconds(s float64) bus.Micros { return bus.Micros(s * 1e6) }

// input is where frames come from, with what the commands need to know of it.
type input struct {
	source
	name string
	// boot identifies the time line that the instants belong to: the kernel's
	// boot id on a live bus, a digest of its first frames for a recording.
	boot   string
	live   bool
	now    func() bus.Micros
	opened bus.Micros   // when, on a live bus
	log    *bus.TextLog // where it is a recorded log
	codes  codes
	asking asking
	// forward, where set, keeps time from running backwards.
	forward *forward
}

// openInput opens what --from names, or the vehicle file's buses (see openLive).
func openInput(h *host, file *vehicle.File, from string, all bool) (*input, error) {
	if from == "" {
		return openLive(h, file, all)
	}
	if st, err := os.Stat(from); err == nil && st.IsDir() {
		src, err := storage.OpenReplay(from)
		if err != nil {
			return nil, err
		}
		return withBoot(&input{source: src, name: from})
	}
	if file.Table != nil {
		return openTable(h, file, from)
	}
	opt := bus.LogOptions{
		Interfaces: file.Interfaces(),
		Adopt:      true,
		Report: func(line int, reason string) {
			h.log.Warn().Int("line", line).Str("file", from).Msg(reason)
		},
	}
	var src *bus.TextLog
	var err error
	if from == "-" {
		src, err = bus.NewTextLog(h.stdin, "standard input", opt)
	} else {
		src, err = bus.OpenLog(from, opt)
	}
	if err != nil {
		return nil, err
	}
	in, err := withBoot(&input{source: src, name: from, log: src})
	if err == nil && src.Adopted() != "" {
		h.log.Warn().Str("file", from).Msg(in.adopted(file))
	}
	return in, err
}

// adopted says that the one interface of a log stands for the one bus of the
// vehicle file; empty where it has that name.
func (in *input) adopted(file *vehicle.File) string {
	if in.log == nil || in.log.Adopted() == "" {
		return ""
	}
	return fmt.Sprintf("the recording has no interface %s; its only one, %s, is taken for it", file.Buses[0].Interface, in.log.Adopted())
}

// foreign is how many frames came from interfaces that are not in use, and some
// of their names.
func (in *input) foreign() (uint64, []string) {
	if in.log == nil {
		return 0, nil
	}
	return in.log.Foreign()
}

// withBoot reads the first frames to name the recording by, and hands them out
// again.
func withBoot(in *input) (*input, error) {
	first := make([]bus.Frame, 64)
	n, err := in.source.Read(first)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, errors.Join(err, in.source.Close())
	}
	sum := sha256.New()
	for i := range first[:n] {
		sum.Write(bus.AppendLogLine(nil, &first[i], "x"))
		if first[i].Kind == bus.Reading { // which has no place in a log
			fmt.Fprintln(sum, first[i].At, first[i].ID, first[i].Value())
		}
	}
	in.boot = "recording-" + hex.EncodeToString(sum.Sum(nil)[:8])
	in.source = &again{source: in.source, first: first[:n], err: err}
	return in, nil
}

// again is a source whose first frames have been read already.
type again struct {
	source
	first []bus.Frame
	err   error
}

func (a *again) Read(batch []bus.Frame) (int, error) {
	if len(a.first) > 0 {
		n := copy(batch, a.first)
		a.first = a.first[n:]
		return n, nil
	}
	if a.err != nil {
		return 0, a.err
	}
	return a.source.Read(batch)
}
