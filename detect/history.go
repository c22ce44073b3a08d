package detect

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/DataDog/sketches-go/ddsketch"
	"github.com/DataDog/sketches-go/ddsketch/mapping"
	"github.com/DataDog/sketches-go/ddsketch/store"

	"joltwatch/detect/calibrate"
	"joltwatch/detect/chain"
	"joltwatch/detect/coupling"
	"joltwatch/detect/ratioline"
	"joltwatch/detect/state"
	"joltwatch/stream"
)

// history is the vehicle's own normal: a quantile sketch of each chief measure
// by temperature band and gear, and what else is kept of it.
type history struct {
	of map[historyKey]*ddsketch.DDSketch
	kept
}

// kept is the part of a history that stands on file as it is.
type kept struct {
	// Ratios are what the stream has learned of the gears: it is kept with the
	// rest, since it is the vehicle's as well.
	Ratios []stream.RatioMemory `json:"ratios,omitempty"`
	// Chain is what is known of the measuring chain, likewise.
	Chain *calibrate.Memory `json:"chain,omitempty"`
	// Report is how a reported clutch state goes with what the plates do.
	Report *state.ReportMemory `json:"report,omitempty"`
	// Levels are the commands at which the clutch lets go and holds.
	Levels *state.LevelsMemory `json:"command_levels,omitempty"`
	// Overrun is what the open converter does in overrun.
	Overrun *coupling.OverrunMemory `json:"overrun,omitempty"`
	// Lines are those of engine over road speed, where they are watched.
	Lines *ratioline.Memory `json:"lines,omitempty"`
	// Trend are the points of the slip trend, oldest first.
	Trend []trendPoint `json:"slip_trend,omitempty"`
	// Shaking is what slip and engine speed do by themselves.
	Shaking *keptBand `json:"shaking,omitempty"`
	// Launches are the converter's capacity factors of the latest launches, in
	// rpm/√(N·m), from version 0.2 on.
	Launches []float64 `json:"launches,omitempty"`
	// OwnStarts say whether the engine stops itself, from version 0.2 on.
	OwnStarts ownStarts `json:"own_starts,omitzero"`
	// Releases is what is usual of them, link by link, from version 0.2 on.
	Releases chain.Memory `json:"releases,omitzero"`
	// Separations are those that no command tells of, with the turbine's speed as the
	// speeds parted, from version 0.2 on.
	Separations chain.Memory `json:"partings,omitzero"`
	// Rises are those of the command as the vehicle pulls away, from version 0.2 on.
	Rises chain.Rises `json:"rises,omitzero"`
}

// historyKey is one distribution. Band is the temperature band of the account
// (-1 unknown), Gear the gear (-9 unknown).
type historyKey struct {
	Measure string `json:"measure"`
	Band    int    `json:"band"`
	Gear    int    `json:"gear"`
}

const (
	// sketchGamma is the growth from one bin to the next: values are told
	// apart to about 1 %. The linear interpolation between powers of two
	// uses no logarithm, so that machines agree on the bin.
	sketchGamma = 1.02
	// sketchBins bounds a sketch: 4 KB.
	sketchBins = 512
	// historyKeys bounds the history as a whole.
	historyKeys = 400
	noBand      = -1
	noGear      = -9
)

func newHistory() *history { return &history{of: map[historyKey]*ddsketch.DDSketch{}} }

func sketchMapping() mapping.IndexMapping {
	m, err := mapping.NewLinearlyInterpolatedMappingWithGamma(sketchGamma, 0)
	if err != nil {
		panic(err) // the constant is out of range
	}
	return m
}

func newSketch() *ddsketch.DDSketch {
	return ddsketch.NewDDSketch(sketchMapping(), store.NewCollapsingLowestDenseStore(sketchBins), store.NewCollapsingLowestDenseStore(sketchBins))
}

// key is where a finding's measure belongs.
func historyOf(measure string, c *Context) historyKey {
	k := historyKey{measure, noBand, noGear}
	if c.FluidTemperatureC != nil {
		k.Band = tempBand(*c.FluidTemperatureC)
	}
	if c.Gear != nil {
		k.Gear = int(*c.Gear)
	}
	return k
}

// percentile says where a value falls among the earlier ones at this temperature and
// gear, or nothing where there are none. It takes no notice of this one.
func (h *history) percentile(k historyKey, v float64) []Percentile {
	s := h.of[k]
	if s == nil || s.IsEmpty() {
		return nil
	}
	// The value's own bin counts half. Bins are compared by index: the
	// library's way from an index back to a value is wrong where int has 32
	// bits.
	below, all := 0.0, s.GetCount()
	if v > 0 {
		own := s.IndexMapping.Index(v)
		below = s.GetZeroCount()
		s.GetPositiveValueStore().ForEach(func(i int, n float64) bool {
			switch {
			case i < own:
				below += n
			case i == own:
				below += n / 2
			}
			return false
		})
	} else {
		below = s.GetZeroCount() / 2
	}
	return []Percentile{{Measure: k.Measure, Share: state.Round(below/all, 0.001), N: uint64(all)}}
}

// median returns the middle of the earlier values and how many there were.
func (h *history) median(k historyKey) (float64, float64) {
	s := h.of[k]
	if s == nil || s.IsEmpty() {
		return 0, 0
	}
	// The library's quantile of one half, by index for the same reason.
	all := s.GetCount()
	rank := 0.5 * (all - 1)
	if rank < s.GetZeroCount() {
		return 0, all
	}
	return binValue(s.GetPositiveValueStore().KeyAtRank(rank - s.GetZeroCount())), all
}

// binValue is the middle of a bin, as the library has it on 64 bits
// (LinearlyInterpolatedMapping.Value).
func binValue(index int) float64 {
	x := float64(index) / (1 / math.Log2(sketchGamma))
	exponent := math.Floor(x)
	return math.Ldexp(x-exponent+1, int(exponent)) * (1 + sketchMapping().RelativeAccuracy())
}

// add counts a value, which must not be negative.
func (h *history) add(k historyKey, v float64) {
	if !(v >= 0) || math.IsInf(v, 0) {
		return
	}
	s := h.of[k]
	if s == nil {
		if len(h.of) >= historyKeys {
			return
		}
		s = newSketch()
		h.of[k] = s
	}
	s.Add(v) //nolint:errcheck // only values out of range, excluded above
}

// historyRecord is one sketch on file.
type historyRecord struct {
	historyKey
	Sketch []byte `json:"sketch"`
}

type historyFile struct {
	Version int             `json:"version"`
	Of      []historyRecord `json:"of"`
	kept
}

func (h *history) encode() []byte {
	keys := make([]historyKey, 0, len(h.of))
	for k := range h.of {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b historyKey) int {
		switch {
		case a.Measure != b.Measure:
			if a.Measure < b.Measure {
				return -1
			}
			return 1
		case a.Band != b.Band:
			return a.Band - b.Band
		}
		return a.Gear - b.Gear
	})
	f := historyFile{Version: 1, Of: []historyRecord{}, kept: h.kept}
	for _, k := range keys {
		var b []byte
		h.of[k].Encode(&b, false)
		f.Of = append(f.Of, historyRecord{k, b})
	}
	out, err := json.Marshal(f)
	if err != nil {
		return nil // bytes and numbers always marshal
	}
	return out
}

func (h *history) decode(b []byte) (err error) {
	if len(b) == 0 {
		return nil
	}
	var f historyFile
	if err := json.Unmarshal(b, &f); err != nil {
		return fmt.Errorf("history of the vehicle: %w", err)
	}
	if f.Version != 1 {
		return fmt.Errorf("history of the vehicle: version %d, expected 1", f.Version)
	}
	// The library's decoder is for its own output; what a damaged file makes
	// of it must not stop the monitor.
	defer func() {
		if recover() != nil {
			err = errors.New("history of the vehicle: damaged")
		}
	}()
	of := map[historyKey]*ddsketch.DDSketch{}
	want := sketchMapping()
	for _, r := range f.Of {
		s, err := ddsketch.DecodeDDSketch(r.Sketch, func() store.Store { return store.NewCollapsingLowestDenseStore(sketchBins) }, nil)
		if err != nil {
			return fmt.Errorf("history of the vehicle, %s: %w", r.Measure, err)
		}
		if s.IndexMapping == nil || !s.IndexMapping.Equals(want) {
			return fmt.Errorf("history of the vehicle, %s: other bins", r.Measure)
		}
		if len(of) < historyKeys {
			of[r.historyKey] = s
		}
	}
	if !f.Releases.Valid() || !f.Separations.Valid() || !f.Rises.Valid() {
		return errors.New("history of the vehicle: its releases are out of range")
	}
	h.of, h.kept = of, f.kept
	return nil
}
