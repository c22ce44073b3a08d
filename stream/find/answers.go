package find

import (
	"joltwatch/bus"
)

// A standard request is answered with the identifiers of ISO 15765-4: 0x7E8 to
// 0x7EF, or 0x18DAF1xx with 29 bits. Service 01 is answered with 41, service
// 22 (the same parameters under F4xx) with 62.

// Parameter is a standard parameter that serves as a reference.
type Parameter uint8

// The parameters of SAE J1979 service 01 that are used here.
const (
	ParamCoolant     Parameter = 0x05
	ParamEngineSpeed Parameter = 0x0C
	ParamRoadSpeed   Parameter = 0x0D
	ParamThrottle    Parameter = 0x11
	ParamPedalD      Parameter = 0x49
	ParamPedalE      Parameter = 0x4A
	ParamRelPedal    Parameter = 0x5A
)

// parameters gives for each parameter its length, and how its value comes from
// the first two bytes (SAE J1979, appendix B, from memory).
var parameters = map[Parameter]struct {
	size  int
	name  string
	unit  string
	value func(a, b byte) float64
}{
	ParamCoolant:     {1, "coolant temperature", "°C", func(a, _ byte) float64 { return float64(a) - 40 }},
	ParamEngineSpeed: {2, "engine speed", "rpm", func(a, b byte) float64 { return (256*float64(a) + float64(b)) / 4 }},
	ParamRoadSpeed:   {1, "road speed", "km/h", func(a, _ byte) float64 { return float64(a) }},
	ParamThrottle:    {1, "throttle position", "%", func(a, _ byte) float64 { return float64(a) * 100 / 255 }},
	ParamPedalD:      {1, "accelerator pedal position D", "%", func(a, _ byte) float64 { return float64(a) * 100 / 255 }},
	ParamPedalE:      {1, "accelerator pedal position E", "%", func(a, _ byte) float64 { return float64(a) * 100 / 255 }},
	ParamRelPedal:    {1, "relative accelerator pedal position", "%", func(a, _ byte) float64 { return float64(a) * 100 / 255 }},
}

// answers are the values found, by parameter.
type answers struct {
	ref map[Parameter]*reference
}

// reference is one parameter's values over time, all of them up to a bound;
// then every second, and so on.
type reference struct {
	at     []bus.Micros
	v      []float64
	stride int
	seen   int
	bus    uint8
	id     uint32
}

const maxReference = 1 << 15

func (a *answers) add(f *bus.Frame) {
	if f.Flags&bus.Extended == 0 {
		if f.ID < 0x7E8 || f.ID > 0x7EF {
			return
		}
	} else if f.ID>>8 != 0x18DAF1 {
		return
	}
	// A single frame of ISO 15765-2: high nibble 0, low nibble the length.
	n := int(f.Data[0])
	if n < 3 || n > 7 || int(f.Len) < n+1 {
		return
	}
	p := f.Data[1 : n+1]
	switch p[0] {
	case 0x41:
		// One answer may hold several parameters, each behind its number.
		for rest := p[1:]; len(rest) > 1; {
			d, ok := parameters[Parameter(rest[0])]
			if !ok || len(rest) < 1+d.size {
				return
			}
			a.put(f, Parameter(rest[0]), rest[1:1+d.size])
			rest = rest[1+d.size:]
		}
	case 0x62:
		if len(p) < 4 || p[1] != 0xF4 {
			return
		}
		if d, ok := parameters[Parameter(p[2])]; ok && len(p) >= 3+d.size {
			a.put(f, Parameter(p[2]), p[3:3+d.size])
		}
	}
}

func (a *answers) put(f *bus.Frame, p Parameter, b []byte) {
	if a.ref == nil {
		a.ref = map[Parameter]*reference{}
	}
	r := a.ref[p]
	if r == nil {
		r = &reference{stride: 1, bus: f.Bus, id: f.ID}
		a.ref[p] = r
	}
	// The controller that answered first is followed: two that answer the
	// same would be mixed otherwise.
	if r.bus != f.Bus || r.id != f.ID {
		return
	}
	r.seen++
	if r.seen%r.stride != 0 {
		return
	}
	var second byte
	if len(b) > 1 {
		second = b[1]
	}
	r.at = append(r.at, f.At)
	r.v = append(r.v, parameters[p].value(b[0], second))
	if len(r.at) >= maxReference {
		n := 0
		for i := 1; i < len(r.at); i += 2 {
			r.at[n], r.v[n] = r.at[i], r.v[i]
			n++
		}
		r.at, r.v, r.stride = r.at[:n], r.v[:n], r.stride*2
	}
}

// sender says whether the identifier answers requests, as far as seen.
func (a *answers) sender(id ID) bool {
	for _, r := range a.ref {
		if r.bus == id.Bus && r.id == id.ID {
			return true
		}
	}
	return false
}

// get returns the parameter's values, or nil where it was answered too seldom
// to serve.
func (a *answers) get(p Parameter) *reference {
	r := a.ref[p]
	if r == nil || len(r.at) < leastAnswers {
		return nil
	}
	return r
}
