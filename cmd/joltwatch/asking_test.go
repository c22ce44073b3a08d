package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"

	"github.com/rs/zerolog"
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

// The stay is told why nothing is asked once that has lasted, each time it is
// another reason, and not often.
func TestAskingIsNoted(t *testing.T) {
	b := &asked{}
	a := asking{buses: []*askedBus{{asker: b, name: "plug"}}}
	var got []string
	for now := bus.Second; now < 400*bus.Second; now += bus.Second {
		switch s := now / bus.Second; {
		case s == 20:
			b.state.Silent = "the supply is at 11.5 V; x"
		case s == 50:
			b.state.Silent = "the supply is at 11.4 V; x" // the same reason
		case s >= 100 && s < 130:
			b.state.Silent = []string{"", "gone"}[s/3%2] // comes and goes
		case s == 200:
			b.state.Silent = "the engine has been off; x"
		case s == 210:
			b.state.Silent = ""
		}
		a.log(zerolog.Nop(), now)
		if n, ok := a.note(now); ok {
			text := fmt.Sprint(now.Seconds())
			for _, x := range n.Silent {
				text += fmt.Sprintf(" %s %g %s", x.Bus, x.Since.Seconds(), x.Why)
			}
			got = append(got, text)
		}
	}
	want := []string{"25 plug 20 the supply is at 11.5 V", "134 plug 129 gone", "205 plug 200 the engine has been off", "235"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, expected %q", got, want)
	}
}

// A bus whose reason comes and goes all the time hides no other's.
func TestAFlappingBusHidesNoOther(t *testing.T) {
	flaps, steady := &asked{}, &asked{}
	a := asking{buses: []*askedBus{{asker: flaps, name: "flaps"}, {asker: steady, name: "steady"}}}
	var last []string
	for now := bus.Second; now < 120*bus.Second; now += bus.Second {
		flaps.state.Silent = []string{"", "gone"}[now/(2*bus.Second)%2]
		if now == 20*bus.Second {
			steady.state.Silent = "the engine has been off"
		}
		a.log(zerolog.Nop(), now)
		if n, ok := a.note(now); ok {
			last = nil
			for _, x := range n.Silent {
				last = append(last, fmt.Sprintf("%s %g %s", x.Bus, x.Since.Seconds(), x.Why))
			}
		}
	}
	if want := []string{"steady 20 the engine has been off"}; !slices.Equal(last, want) {
		t.Errorf("%q, expected %q", last, want)
	}
}
