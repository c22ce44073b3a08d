package main

import (
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

// Every kind of source that a vehicle file may name can be opened.
func TestEverySourceKindHasAnOpener(t *testing.T) {
	kinds := bus.SourceKinds()
	for _, k := range kinds {
		if openers[k.Name] == nil {
			t.Errorf("%s: in the table of kinds, and not opened", k.Name)
		}
	}
	if len(openers) != len(kinds) {
		t.Errorf("%d openers of %d kinds", len(openers), len(kinds))
	}
}

// What is asked, how often, and why nothing is, can be read.
func TestAskingSaysHowItStands(t *testing.T) {
	b := &asked{state: bus.AskState{Sent: 10, Answered: 8, Silent: "the engine has been off; x",
		Values: []bus.ValueState{{Name: "engine_speed", From: 0x7E8, Answers: 8, Rate: 17.5, Best: 18}, {Name: "gear", Says: "this vehicle does not support it"}}}}
	a := asking{buses: []*askedBus{{asker: b, name: "plug"}}}
	if got := strings.Join(a.lines(), "|"); got != "plug asks: engine_speed 17.5 Hz (up to 18.0); silent: the engine has been off; x" {
		t.Error(got)
	}
	r := a.reports()
	if len(r) != 3 || r[0].OK || r[0].Says != "silent: the engine has been off; x" || r[1].From != "0x7E8" || r[1].BestHz != 18 || r[2].Says != "this vehicle does not support it" {
		t.Errorf("%+v", r)
	}
	for _, role := range []stream.Role{stream.EngineSpeed, stream.VehicleSpeed, stream.Accelerator, stream.SupplyVoltage} {
		a.sample(&stream.Sample{Role: role, OK: true, Value: 1})
		a.sample(&stream.Sample{Role: role})
	}
	if b.calls != 4 {
		t.Errorf("told %d times of 4 values", b.calls)
	}
}
