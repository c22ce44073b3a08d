package find

import (
	"math"
	"testing"

	"joltwatch/bus"
)

func answerFrame(id uint32, extended bool, data ...byte) *bus.Frame {
	f := &bus.Frame{ID: id, Len: 8}
	if extended {
		f.Flags = bus.Extended
	}
	copy(f.Data[:], data)
	return f
}

// TestAnswers checks the formulas of SAE J1979 with examples worked by them:
// engine speed (256A+B)/4, road speed A, pedal 100A/255, coolant A-40 (from
// memory; 1A F8 = 1726 rpm is the example most often given).
func TestAnswers(t *testing.T) {
	var a answers
	for _, f := range []*bus.Frame{
		answerFrame(0x7E8, false, 4, 0x41, 0x0C, 0x1A, 0xF8),
		answerFrame(0x7E8, false, 3, 0x41, 0x0D, 0x32),
		answerFrame(0x7E8, false, 3, 0x41, 0x49, 0xFF),
		answerFrame(0x18DAF110, true, 3, 0x41, 0x05, 0x7B),
		answerFrame(0x7E8, false, 5, 0x62, 0xF4, 0x0C, 0x1A, 0xF8), // ISO 27145: the same by service 22
		answerFrame(0x7E8, false, 6, 0x41, 0x0C, 0x10, 0x00, 0x0D, 0x20),
		answerFrame(0x7E8, false, 3, 0x7F, 0x01, 0x12),       // refused
		answerFrame(0x7E0, false, 4, 0x41, 0x0C, 0xFF, 0xFF), // no answering identifier
		answerFrame(0x7E9, false, 4, 0x41, 0x0C, 0xFF, 0xFF), // a second controller is not mixed in
		answerFrame(0x7E8, false, 0x10, 0x41, 0x0C, 0xFF),    // the first of several frames
	} {
		a.add(f)
	}
	for _, c := range []struct {
		p    Parameter
		want []float64
	}{
		{ParamEngineSpeed, []float64{1726, 1726, 1024}}, {ParamRoadSpeed, []float64{50, 32}}, {ParamPedalD, []float64{100}}, {ParamCoolant, []float64{83}},
	} {
		r := a.ref[c.p]
		if r == nil || len(r.v) != len(c.want) {
			t.Errorf("parameter %02X: %+v, want %v", c.p, r, c.want)
			continue
		}
		for i := range c.want {
			if math.Abs(r.v[i]-c.want[i]) > 1e-9 {
				t.Errorf("parameter %02X: %v, want %v", c.p, r.v, c.want)
			}
		}
	}
}

// FuzzSurvey lets anything come in as frames; nothing may panic, and what is
// found lies within the payload.
func FuzzSurvey(f *testing.F) {
	f.Add([]byte{0x23, 1, 8, 0, 1, 2, 3, 4, 5, 6, 7, 8, 40})
	f.Add([]byte{0xE8, 7, 8, 4, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0, 0, 9})
	f.Fuzz(func(t *testing.T, data []byte) {
		s := NewSurvey(Options{Records: 4000})
		at := bus.Micros(0)
		// The input is repeated, so that there is enough to analyse.
		for lap := 0; lap < 60 && len(data) > 0; lap++ {
			for p := data; len(p) >= 13; p = p[13:] {
				x := bus.Frame{At: at, ID: uint32(p[0]) | uint32(p[1])<<8, Len: p[2] & 127, Kind: bus.Kind(p[2] >> 7), Bus: p[1] >> 6}
				copy(x.Data[:], p[4:12])
				x.Data[0] += byte(lap)
				x.Data[5] ^= byte(lap * int(p[3]))
				at += bus.Micros(int8(p[12])) * 1000
				s.Add(&x)
			}
		}
		r := s.Analyse(nil)
		for _, role := range r.Roles {
			for _, p := range role.Proposals {
				if p.Field.Start > 511 || p.Field.Length < 1 || p.Field.Length > 64 || math.IsNaN(p.Scale) {
					t.Errorf("%v: %+v", role.Role, p)
				}
			}
		}
	})
}
