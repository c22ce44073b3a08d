package vehicle

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"joltwatch/stream"
	"joltwatch/stream/dbc"
)

// Spare is a defined signal whose name says that it carries a role which the
// vehicle file maps to nothing.
type Spare struct {
	Role     stream.Role
	Signal   string // MESSAGE.SIGNAL
	Bus      int
	ID       uint32
	Extended bool
	// Needed is true for roles that detectors cannot do without.
	Needed bool
}

// wording is what the name of a signal says when it carries a role: all words
// of one of says, and none of but.
type wording struct {
	role   stream.Role
	needed bool
	says   []string
	but    string
	// instead are roles that tell as much or more.
	instead []stream.Role
}

// The words are the trade's own, in the spelling of definition files.
var wordings = []wording{
	{stream.EngineSpeed, true, []string{"engine speed", "engine rpm", "engine revolutions"}, "requested target max min idle limit reference desired", nil},
	{stream.TurbineSpeed, true, []string{"turbine speed", "turbine rpm", "input shaft speed", "input speed", "input shaft"}, "target torque requested desired", nil},
	{stream.OutputSpeed, true, []string{"output shaft speed", "output speed", "output rpm", "output shaft"}, "target torque requested desired", nil},
	{stream.VehicleSpeed, true, []string{"vehicle speed", "road speed", "wheel based speed"}, "target set limit max cruise requested", nil},
	{stream.Gear, true, []string{"gear", "gear now", "gear actual", "current gear", "gear current", "gear engaged", "gear number"},
		"target requested selected desired next lever oil box shift ratio reverse gearbox speed temperature recommended", nil},
	{stream.Accelerator, true, []string{"accelerator", "accelerator position", "pedal position", "accelerator pedal", "throttle pedal", "pedal"}, "brake clutch switch kick limit", nil},
	{stream.ClutchPressureCommand, true, []string{"clutch pressure command", "clutch pressure commanded", "clutch pressure desired", "clutch pressure target", "clutch pressure setpoint", "clutch pressure requested", "line pressure clutch", "converter pressure", "lockup pressure"}, "actual measured", []stream.Role{stream.ClutchCommand}},
	{stream.ClutchCommand, true, []string{"clutch duty", "clutch command", "lockup duty", "lockup command", "converter command"}, "pressure pedal", []stream.Role{stream.ClutchPressureCommand}},
	{stream.LockupState, true, []string{"lockup state", "lockup engaged", "converter state", "clutch state", "lockup status", "converter clutch status"}, "pedal", []stream.Role{stream.ClutchPressureCommand, stream.ClutchCommand}},
	{stream.ClutchPressure, false, []string{"clutch pressure", "clutch pressure actual"}, "command commanded desired target setpoint requested pedal", nil},
	{stream.Shifting, false, []string{"shifting", "in shift", "shift busy", "shift in process", "shift active"}, "", nil},
	{stream.EngineTorque, false, []string{"engine torque", "actual engine torque"}, "max min requested friction limit reference demand driver target", nil},
	{stream.Brake, false, []string{"brake", "braking", "brake switch", "brake pedal"}, "pressure parking park hand temperature light engine percent position", nil},
	{stream.FluidTemperature, false, []string{"fluid temperature", "gearbox oil temperature", "transmission oil temperature", "transmission fluid temperature"}, "engine coolant", nil},
	{stream.Acceleration, false, []string{"acceleration", "longitudinal acceleration"}, "lateral vertical yaw pedal", nil},
}

// spares lists, role by role, the defined signals that could be mapped.
func (r *resolver) spares() {
	p := r.file.Plan
	has := func(roles ...stream.Role) bool {
		return slices.ContainsFunc(roles, func(x stream.Role) bool { return len(p.Sources[x.String()]) > 0 })
	}
	for _, w := range wordings {
		if has(w.role) || has(w.instead...) || slices.Contains(r.file.None, w.role) {
			continue
		}
		told := func(x stream.Role) bool { return slices.Contains(r.file.None, x) || slices.Contains(r.file.Absent, x) }
		if w.needed && !slices.ContainsFunc(w.instead, told) {
			r.file.Absent = append(r.file.Absent, w.role)
		}
		for n, files := range r.defs {
			for _, f := range files {
				r.sparesIn(f, n, w)
			}
		}
	}
}

// none takes the roles that the vehicle does not have: nothing is looked for in
// their place.
func (r *resolver) none(names []string) {
	for i, name := range names {
		role, ok := stream.ParseRole(name)
		if !ok {
			r.fail(fmt.Sprintf("none[%d]", i), "none: %s", unknownRole(name))
			return
		}
		r.file.None = append(r.file.None, role)
	}
}

func (r *resolver) sparesIn(f *dbc.File, n int, w wording) {
	for _, m := range f.Messages {
		for _, s := range m.Signals {
			if w.fits(words(s.Name)) && !r.uses(n, m, s) {
				r.file.Spares = append(r.file.Spares, Spare{Role: w.role, Signal: m.Name + "." + s.Name, Bus: n, ID: m.ID, Extended: m.Extended, Needed: w.needed})
			}
		}
	}
}

// uses reports whether a role reads the signal already.
func (r *resolver) uses(n int, m *dbc.Message, s *dbc.Signal) bool {
	for i := range r.roles {
		if r.roles[i].Signal == m.Name+"."+s.Name {
			return true
		}
	}
	return false
}

func (w *wording) fits(name []string) bool {
	for _, x := range strings.Fields(w.but) {
		if slices.Contains(name, x) {
			return false
		}
	}
	for _, says := range w.says {
		all := strings.Fields(says)
		if len(all) == 1 && len(name) > 1 {
			continue // one word is the whole name, or says too little
		}
		if !slices.ContainsFunc(all, func(x string) bool { return !slices.Contains(name, x) }) {
			return true
		}
	}
	return false
}

// words splits a name at its capitals, digits and separators, in small letters.
func words(name string) []string {
	var out []string
	var word strings.Builder
	end := func() {
		if word.Len() > 0 {
			out = append(out, strings.ToLower(word.String()))
			word.Reset()
		}
	}
	last := ' '
	for _, c := range name {
		if !unicode.IsLetter(c) {
			end()
			last = c
			continue
		}
		if unicode.IsUpper(c) && !unicode.IsUpper(last) {
			end()
		}
		word.WriteRune(c)
		last = c
	}
	end()
	return out
}
