package drive

import (
	"fmt"
	"sort"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Scramble drives the scenario with a layout that nobody knows: random
// identifiers, bit positions, byte orders, scales, counters and checksums, and
// 60 to 120 identifiers of other traffic. Result.Layout is the truth of where
// everything is. answers adds the three values that every car gives when asked
// (SAE J1979 parameters 0C, 0D and 49, identifier 0x7E8) a few times a second,
// with the requests (0x7DF) between them.
func Scramble(sc Scenario, seed uint64, answers bool) (*Result, error) {
	v, err := VehicleByName(sc.Vehicle)
	if err != nil {
		return nil, fmt.Errorf("scramble: %w", err)
	}
	rnd := newRandom(seed, 41)
	l := scrambled(v, rnd, answers)
	sc.layout = &l
	sc.Seed ^= seed
	return Run(sc)
}

// Unlike are the kinds of traffic in which a converter automatic's three speeds
// are not all there to be found: see ScrambleUnlike.
func Unlike() []string {
	return []string{"stationary", "manual", "twin-clutch", "electric", "no turbine", "wheels", "only wheels", "moving only"}
}

// ScrambleUnlike is Scramble for a recording of another kind:
//
//	stationary    the vehicle never moves; the engine idles and is revved
//	manual        engine and gearbox input turn as one, but for pulling away
//	twin-clutch   engine and two gearbox inputs, each with a clutch of its own
//	electric      one motor on one ratio, no engine
//	no turbine    an automatic whose turbine speed is not sent
//	wheels        all is there, and wheel speeds in many messages, in several forms
//	only wheels   the same without turbine and output speed
//	moving only   a stretch on the road, from no standstill to none
func ScrambleUnlike(kind, vehicle string, seed uint64, answers bool) (*Result, error) {
	sc := Recipe(vehicle, seed)
	sc.NoLog, sc.NoTrace = true, true
	if kind == "stationary" {
		sc.Steps = []Step{{Do: "start", ForS: 15, Grade: new(0.0)}}
		for k := range 5 {
			sc.Steps = append(sc.Steps, Step{Do: "neutral", ForS: 6, PedalPct: 8 + 3*float64(k)}, Step{Do: "stop", Accel: 1, ForS: 4})
		}
	}
	v, err := VehicleByName(vehicle)
	if err != nil {
		return nil, fmt.Errorf("scramble: %w", err)
	}
	l := scrambled(v, newRandom(seed, 41), answers && kind != "electric")
	for i := range l.Messages {
		for k := range l.Messages[i].Signals {
			l.Messages[i].Signals[k].unlike(kind)
		}
	}
	l.add(kind, newRandom(seed, 43))
	sc.layout = &l
	sc.Seed ^= seed
	r, err := Run(sc)
	if err == nil && kind == "moving only" {
		r.Frames = onTheRoad(r.Frames)
	}
	return r, err
}

// add adds the messages that a kind of traffic has besides.
func (l *Layout) add(kind string, rnd *random) {
	more := func(name string, period int, signals ...Signal) {
		m := Message{Name: name, ID: uint32(0x700 + len(l.Messages)), Len: 8, PeriodMs: period, JitterUs: 600, LatencyUs: 1500, Signals: signals}
		if m.Extended = l.Messages[0].Extended; m.Extended {
			m.ID |= 0x1B000000
		}
		l.Messages = append(l.Messages, m)
	}
	wheel := func(at uint8, scale float64) Signal {
		return Signal{Name: fmt.Sprintf("Wheel%d", at), Field: Field{at + 7, 16, true}, Scale: scale, Role: stream.NumRoles, Filler: FillerWheel}
	}
	switch kind {
	case "twin-clutch":
		more("EvenShaft", 20, Signal{Name: "EvenShaft", Field: Field{8, 16, false}, Scale: 0.5, Noise: 0.9, Role: stream.NumRoles, Filler: FillerEvenShaft})
	case "wheels", "only wheels":
		for k := range 4 {
			more(fmt.Sprintf("OneWheel%d", k), 20, wheel(uint8(8*rnd.n(7)), []float64{0.01, 1.0 / 128, 0.03125, 0.05}[rnd.n(4)]))
		}
		more("FrontWheels", 10, wheel(0, 0.01), wheel(16, 0.01))
		more("RearWheels", 10, wheel(32, 0.01), wheel(48, 0.01))
		more("Pulses", 20, wheel(0, 0.02), wheel(16, 0.02), wheel(32, 0.02), wheel(48, 0.02))
	}
}

// unlike changes what a signal carries.
func (s *Signal) unlike(kind string) {
	role := s.Role
	switch {
	case role == stream.TurbineSpeed && kind == "twin-clutch":
		s.Role, s.Filler = stream.NumRoles, FillerOddShaft
	case role == stream.EngineSpeed && kind == "twin-clutch":
		s.Role, s.Filler = stream.NumRoles, FillerTwinEngine
	case kind == "only wheels" && (role == stream.TurbineSpeed || role == stream.OutputSpeed):
		s.Role, s.Filler = stream.NumRoles, FillerWalk
	case role == stream.TurbineSpeed && (kind == "manual" || kind == "electric" || kind == "no turbine"):
		s.Role, s.Filler = stream.NumRoles, FillerWalk
	case role == stream.EngineSpeed && kind == "manual":
		s.Role, s.Filler = stream.NumRoles, FillerGeared
	case role == stream.EngineSpeed && kind == "electric":
		s.Role, s.Filler = stream.NumRoles, FillerMotor
	case role == stream.Gear && kind == "electric":
		s.Role, s.Filler = stream.NumRoles, FillerConstant
	}
}

// onTheRoad keeps half a minute from the middle of the first stretch.
func onTheRoad(frames []bus.Frame) []bus.Frame {
	from := frames[0].At + 14*bus.Second
	a := sort.Search(len(frames), func(i int) bool { return frames[i].At >= from })
	b := sort.Search(len(frames), func(i int) bool { return frames[i].At >= from+22*bus.Second })
	return frames[a:b]
}

// Recipe returns the two minutes of driving that make signals easiest to find:
// idle, pull away through three gears, steady, coast, stop, and a blip in
// neutral.
func Recipe(vehicle string, seed uint64) Scenario {
	rnd := newRandom(seed, 42)
	kmh := rnd.between(46, 58)
	return Scenario{Name: "recipe", Vehicle: vehicle, Seed: seed, FluidC: rnd.between(50, 85), Steps: []Step{
		{Do: "start", ForS: rnd.between(5, 8), Grade: new(0.0)},
		{Do: "drive", ToKmh: kmh, Accel: rnd.between(0.8, 1.3), ForS: rnd.between(24, 30)},
		{Do: "lift", ToKmh: kmh - 12, ForS: 5},
		{Do: "stop", Accel: rnd.between(1, 1.5), ForS: 4},
		{Do: "drive", ToKmh: kmh - 10, Accel: rnd.between(0.8, 1.3), ForS: rnd.between(18, 24)},
		{Do: "neutral", ForS: 6, PedalPct: 16},
		{Do: "stop", Accel: 1.1, ForS: 3},
		{Do: "drive", ToKmh: kmh, Accel: rnd.between(0.9, 1.4), ForS: 18},
		{Do: "stop", Accel: 1.3, ForS: 4},
	}}
}

// scrambled invents a layout.
func scrambled(v *Vehicle, rnd *random, answers bool) Layout {
	x := scrambler{rnd: rnd, used: map[uint32]bool{}, wide: rnd.n(4) == 0,
		l: Layout{Buses: []string{"can0"}, Bitrate: []int{500000}, Offset: []int64{0}, DriftPPM: []float64{0}}}
	x.roles(v)
	for i := range x.l.Messages {
		fillMessage(&x.l.Messages[i], rnd)
	}
	x.wheels()
	periods := []int{10, 20, 20, 50, 100, 100, 200, 500, 1000}
	for k := 60 + rnd.n(61); k > 0; k-- {
		m := Message{Name: fmt.Sprintf("Other%d", k), ID: x.newID(), Extended: x.wide, Len: []int{8, 8, 8, 7, 6, 4, 2}[rnd.n(7)],
			PeriodMs: periods[rnd.n(len(periods))], JitterUs: 800, LatencyUs: rnd.n(3000)}
		fillMessage(&m, rnd)
		x.l.Messages = append(x.l.Messages, m)
	}
	if answers {
		for _, a := range []struct {
			parameter byte
			s         Signal
		}{
			{0x0C, Signal{Name: "AskedEngineSpeed", Field: Field{31, 16, true}, Scale: 0.25, Unit: "rpm", Role: stream.EngineSpeed, Noise: 0.8, Unmapped: true}},
			{0x0D, Signal{Name: "AskedRoadSpeed", Field: Field{24, 8, false}, Scale: 1, Unit: "km/h", Role: stream.VehicleSpeed, Unmapped: true}},
			{0x49, Signal{Name: "AskedPedal", Field: Field{24, 8, false}, Scale: 100.0 / 255, Unit: "%", Role: stream.Accelerator, Unmapped: true}},
		} {
			x.l.Messages = append(x.l.Messages, asked(a.parameter, a.s)...)
		}
	}
	return x.l
}

// scrambler is a layout being invented.
type scrambler struct {
	l    Layout
	rnd  *random
	used map[uint32]bool
	wide bool // 29-bit identifiers
}

func (x *scrambler) newID() uint32 {
	for {
		id := uint32(0x080 + x.rnd.n(0x680))
		if x.wide {
			id = uint32(0x0C000000 + x.rnd.n(0x0F000000))
		}
		if !x.used[id] {
			x.used[id] = true
			return id
		}
	}
}

// roles places the signals that have a role.
func (x *scrambler) roles(v *Vehicle) {
	rnd := x.rnd
	first := int64(rnd.n(3))
	gears := map[int]int64{stream.GearNeutral: first, stream.GearReverse: 14, stream.GearPark: 13}
	for g := range v.Ratios {
		gears[g+1] = int64(g+1) + first
	}
	road := []float64{0.01, 1.0 / 128, 0.0625, 0.1}[rnd.n(4)]
	pedal := []float64{0.4, 100.0 / 255, 0.5, 0.1}[rnd.n(4)]
	pedalBits := uint8(8)
	if pedal < 0.3 {
		pedalBits = 10
	}
	signals := []struct {
		s      Signal
		period int
	}{
		{x.speed(stream.EngineSpeed, "EngineSpeed", 8000, 0.8, 0), []int{10, 20, 20, 25}[rnd.n(4)]},
		{x.speed(stream.TurbineSpeed, "TurbineSpeed", 8000, 0.9, rnd.between(5, 40)), []int{10, 20, 20, 25, 40}[rnd.n(5)]},
		{x.speed(stream.OutputSpeed, "OutputSpeed", 6000, 0.5, rnd.between(2, 20)), []int{10, 20, 20, 40}[rnd.n(4)]},
		{Signal{Name: "VehicleSpeed", Field: Field{Length: bitsFor(road, 250), BigEndian: rnd.n(2) == 0}, Scale: road, Unit: "km/h", Role: stream.VehicleSpeed, Noise: 0.02, DeadBelow: 0.6}, []int{20, 40, 100}[rnd.n(3)]},
		{Signal{Name: "Gear", Field: Field{Length: 4}, Scale: 1, Role: stream.Gear, Codes: gears}, []int{20, 50, 100}[rnd.n(3)]},
		{Signal{Name: "Pedal", Field: Field{Length: pedalBits, BigEndian: rnd.n(2) == 0}, Scale: pedal, Unit: "%", Role: stream.Accelerator}, []int{10, 20, 50}[rnd.n(3)]},
		{Signal{Name: "Brake", Field: Field{Length: 1}, Scale: 1, Role: stream.Brake}, []int{20, 50, 100}[rnd.n(3)]},
		{Signal{Name: "EngineTorque", Field: Field{Length: 12, BigEndian: rnd.n(2) == 0}, Scale: 1, Offset: -1000, Unit: "Nm", Role: stream.EngineTorque, Noise: 2}, 20},
		{Signal{Name: "FluidTemperature", Field: Field{Length: 8}, Scale: 1, Offset: -40, Unit: "degC", Role: stream.FluidTemperature}, 500},
	}
	for _, s := range signals {
		x.place(s.s, s.period)
	}
}

// bitsFor is how many bits a value up to most takes, 8 at least.
func bitsFor(scale, most float64) uint8 {
	n := uint8(8)
	for scale*float64(uint64(1)<<n) < most {
		n++
	}
	return n
}

func (x *scrambler) speed(role stream.Role, name string, most, noise, dead float64) Signal {
	scale := []float64{0.125, 0.2, 0.25, 0.5, 1}[x.rnd.n(5)]
	n := bitsFor(scale, most)
	if x.rnd.n(2) == 0 && n < 16 {
		n = 16
	}
	return Signal{Name: name, Field: Field{Length: n, BigEndian: x.rnd.n(2) == 0}, Scale: scale, Unit: "rpm", Role: role, Noise: noise, DeadBelow: dead}
}

// place puts a signal into the last message, as some share one, or into a new one.
func (x *scrambler) place(s Signal, period int) {
	l, rnd := &x.l, x.rnd
	if n := len(l.Messages); n > 0 && rnd.n(3) == 0 {
		m := &l.Messages[n-1]
		var o occupied
		for k := range m.Signals {
			o.take(m.Signals[k].Field)
		}
		if f, ok := o.place(rnd, s.Length, m.Len, s.BigEndian); ok {
			s.Field = f
			m.Signals = append(m.Signals, s)
			return
		}
	}
	m := Message{Name: fmt.Sprintf("Message%d", len(l.Messages)+1), ID: x.newID(), Extended: x.wide,
		Len: 8, PeriodMs: period, JitterUs: 700, LatencyUs: 500 + rnd.n(2500)}
	if rnd.n(4) == 0 {
		m.Len = 4 + rnd.n(4)
	}
	var o occupied
	f, ok := o.place(rnd, s.Length, m.Len, s.BigEndian)
	if !ok {
		f = Field{7, s.Length, true}
	}
	s.Field = f
	m.Signals = []Signal{s}
	l.Messages = append(l.Messages, m)
}

// wheels adds four wheel speeds, much like the output shaft.
func (x *scrambler) wheels() {
	m := Message{Name: "Wheels", ID: x.newID(), Extended: x.wide, Len: 8, PeriodMs: 20, JitterUs: 600, LatencyUs: 1500}
	for k := range uint8(4) {
		f := Field{16 * k, 16, false}
		if x.rnd.n(2) == 0 {
			f = Field{16*k + 7, 16, true}
		}
		m.Signals = append(m.Signals, Signal{Name: fmt.Sprintf("Wheel%d", k+1), Field: f, Scale: 0.01,
			Role: stream.NumRoles, Filler: FillerWheel})
	}
	x.l.Messages = append(x.l.Messages, m)
}

// asked is a request and its answer, 5 ms to 20 ms apart.
func asked(parameter byte, s Signal) []Message {
	phase := int(parameter%3) * 40
	n := byte(3)
	if s.Length == 16 {
		n = 4
	}
	return []Message{
		{Name: fmt.Sprintf("Request%02X", parameter), ID: 0x7DF, Len: 8, PeriodMs: 200, PhaseMs: phase + 1, LatencyUs: 100,
			Fill: 0x55, Fixed: []byte{2, 1, parameter}},
		{Name: fmt.Sprintf("Answer%02X", parameter), ID: 0x7E8, Len: 8, PeriodMs: 200, PhaseMs: phase + 1, LatencyUs: 5000, JitterUs: 15000,
			Fill: 0xAA, Fixed: []byte{n, 0x41, parameter}, Signals: []Signal{s}},
	}
}
