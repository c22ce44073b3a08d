package review

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"reflect"
	"slices"

	"github.com/pelletier/go-toml/v2"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream"
)

// Load reads the stay in a store directory. Damage is no error: what could be
// read is there, and Remarks say what was not. The error says that there is no
// such directory.
func Load(dir string) (*Stay, error) {
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: no such directory; expected the store directory that joltwatch run --store wrote", dir)
	case err != nil:
		return nil, err
	case !info.IsDir():
		return nil, fmt.Errorf("%s: a file; expected the store directory that joltwatch run --store wrote", dir)
	}
	s := &Stay{Dir: dir}
	store, err := storage.Read(dir)
	var newer *storage.NewerError
	if errors.As(err, &newer) {
		s.Remark(fmt.Sprintf("nothing of the store is shown: %v", err))
		s.Damaged = true
		return s.Build(nil), nil
	}
	if err != nil {
		return nil, err
	}
	s.boots(store)
	if s.Ratios, err = detect.RatiosIn(store.History()); err != nil {
		s.Remark(fmt.Sprintf("what earlier drives taught cannot be read: %v", err))
	}
	if c, ok, err := detect.CalibrationIn(store.History()); err == nil && ok {
		s.Calibration = &c
	}
	if s.Habits, err = detect.HabitsIn(store.History()); err != nil {
		s.Habits = detect.Habits{} // said above
	}
	if s.Lines, err = detect.LinesIn(store.History()); err != nil {
		s.Lines = nil // said above
	}
	for _, p := range s.plans {
		p.Facts.Learned = s.Ratios // only those that are stable are used
	}
	for _, a := range store.Accounts() {
		s.Drives = append(s.Drives, Drive{Boot: a.Boot, Clock: a.Clock, Account: a.Account})
	}
	for _, e := range store.Events() {
		x := Event{ID: e.ID, Boot: e.Boot, Clock: e.Clock, Percentiles: e.Percentiles, Finding: e.Finding}
		if e.Evidence == storage.EvidenceKept || e.Evidence == storage.EvidenceInPart {
			x.From, x.To = e.From, e.To
		}
		s.Events = append(s.Events, x)
	}
	s.health(store)
	return s.Build(func(boot uint32, from, to bus.Micros) ([]bus.Frame, error) {
		ev, err := store.Evidence(boot, from, to)
		if err != nil {
			return nil, err
		}
		if len(ev.Damage) > 0 {
			s.Damaged = true
			err = fmt.Errorf("evidence damaged: %w", ev.Damage[0])
		}
		return ev.Frames, err
	}), nil
}

// boots takes what the runs say of themselves; the last one that says it
// counts, as that is what the stay ended with.
func (s *Stay) boots(store *storage.Store) {
	boots := store.Boots()
	if len(boots) == 0 {
		s.Remark("there is no stay in this directory: joltwatch never wrote to it, or its files are gone")
	}
	var settings [][]byte
	s.plans = map[uint32]*stream.Plan{}
	s.settings = map[uint32]detect.Settings{}
	for _, b := range boots {
		s.Asking, s.AskingBoot, s.AskingClock = b.Asking, b.Number, b.Clock
		if b.Label != "" {
			s.Label = b.Label
		}
		if b.Program != "" && !slices.Contains(s.Programs, b.Program) {
			s.Programs = append(s.Programs, b.Program)
		}
		if b.Plan == nil {
			s.Remark(fmt.Sprintf("run %d: what its frames were decoded with could not be read", b.Number))
		} else {
			s.plans[b.Number] = b.Plan
			for _, name := range b.Plan.MayAcknowledge {
				s.Remark(fmt.Sprintf("bus %s may have been acknowledged on, not only listened to: the vehicle file says may_acknowledge = true", name))
			}
			if s.Plan != nil && !reflect.DeepEqual(s.Plan, b.Plan) {
				s.Remark(fmt.Sprintf("the signals were mapped anew before run %d: what came before was decoded otherwise", b.Number))
			}
			s.Plan = b.Plan
		}
		if b.Settings != nil {
			if len(settings) > 0 && string(settings[len(settings)-1]) != string(b.Settings) {
				s.Remark(fmt.Sprintf("the settings changed before run %d: findings before and after are not alike; the last settings are shown", b.Number))
			}
			settings = append(settings, b.Settings)
			if set, err := detectSettings(b.Settings); err != nil {
				s.Remark(fmt.Sprintf("run %d: the stored settings could not be understood; the defaults are used to draw the clutch state: %v", b.Number, err))
			} else {
				s.settings[b.Number] = set
			}
			s.Settings = string(b.Settings)
		}
	}
	if len(s.Programs) > 1 {
		s.Remark(fmt.Sprintf("%d versions of the program wrote to this store: findings of different versions may not be alike", len(s.Programs)))
	}
}

// health says what the store knows to be missing.
func (s *Stay) health(store *storage.Store) {
	h := store.Health()
	s.Card = h.Usage
	for i, d := range h.Damage {
		s.Damaged = true
		if i == 5 {
			s.Remark(fmt.Sprintf("%d more places of the journals could not be read", len(h.Damage)-i))
			break
		}
		s.Remark("could not be read: " + d.Error())
	}
	for _, r := range h.Repairs {
		s.Remark(r.String())
	}
	if h.Running {
		s.Remark("the stay is still running: this is how it stood when it was read")
	}
	if h.Cut > 0 {
		s.Remark(fmt.Sprintf("runs that a cut of the power ended: %d; of each, up to the last account interval may be missing", h.Cut))
	}
	if h.DroppedFiles > 0 {
		s.Remark(fmt.Sprintf("%d evidence files (%d bytes) of the less severe events were removed to make room", h.DroppedFiles, h.DroppedBytes))
	}
	n := uint64(0)
	for _, t := range h.Thinned {
		n += uint64(t.N)
		if t.Kind == detect.KindReleaseLag {
			s.goneReleases += t.N
		}
	}
	if n > 0 {
		s.Remark(fmt.Sprintf("%d ordinary repeats are kept as counts only", n))
	}
	if h.Lost != nil {
		s.Remark("events that were seen and could not be stored: " + h.Lost.String())
	}
	for _, t := range h.Troubles {
		s.Remark(fmt.Sprintf("while recording, at %.0f s: %s", t.At.Seconds(), t.What))
	}
	lost := map[storage.EvidenceState]int{}
	for _, e := range store.Events() {
		lost[e.Evidence]++
	}
	if k := lost[storage.EvidenceLost]; k > 0 {
		s.Damaged = true
		s.Remark(fmt.Sprintf("the evidence of %d events should be there and is not", k))
	}
	if k := lost[storage.EvidenceNoRoom]; k > 0 {
		s.Remark(fmt.Sprintf("the evidence of %d events was not kept for want of room", k))
	}
	if k := lost[storage.EvidenceDelivered]; k > 0 {
		s.Remark(fmt.Sprintf("the evidence of %d events was delivered to the shop and is no longer here", k))
	}
	if k := lost[storage.EvidenceInPart]; k > 0 {
		s.Remark(fmt.Sprintf("the evidence of %d events is there in part: the rest went to make room", k))
	}
}

// detectSettings reads the [detect] table of a stored vehicle file over the
// defaults.
func detectSettings(text []byte) (detect.Settings, error) {
	doc := struct {
		Detect detect.Settings `toml:"detect"`
	}{detect.DefaultSettings()}
	err := toml.Unmarshal(text, &doc)
	return doc.Detect, err
}

// Asked reports whether the settings let the unit send requests on a bus.
func (s *Stay) Asked() bool {
	var doc struct {
		Bus []struct {
			Ask      bool `toml:"ask"`
			Standard bool `toml:"standard"`
		} `toml:"bus"`
	}
	if err := toml.Unmarshal([]byte(s.Settings), &doc); err != nil {
		return false
	}
	for _, b := range doc.Bus {
		if b.Ask || b.Standard {
			return true
		}
	}
	return false
}
