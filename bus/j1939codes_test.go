package bus

import (
	"fmt"
	"strings"
	"testing"
)

func j1939Frame(at Micros, id uint32, b ...byte) *Frame {
	f := data(at, id, Extended, b...)
	return &f
}

func TestActiveCodes(t *testing.T) {
	var w J1939Codes
	// SAE J1939-73: SPN 1208 = 04B8 FMI 3 with 10 occurrences is B8 04 03 0A,
	// the standard's example of version 4 (from memory).
	c, changed := w.Frame(j1939Frame(1, 0x18FECA00, 0x04, 0xFF, 0xB8, 0x04, 0x03, 0x0A, 0xFF, 0xFF))
	if !changed || fmt.Sprint(c.Codes) != "[SPN 1208 FMI 3]" || !c.Lamp || c.Source != "0x00" {
		t.Errorf("%v %+v", changed, c)
	}
	if _, changed = w.Frame(j1939Frame(2, 0x18FECA00, 0x04, 0xFF, 0xB8, 0x04, 0x03, 0x0B, 0xFF, 0xFF)); changed {
		t.Error("a repetition passes for a change")
	}
	// No codes: lamps off, zeros (and, from older controllers, ones).
	for _, none := range [][]byte{{0, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF}, {0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}} {
		if c, changed := w.Frame(j1939Frame(3, 0x18FECA03, none...)); changed || len(c.Codes) > 0 {
			t.Errorf("%v %+v", changed, c)
		}
	}
	// Two codes of the gearbox by broadcast: size 10, two packets. Another
	// controller's broadcast runs in between.
	frames := []*Frame{
		j1939Frame(10, 0x18ECFF03, 32, 10, 0, 2, 0xFF, 0xCA, 0xFE, 0),
		j1939Frame(11, 0x18ECFF00, 32, 14, 0, 2, 0xFF, 0xCA, 0xFE, 0),
		j1939Frame(60_000, 0x18EBFF03, 1, 0x10, 0xFF, 0x3D, 0x02, 0x07, 0x01, 0x51),
		j1939Frame(61_000, 0x18EBFF00, 1, 0x04, 0xFF, 0xB8, 0x04, 0x03, 0x0A, 0x64),
		j1939Frame(120_000, 0x18EBFF03, 2, 0x10, 0xE5, 0x02, 0xFF, 0xFF, 0xFF, 0xFF),
		j1939Frame(130_000, 0x18EBFF00, 2, 0x00, 0x04, 0x01, 0x5B, 0x00, 0x02, 0x01),
	}
	var got []string
	for _, f := range frames {
		if c, changed := w.Frame(f); changed {
			got = append(got, fmt.Sprint(c.Source, " ", c.Codes, " ", c.Lamp))
		}
	}
	if s := strings.Join(got, "; "); s != "0x03 [SPN 573 FMI 7 SPN 462929 FMI 5] true; 0x00 [SPN 1208 FMI 3 SPN 100 FMI 4 SPN 91 FMI 2] true" {
		t.Error(s)
	}
	active := w.Active(5)
	if len(active) != 2 || active[0].Source != "0x00" || len(w.Active(125_000)) != 1 {
		t.Errorf("%+v", active)
	}
}

// A broadcast that loses a packet, is late, or is of something else gives no
// codes.
func TestBrokenBroadcasts(t *testing.T) {
	begin := j1939Frame(0, 0x18ECFF03, 32, 10, 0, 2, 0xFF, 0xCA, 0xFE, 0)
	first := j1939Frame(50_000, 0x18EBFF03, 1, 0x10, 0xFF, 0x3D, 0x02, 0x07, 0x01, 0x51)
	second := j1939Frame(100_000, 0x18EBFF03, 2, 0x10, 0xE5, 0x02, 0xFF, 0xFF, 0xFF, 0xFF)
	late := *second
	late.At = 50_000 + bamTimeout + 1
	other := *begin
	other.Data[5] = 0xEB
	for name, frames := range map[string][]*Frame{
		"first lost":     {begin, second},
		"order":          {begin, second, first},
		"late":           {begin, first, &late},
		"other group":    {&other, first, second},
		"not begun":      {first, second},
		"begun again":    {begin, first, begin, second},
		"wrong size":     {j1939Frame(0, 0x18ECFF03, 32, 8, 0, 2, 0xFF, 0xCA, 0xFE, 0), first, second},
		"to one address": {j1939Frame(0, 0x18EC2103, 32, 10, 0, 2, 0xFF, 0xCA, 0xFE, 0), first, second},
	} {
		var w J1939Codes
		for _, f := range frames {
			if c, changed := w.Frame(f); changed {
				t.Errorf("%s: %+v", name, c)
			}
		}
	}
}

func FuzzJ1939Codes(f *testing.F) {
	f.Add([]byte{0, 0xEC, 32, 10, 0, 2, 0xFF, 0xCA, 0xFE, 0, 1, 0xEB, 1, 0x10, 0xFF, 0x3D, 2, 7, 1, 0x51, 1, 0xEB, 2, 0x10, 0xE5, 2, 0xFF, 0xFF, 0xFF, 0xFF})
	f.Fuzz(func(t *testing.T, b []byte) {
		var w J1939Codes
		var at Micros
		for len(b) >= 10 {
			at += Micros(b[0]) * 10_000
			x := data(at, 0x1800FF00|uint32(b[1])<<16|uint32(b[0]&3), Extended, b[2:10]...)
			if b[1] == 0xFE {
				x.ID = 0x18FECA00
			}
			if c, _ := w.Frame(&x); len(c.Codes) > maxBAM/4 {
				t.Fatal(c)
			}
			b = b[10:]
		}
	})
}

// The real truck's engine broadcasts three codes by the transport protocol, and
// the controller at 0x31 two, twice, between frames that say it has none. Read
// by hand from the recording's bytes: 43 FF BF 00 09 08 54 00 09 08 ED 14 1F 01,
// and C4 FF 60 00 03 7E 3D 03 03 7E.
func TestTruckCodes(t *testing.T) {
	l, err := OpenLog(truckLog(t), LogOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var w J1939Codes
	var changes []Codes
	frames := readAll(t, l, 512)
	for i := range frames {
		if c, changed := w.Frame(&frames[i]); changed {
			changes = append(changes, c)
		}
	}
	var got []string
	for _, c := range changes {
		got = append(got, fmt.Sprintf("%.1f s %s %v %v", c.At.Seconds(), c.Source, c.Lamp, c.Codes))
	}
	want := []string{
		"0.3 s 0x00 true [SPN 191 FMI 9 SPN 84 FMI 9 SPN 5357 FMI 31]",
		"21.8 s 0x31 true [SPN 96 FMI 3 SPN 829 FMI 3]", "22.6 s 0x31 false []",
		"26.6 s 0x31 true [SPN 96 FMI 3 SPN 829 FMI 3]", "27.6 s 0x31 false []",
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("\n got %v\nwant %v", got, want)
	}
	if a := w.Active(frames[len(frames)-1].At - 2*Second); len(a) != 1 {
		t.Errorf("active at the end: %+v", a)
	}
}
