package main

import (
	"fmt"
	"strings"

	"joltwatch/bus"
	"joltwatch/storage"
	"joltwatch/stream"

	"github.com/rs/zerolog"
)

// asker is what the line tells a source that asks.
type asker interface {
	Engine(at bus.Micros, rpm float64)
	Supply(volts float64)
	Speed(at bus.Micros, kmh float64)
	Load(percent float64)
	AskCodes()
	Hurry(d bus.Micros)
	State() bus.AskState
}

// askedBus is a bus on which values are asked for.
type askedBus struct {
	asker
	name string
	// cause is why nothing was asked when it was last looked at, without numbers;
	// silent is that with them, since when. lasts is the latest that has lasted.
	cause  string
	silent storage.SilentBus
	lasts  lastingCause
}

type lastingCause struct {
	cause  string
	silent storage.SilentBus
}

// asking is all of them.
type asking struct {
	buses []*askedBus
	// outputPerKmh stands in where no road speed is mapped.
	outputPerKmh float64
	road         bool // a road speed has been seen
	// noted are the causes, a line each, as the stay has them, since when.
	noted   string
	notedAt bus.Micros
}

// usualOutputPerKmh is output shaft rpm at 1 km/h of a usual vehicle: an axle
// ratio of 3.5 and 0.32 m of rolling radius (common practice, no source). A fall
// of speed is to be seen, not measured.
const usualOutputPerKmh = 29

// sample tells the askers what they need to know to be silent, and to ask what
// matters.
func (a *asking) sample(s *stream.Sample) {
	if !s.OK {
		return
	}
	for _, b := range a.buses {
		switch s.Role {
		case stream.EngineSpeed:
			b.Engine(s.At, s.Value)
		case stream.SupplyVoltage:
			b.Supply(s.Value)
		case stream.VehicleSpeed:
			a.road = true
			b.Speed(s.At, s.Value)
		case stream.OutputSpeed:
			if !a.road {
				b.Speed(s.At, s.Value/max(a.outputPerKmh, 1))
			}
		case stream.Accelerator:
			b.Load(s.Value)
		}
	}
}

func (a *asking) askCodes() {
	for _, b := range a.buses {
		b.AskCodes()
	}
}

// hurry shows what rates can be reached.
func (a *asking) hurry() {
	for _, b := range a.buses {
		b.Hurry(hurryTime)
	}
}

// hurryTime is enough to find what the vehicle supports, and then some.
const hurryTime = 8 * bus.Second

// log says when asking falls silent and why, and when it goes on.
func (a *asking) log(log zerolog.Logger, now bus.Micros) {
	for _, b := range a.buses {
		s := b.State()
		why, _, _ := strings.Cut(s.Silent, ";")
		cause := strings.TrimRight(strings.Map(notDigit, why), " ")
		if cause == b.cause {
			continue
		}
		b.cause, b.silent = cause, storage.SilentBus{Bus: b.name, Since: now, Why: why}
		if s.Silent == "" {
			log.Warn().Str("bus", b.name).Msg("asking goes on")
		} else {
			log.Warn().Str("bus", b.name).Str("reason", s.Silent).Msg("nothing is asked")
		}
	}
}

// A cause is noted once it has lasted, and not often, so that one that comes and
// goes does not wear the medium.
const (
	noteLasted = 5 * bus.Second
	noteEvery  = 30 * bus.Second
)

// note is what the stay has to be told of where asking is silent; ok is false where
// it has that. A bus whose cause has not lasted stands as it last did: it holds up no
// other.
func (a *asking) note(now bus.Micros) (n storage.Asking, ok bool) {
	n.At = now
	causes := ""
	for _, b := range a.buses {
		if now-b.silent.Since >= noteLasted {
			b.lasts = lastingCause{b.cause, b.silent}
		}
		if b.lasts.cause != "" {
			causes += b.name + ": " + b.lasts.cause + "\n"
			n.Silent = append(n.Silent, b.lasts.silent)
		}
	}
	if causes == a.noted || a.notedAt > 0 && now-a.notedAt < noteEvery {
		return n, false
	}
	a.noted, a.notedAt = causes, now
	return n, true
}

func notDigit(r rune) rune {
	if r >= '0' && r <= '9' || r == '.' {
		return -1
	}
	return r
}

// lines says how asking stands, a line for each bus.
func (a *asking) lines() []string {
	var out []string
	for _, b := range a.buses {
		s := b.State()
		var parts []string
		for _, v := range s.Values {
			if v.Answers > 0 {
				parts = append(parts, fmt.Sprintf("%s %.1f Hz (up to %.1f)", v.Name, v.Rate, v.Best))
			}
		}
		line := b.name + " asks: " + strings.Join(parts, ", ")
		if len(parts) == 0 {
			line = b.name + " asks: no answer yet"
			if s.Found != "" {
				line = b.name + " asks: " + s.Found
			}
		}
		if s.Silent != "" {
			line += "; silent: " + s.Silent
		}
		out = append(out, line)
	}
	return out
}

// askedReport is how one value is asked for, as check shows it.
type askedReport struct {
	Bus     string  `json:"bus"`
	Value   string  `json:"value"`
	Answers uint64  `json:"answers"`
	RateHz  float64 `json:"rate_hz"`
	BestHz  float64 `json:"best_hz"`
	From    string  `json:"from,omitempty"`
	OK      bool    `json:"ok"`
	Says    string  `json:"says"`
}

// reports says how asking stands, a row for each value, and a first one for the
// bus where there is something to say of it.
func (a *asking) reports() []askedReport {
	var out []askedReport
	for _, b := range a.buses {
		s := b.State()
		answered := false
		for _, v := range s.Values {
			answered = answered || v.Answers > 0
		}
		says := fmt.Sprintf("%d requests, %d answered, %d refused, %d not answered", s.Sent, s.Answered, s.Refused, s.Unanswered)
		switch {
		case s.Found != "":
			says = s.Found + "; " + says
		case !answered:
			says = "no controller has answered yet; " + says
		}
		if s.Silent != "" {
			says = "silent: " + s.Silent
		}
		out = append(out, askedReport{Bus: b.name, OK: answered && s.Silent == "", Says: says})
		for _, v := range s.Values {
			x := askedReport{Bus: b.name, Value: v.Name, Answers: v.Answers, RateHz: v.Rate, BestHz: v.Best, OK: true, Says: v.Says}
			if v.From != 0 {
				x.From = fmt.Sprintf("0x%X", v.From)
			}
			out = append(out, x)
		}
	}
	return out
}
