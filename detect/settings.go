package detect

import (
	"fmt"
	"reflect"

	"joltwatch/detect/state"
)

// state are those by which the state of the vehicle is judged.
func (s *Settings) state() state.Settings {
	r := &s.ReleaseLag
	return state.Settings{Clutch: s.Clutch, Drive: s.Drive, PartedRPM: r.PartedRPM, WatchS: r.WatchS, DragSag: r.DragSag,
		StateDelayS: r.StateDelayS, KeyedOffS: s.EngineDied.WithinS}
}

var clutchTable = Table{"clutch", []Setting{
	{"release_level", "", 0.2, 0.02, 0.9, "share of the highest command seen below which the clutch is told to open: in a light shift the command dips to about 75 % without opening, a slipping clutch is held at about 40 %, an open one gets little (cp)"},
	{"apply_level", "", 0.28, 0.02, 0.95, "the same above which it is told to close"},
	{"floor_kpa", "kPa", 30, 0, 1000, "a pressure command that is nothing, whatever the highest is: it does not move a piston against its seals (cp)"},
	{"learned_release", "", 0.5, 0.05, 0.9, "once this vehicle's own commands are learned: where between the highest of an open clutch and the lowest of a held one it is told to open; never above the shares of the highest, which stand where nothing contradicts them"},
	{"learned_apply", "", 0.75, 0.05, 0.95, "the same, where it is told to close"},
	{"level_steady_s", "s", 1, 0.2, 10, "how long a command must be steady, and no shift near, before the speeds say what the clutch does at it: oil comes and leaves in some tenths of a second (cp)"},
	{"level_open_s", "s", 5, 1, 600, "how long the clutch must have been seen open before levels are learned: one stop"},
	{"level_held_s", "s", 10, 1, 600, "how long it must have been seen held under load"},
	{"held_rpm", "rpm", 60, 5, 200, "slip up to which a clutch told more than at a standstill is held under load: regulated slip in ordinary driving is 20 to 50 (cp)"},
	{"closed_rpm", "rpm", 10, 2, 60, "slip up to which a clutch counts as closed: speed sensors and interpolation leave 2-4 rpm; regulated slip begins at about 20 (cp)"},
	{"open_rpm", "rpm", 350, 60, 1500, "slip above which, without any command known, the clutch is open: regulated slip on a steep grade reaches 300 (cp)"},
	{"dwell_s", "s", 0.1, 0, 2, "how long a state must last before it counts, so that noise at a limit does not make states"},
	{"coupled_range_rpm", "rpm", 25, 5, 300, "how far the turbine must have moved before two speeds can be said to move together: large against noise"},
	{"coupled_spread_rpm", "rpm", 4, 0.5, 40, "how far the slip may wander meanwhile: sensor noise and quantisation are 1-3 rpm"},
	{"coupled_spread", "", 0.06, 0, 0.5, "share of the turbine's movement that it may wander besides: speeds that part do so by most of it"},
	{"coupled_window_s", "s", 0.5, 0.1, 5, "the window of that judgement: the turbine moves 50 rpm in it in a gentle stop (100-500 rpm/s, cp)"},
}}

var driveTable = Table{"drive", []Setting{
	{"running_rpm", "rpm", 350, 100, 1000, "engine speed from which it runs by itself; starters turn engines at 150-300 rpm (cp)"},
	{"moving_kmh", "km/h", 2, 0.1, 15, "road speed from which the vehicle moves; most wheel sensors know nothing below (cp)"},
	{"end_s", "s", 4, 0.5, 600, "how long the engine must be off, or unheard of, before the drive is over"},
	{"stop_start_s", "s", 300, 1, 3600, "the same for an engine that stops itself"},
	{"account_s", "s", 10, 0, 600, "how often the running account is handed on; 0 only at the end"},
}}

// Tables returns the tables of settings in the order of the manual: the two that
// all share, then each detector's.
func Tables() []Table {
	list := []Table{clutchTable, driveTable}
	for _, s := range All {
		if len(s.Settings.Settings) > 0 {
			list = append(list, s.Settings)
		}
	}
	return list
}

// DefaultSettings returns the documented defaults.
func DefaultSettings() Settings {
	var set Settings
	for _, t := range Tables() {
		for i := range t.Settings {
			*set.value(t.Name, t.Settings[i].Key) = t.Settings[i].Default
		}
	}
	return set
}

// Check returns the path (table.key) of the first setting that is out of its
// range, and what it may be.
func (s *Settings) Check() (path string, err error) {
	for _, t := range Tables() {
		for i := range t.Settings {
			x := &t.Settings[i]
			if v := *s.value(t.Name, x.Key); !x.ranged(v) {
				unit := x.Unit
				if unit != "" {
					unit = " " + unit
				}
				return t.Name + "." + x.Key, fmt.Errorf("%s = %g is out of range: expected %g to %g%s", x.Key, v, x.Least, x.Most, unit)
			}
		}
	}
	return "", nil
}

// value returns where a setting stands.
func (s *Settings) value(table, key string) *float64 {
	t := tagged(reflect.ValueOf(s).Elem(), table)
	return tagged(t, key).Addr().Interface().(*float64)
}

// tagged returns the field of a struct that the vehicle file calls by a name.
func tagged(v reflect.Value, name string) reflect.Value {
	for i := range v.NumField() {
		if v.Type().Field(i).Tag.Get("toml") == name {
			return v.Field(i)
		}
	}
	panic("no field for the setting " + name) // a test compares the two
}
