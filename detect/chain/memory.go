package chain

import (
	"math"
	"slices"
)

// Release is what is kept of a release; what was not known is NaN.
type Release struct {
	Gear    int
	Celsius float64
	// TurbineRPM is the turbine's speed as the command fell, RPMPerS how fast it
	// was falling, BrakeS how long the brake had been on.
	TurbineRPM, RPMPerS, BrakeS float64
	// Kmh and KmhPerS are the same of the road speed.
	Kmh, KmhPerS float64
	// Between PartedLowKPa and PartedHighKPa was the pressure as the speeds parted;
	// DeadS is the time from the command to the pressure's beginning to fall.
	PartedLowKPa, PartedHighKPa, DeadS float64
	// LagS is the time from the command to the speeds' separation.
	LagS float64
	// Way is how the turbine came down to the fall since the driver let it, the
	// latest first. It is not kept; OverdueS is what it says.
	Way      []Passed
	OverdueS float64
	// RolledS is how long ago the driver let the vehicle roll, as the command fell,
	// LiftedS how long ago the pedal was lifted; 0 where that is not known. RolledS is
	// not kept.
	RolledS, LiftedS float64
}

// Passed is the turbine at an instant before the command fell. Hidden: a shift was
// under way, or about to be.
type Passed struct {
	AgoS, TurbineRPM, RPMPerS float64
	Hidden                    bool
}

// Memory is what is usual for the vehicle: its latest sound releases.
type Memory struct {
	latest[Remembered]
	// told is what was worked out of these, until another comes.
	told *apart
}

// Remembered is one release on file, in a form that JSON has: what is not known
// is -1.
type Remembered struct {
	Gear       int     `json:"gear"`
	Celsius    float64 `json:"deg_c"`
	TurbineRPM float64 `json:"turbine_rpm"`
	RPMPerS    float64 `json:"rpm_per_s"`
	BrakeS     float64 `json:"brake_s"`
	Kmh        float64 `json:"kmh"`
	KmhPerS    float64 `json:"kmh_per_s"`
	PartedLow  float64 `json:"parted_low_kpa"`
	PartedHigh float64 `json:"parted_high_kpa"`
	DeadS      float64 `json:"dead_s"`
	LagS       float64 `json:"lag_s"`
	OverdueS   float64 `json:"overdue_s"`
	LiftedS    float64 `json:"lifted_s,omitempty"`
	// Told: its command was told as late.
	Told bool `json:"told,omitempty"`
}

const (
	// remembered releases are kept: some days' of stops, and quick to go through.
	remembered = 64
	// Fewest make a habit of the decision. Structural: with fewer, one or two that
	// are not sound make up too much of it.
	Fewest = 8
	// fewestHold make one of the pressure.
	fewestHold = 8
	unknown    = -1.0
)

// Learn takes a sound release.
func (m *Memory) Learn(r *Release) { m.keep(r.remembered()) }

// Told takes one whose command was told as late: none that a habit is made of, but enough
// of them alike are one that was not known.
func (m *Memory) Told(r *Release) {
	x := r.remembered()
	x.Told = true
	m.keep(x)
}

func (m *Memory) keep(x Remembered) {
	m.told = nil
	m.latest.keep(x)
}

// latest are the last so many, in a form that JSON has.
type latest[T any] struct {
	Last []T `json:"last"`
	// Next is where the next one goes once there are as many as are kept.
	Next int `json:"next"`
}

// Valid reports whether what was read from a file can be some.
func (l *latest[T]) Valid() bool {
	return len(l.Last) <= remembered && l.Next >= 0 && (l.Next == 0 || l.Next < len(l.Last))
}

func (l *latest[T]) keep(x T) {
	if len(l.Last) < remembered {
		l.Last = append(l.Last, x)
		return
	}
	l.Last[l.Next] = x
	l.Next = (l.Next + 1) % remembered
}

// Without is the memory as it was before a release was taken.
func (m *Memory) Without(r *Release) Memory {
	x := r.remembered()
	return Memory{latest: latest[Remembered]{Last: slices.DeleteFunc(slices.Clone(m.Last), func(y Remembered) bool { return y == x })}}
}

func (r *Release) remembered() Remembered {
	return Remembered{r.Gear, known(r.Celsius, 1), known(r.TurbineRPM, 1), known(r.RPMPerS, 1), known(r.BrakeS, 0.01),
		known(r.Kmh, 0.1), known(r.KmhPerS, 0.01),
		known(r.PartedLowKPa, 0.1), known(r.PartedHighKPa, 0.1), known(r.DeadS, 0.001), known(r.LagS, 0.001), known(r.OverdueS, 0.01), known(r.LiftedS, 0.01), false}
}

// known rounds what is known, so that machines that fuse products agree.
func known(v, step float64) float64 {
	if math.IsNaN(v) || v < 0 {
		return unknown
	}
	return math.Round(v/step) * step
}

// Hold is the pressure below which the clutch lets go on this vehicle.
type Hold struct {
	Known           bool
	LowKPa, HighKPa float64 // between these it may be either
}

// Hold returns what the releases say of it.
func (m *Memory) Hold() Hold {
	low := m.all(func(x *Remembered) float64 { return x.PartedLow })
	high := m.all(func(x *Remembered) float64 { return x.PartedHigh })
	if len(low) < fewestHold || len(high) < fewestHold {
		return Hold{}
	}
	return Hold{Known: true, LowKPa: at(low, 0.1), HighKPa: at(high, 0.9)}
}

// DeadS is the usual time from the command to the pressure's beginning to fall, in
// s, and of how many.
func (m *Memory) DeadS() (s float64, n int) {
	return median(m.all(func(x *Remembered) float64 { return x.DeadS }))
}

// LagS is that to the speeds' separation.
func (m *Memory) LagS() (s float64, n int) {
	return median(m.all(func(x *Remembered) float64 { return x.LagS }))
}

func (m *Memory) all(of func(*Remembered) float64) []float64 {
	var v []float64
	for i := range m.Last {
		if x := of(&m.Last[i]); x >= 0 && !m.Last[i].Told {
			v = append(v, x)
		}
	}
	slices.Sort(v)
	return v
}

func at(sorted []float64, q float64) float64 {
	return sorted[min(len(sorted)-1, int(float64(q*float64(len(sorted)))))]
}

func median(sorted []float64) (float64, int) {
	if len(sorted) == 0 {
		return 0, 0
	}
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2, n
}
