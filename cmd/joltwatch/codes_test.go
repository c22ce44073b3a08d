package main

import (
	"slices"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
)

type asked struct {
	times, calls int
	state        bus.AskState
}

func (a *asked) Engine(bus.Micros, float64) { a.calls++ }
func (a *asked) Supply(float64)             { a.calls++ }
func (a *asked) Speed(bus.Micros, float64)  { a.calls++ }
func (a *asked) Load(float64)               { a.calls++ }
func (a *asked) Hurry(bus.Micros)           {}
func (a *asked) AskCodes()                  { a.times++ }
func (a *asked) State() bus.AskState        { return a.state }

// A broadcast of SAE J1939-73 DM1 (from memory of the public layout: two bytes
// of lamps, then 19 bits of SPN, 5 of FMI, 7 of count) goes with the finding.
func TestBroadcastCodesGoWithTheFinding(t *testing.T) {
	var c codes
	dm1 := bus.Frame{At: 7 * bus.Second, ID: 0x18FECA03, Flags: bus.Extended, Len: 8,
		// SPN 573 (0x23D), FMI 7, one occurrence; the amber lamp is on.
		Data: [64]byte{0x04, 0xFF, 0x3D, 0x02, 0x07, 0x01, 0xFF, 0xFF}}
	c.frame(&dm1)
	c.hold(&detect.Finding{Kind: detect.KindReleaseLag}, nil, 8*bus.Second, &asking{})
	h, ok := c.next(8 * bus.Second)
	if !ok || len(h.finding.Codes) != 1 {
		t.Fatalf("ok %v, codes %v", ok, h.finding)
	}
	t.Log(h.finding.Codes)
	old := held{finding: &detect.Finding{}, since: 60 * bus.Second, until: 60 * bus.Second}
	c.held = append(c.held, old)
	if h, _ := c.next(60 * bus.Second); len(h.finding.Codes) != 0 {
		t.Errorf("a broadcast of long ago is not of this finding: %v", h.finding.Codes)
	}
}

func TestAskedCodesAreWaitedFor(t *testing.T) {
	var c codes
	a := &asked{}
	who := &asking{buses: []*askedBus{{asker: a, name: "plug"}}}
	c.hold(&detect.Finding{}, nil, 100*bus.Second, who)
	if a.times != 1 {
		t.Errorf("asked %d times, want once", a.times)
	}
	if _, ok := c.next(101 * bus.Second); ok {
		t.Error("stored before the answers could be there")
	}
	c.answer(bus.Codes{At: 101 * bus.Second, Source: "0x7E9", Codes: []string{"P0741"}})
	h, ok := c.next(100*bus.Second + codesWait)
	if !ok || !slices.Equal(h.finding.Codes, []string{"0x7E9: P0741"}) {
		t.Errorf("ok %v, codes %v", ok, h.finding.Codes)
	}
	if _, ok := c.next(1 << 60); ok {
		t.Error("handed out twice")
	}
}
