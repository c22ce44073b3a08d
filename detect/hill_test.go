package detect

import (
	"testing"

	"joltwatch/detect/state"
	"joltwatch/stream"
)

// Slip counts as asked for only by the word of something that means it: a state
// that follows the plates says partial of a worn lining too.
func TestWhoSaysThatSlipWasAskedFor(t *testing.T) {
	leads, follows := &state.ReportMemory{Before: 9}, &state.ReportMemory{After: 9}
	for _, c := range []struct {
		what        string
		report      *state.ReportMemory
		command     float64 // 0 none; 100 held the clutch
		stateClosed float64 // of 10 s in which a state is reported; below 0 none is
		want        Class
		said        said
	}{
		{"the command stands", nil, 100, -1, HillUnasked, said{}},
		{"the command is down", nil, 60, -1, Asked, said{}},
		{"partial by a state that leads", leads, 0, 0, Asked, said{}},
		{"closed by a state that leads", leads, 0, 10, HillUnasked, said{}},
		{"partial by a state that follows", follows, 0, 0, Unknown, said{}},
		{"partial by a state of which nothing is known", nil, 0, 0, Unknown, said{}},
		{"the command stands, partial by a state that follows", follows, 100, 0, HillUnasked, said{}},
		{"the command stands, partial by a state that leads", leads, 100, 0, Asked, said{}},
		{"the command stands, partial by a state of which nothing is known", nil, 100, 0, Unknown, said{}},
		{"the command stands, closed by a state of which nothing is known", nil, 100, 10, HillUnasked, said{}},
		{"closed by a state of which nothing is known", nil, 0, 10, Unknown, said{}},
		{"closed by a state that follows, with slip as ever", follows, 0, 10, Unknown, said{partial: true, closedS: 600, overS: 300}},
		{"closed by a state that never says partial", follows, 0, 10, Unknown, said{closedS: 600}},
		{"closed by a state that follows, and else means it", follows, 0, 10, HillUnasked, said{partial: true, closedS: 600, overS: 60}},
		{"partial by a state that follows, and else means closed", follows, 0, 0, Unknown, said{partial: true, closedS: 600}},
	} {
		set := DefaultSettings()
		s := &scene{Vehicle: state.New(set.state(), &stream.Facts{}), set: &set, saysPartial: true}
		s.Recall(nil, c.report, nil)
		c.said.so = c.said.closedIsMeant()
		d := hillSlip{hold: 100, holdS: 60, hillSum: hillSum{n: 10}, said: c.said}
		if c.command > 0 {
			d.command, d.cn = 10*c.command, 10
		}
		if c.stateClosed >= 0 {
			d.known, d.state = 10, c.stateClosed
		}
		if got := d.class(s, 60); got != c.want {
			t.Errorf("%s: %v, want %v", c.what, got, c.want)
		}
	}
}

// A command that held without load, far below the one that holds under load, regulates:
// slip while it stands there is no sign of wear.
func TestCommandThatHeldWithoutLoad(t *testing.T) {
	for most, want := range map[float64]Class{200: HillUnasked, 600: Asked} {
		set := DefaultSettings()
		s := &scene{Vehicle: state.New(set.state(), &stream.Facts{}), set: &set}
		d := hillSlip{hold: 100, most: most, holdS: 60, hillSum: hillSum{n: 10, cn: 10, command: 10 * 120}}
		if got := d.class(s, 30); got != want {
			t.Errorf("held with %g at most: %v, want %v", most, got, want)
		}
	}
}

// A controller that regulates slip takes command away where it wants more: slip that stays
// with far more command than has carried the load is none that was asked for. How far is
// this vehicle's own spread, by some stretches before.
func TestSlipInSpiteOfTheCommand(t *testing.T) {
	for _, c := range []struct {
		stretches     int
		spread, level float64
		want          Class
	}{
		{20, 0.1, 115, Asked},
		{20, 0.1, 200, HillUnasked},
		{20, 0.9, 200, Asked},
		{5, 0.1, 200, Asked},
	} {
		set := DefaultSettings()
		s := &scene{Vehicle: state.New(set.state(), &stream.Facts{}), set: &set}
		d := hillSlip{hold: 20, most: 20, holdS: 60, carried: carried{highest: 300}, hillSum: hillSum{n: 10, cn: 10, command: 10 * c.level, pressure: true}}
		d.load.add(10, 10)
		for i := range d.carried.slid {
			d.carried.slid[i] = float32(i) // as much % of pedal as kPa times ten
		}
		for i := range c.stretches {
			d.carried.asked(100*(1+c.spread*float64(i)/float64(c.stretches)), 10, true)
		}
		if got := d.class(s, 60); got != c.want {
			t.Errorf("%d stretches that spread by %g, %g kPa where 100 carried it: %v, want %v", c.stretches, c.spread, c.level, got, c.want)
		}
	}
}

// An opportunity is one only where slip would be told as unasked: not at a load that this
// clutch has never been seen to carry with so little command.
func TestSlipThatWouldBeTold(t *testing.T) {
	for load, want := range map[float64]bool{20: true, 60: false} {
		set := DefaultSettings()
		s := &scene{Vehicle: state.New(set.state(), &stream.Facts{}), set: &set}
		d := hillSlip{hold: 100, most: 100, holdS: 60, carried: carried{load: load, highest: 300}}
		d.carried.at[band(100, false)] = 30
		m := &state.Moment{Row: &stream.Row{}, HasLevel: true, Level: 100}
		if got := d.tells(s, m); got != want {
			t.Errorf("load %g where 30 was carried: %v, want %v", load, got, want)
		}
	}
}

// Slip no greater than is regulated on purpose is not told while nothing but a
// state of which the meaning is not known leaves it open; the chance still counts,
// as one that was not observed.
func TestLittleSlipLeftOpenByTheState(t *testing.T) {
	for _, c := range []struct {
		what   string
		report *state.ReportMemory
		known  float64 // of 10 s in which a state is reported
		rpm    float64
		want   bool
	}{
		{"little, nothing known of the state", nil, 10, 21, true},
		{"more, nothing known of the state", nil, 10, 60, false},
		{"little, a state that follows", &state.ReportMemory{After: 9}, 10, 21, false},
		{"little, no state", nil, 0, 21, false},
	} {
		set := DefaultSettings()
		s := &scene{Vehicle: state.New(set.state(), &stream.Facts{}), set: &set, saysPartial: true}
		s.Recall(nil, c.report, nil)
		d := hillSlip{hillSum: hillSum{n: 10, known: c.known}}
		if got := d.keptBack(s, c.rpm); got != c.want {
			t.Errorf("%s: kept back %v, want %v", c.what, got, c.want)
		}
	}
}
