package vehicle

import (
	"slices"
	"strings"
	"testing"

	"joltwatch/stream"
)

func TestWords(t *testing.T) {
	for name, want := range map[string][]string{
		"InputShaft": {"input", "shaft"}, "ENGINE_SPEED": {"engine", "speed"}, "turbineRpm2": {"turbine", "rpm"}, "Gear": {"gear"},
	} {
		if got := words(name); !slices.Equal(got, want) {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// What the vehicle is said to have none of is neither looked for nor missed, and
// cannot be mapped.
func TestNone(t *testing.T) {
	const engine = "[[role]]\nname = \"engine_speed\"\nsignal = \"EngineData.EngineSpeed\"\n"
	const turbine = "[[role]]\nname = \"turbine_speed\"\nsignal = \"Box.Turbine\"\n"
	file := func(none, roles string) (*File, error) {
		f, _, err := load(t, none+head+roles)
		return f, err
	}
	spare := func(f *File) bool {
		return slices.ContainsFunc(f.Spares, func(s Spare) bool { return s.Role == stream.Gear })
	}
	f, err := file("", engine+turbine)
	if err != nil || !spare(f) || !slices.Contains(f.Absent, stream.Gear) || !slices.Contains(f.Absent, stream.ClutchPressureCommand) ||
		slices.Contains(f.Absent, stream.ClutchCommand) || slices.Contains(f.Absent, stream.EngineSpeed) {
		t.Errorf("nothing said: %+v, %v", f, err)
	}
	f, err = file("none = [\"gear\", \"clutch_pressure_command\"]\n", engine+turbine)
	if err != nil || spare(f) || slices.Contains(f.Absent, stream.Gear) || slices.Contains(f.Absent, stream.ClutchCommand) || !slices.Contains(f.None, stream.Gear) {
		t.Errorf("no gear: %+v, %v", f, err)
	}
	for none, says := range map[string]string{
		"none = [\"turbine_speed\"]\n": "van.toml:12:8: role turbine_speed is mapped, and stands in none",
		"none = [\"gaer\"]\n":          "van.toml:1:9: none: unknown role \"gaer\" (did you mean gear?)",
	} {
		if _, err := file(none, engine+turbine); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v, want %s", none, err, says)
		}
	}
}

// A name says what role a signal carries, or does not.
func TestWordings(t *testing.T) {
	for name, want := range map[string]string{
		"TurbineRpm": "turbine_speed", "Input_Shaft_Speed": "turbine_speed", "GearActual": "gear", "TargetGear": "", "GearboxOil": "",
		"AcceleratorPosition": "accelerator", "BrakePedalPosition": "", "ClutchPressureCommand": "clutch_pressure_command",
		"VehicleSpeed": "vehicle_speed", "VehicleSpeedLimit": "", "EngineSpeedRequested": "", "ClutchPedalState": "",
	} {
		got := ""
		for i := range wordings {
			if wordings[i].fits(words(name)) {
				got = wordings[i].role.String()
				break
			}
		}
		if got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if len(wordings) > int(stream.NumRoles) {
		t.Error("a role has two wordings")
	}
}
