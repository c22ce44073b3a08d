package vehicle

import (
	"slices"
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
