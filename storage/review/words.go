package review

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"joltwatch/detect"
)

// KindWords returns a kind of finding in words for people.
func KindWords(kind string) string {
	switch kind {
	case detect.KindReleaseLag:
		return "clutch release"
	case detect.KindHillSlip:
		return "slip held under load"
	case detect.KindApply:
		return "clutch apply"
	case detect.KindShift:
		return "shift with the clutch on"
	case detect.KindOpenUnderDrive:
		return "clutch opened under drive"
	case detect.KindGearsetSlip:
		return "gearset slip"
	case detect.KindFlare:
		return "engine flare in a shift"
	case detect.KindShudder:
		return "shudder"
	case detect.KindJolt:
		return "jolt"
	case detect.KindMark:
		return "driver's mark"
	case detect.KindBusFault:
		return "bus fault"
	case detect.KindRoleStale:
		return "signal missing"
	}
	return strings.ReplaceAll(kind, "-", " ")
}

// units are the endings of measure names, the longer first.
var units = []struct{ suffix, unit string }{
	{"_rpm_per_s", "rpm/s"}, {"_kpa_per_s", "kPa/s"}, {"_mps3", "m/s³"}, {"_m_per_s3", "m/s³"}, {"_mps2", "m/s²"}, {"_m_per_s2", "m/s²"},
	{"_percent", "%"}, {"_pct", "%"}, {"_rpm", "rpm"}, {"_kpa", "kPa"}, {"_kmh", "km/h"}, {"_nm", "N·m"}, {"_hz", "Hz"},
	{"_ms", "ms"}, {"_kj", "kJ"}, {"_j", "J"}, {"_c", "°C"}, {"_v", "V"}, {"_s", "s"},
}

// MeasureWords splits the name of a measure into words and a unit:
// "slip_peak_rpm" is "slip peak", "rpm".
func MeasureWords(name string) (words, unit string) {
	for _, u := range units {
		if rest, ok := strings.CutSuffix(name, u.suffix); ok && rest != "" {
			return strings.ReplaceAll(rest, "_", " "), u.unit
		}
	}
	return strings.ReplaceAll(name, "_", " "), ""
}

// Digits formats a value of a unit with as many decimals as people can use.
func Digits(v float64, unit string) string {
	if math.IsNaN(v) {
		return "–"
	}
	d := 2
	switch unit {
	case "s":
		d = 2
	case "rpm", "kPa", "N·m", "lbf·ft", "J", "rpm/s", "kPa/s", "ms", "%":
		d = 0
	case "km/h", "mph", "°C", "°F", "psi", "Hz", "m/s²", "m/s³", "V", "kJ":
		d = 1
	case "":
		if v == math.Trunc(v) {
			d = 0
		}
	}
	text := strconv.FormatFloat(v, 'f', d, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return text
}

// chief lists, by kind, the measures that say how bad it was, the best first.
var chief = map[string][]string{
	detect.KindReleaseLag:     {"lag_s", "lag_max_s"},
	detect.KindHillSlip:       {"slip_mean_rpm", "slip_peak_rpm"},
	detect.KindApply:          {"apply_s", "apply_max_s", "duration_s"},
	detect.KindShift:          {"slip_peak_rpm", "shift_s"},
	detect.KindOpenUnderDrive: {"slip_peak_rpm", "slip_mean_rpm"},
	detect.KindGearsetSlip:    {"slip_mean_rpm", "slip_peak_rpm"},
	detect.KindFlare:          {"flare_rpm", "slip_peak_rpm"},
	detect.KindShudder:        {"amplitude_rpm", "amplitude_m_per_s2"},
	detect.KindJolt:           {"jolt_mps2", "jerk_mps3"},
}

// Main returns the measure that says how bad a finding was: the usual one of
// its kind where it is there, else the first.
func Main(f *detect.Finding) (detect.Measure, bool) {
	for _, name := range chief[f.Kind] {
		if v, ok := f.Get(name); ok {
			return detect.Measure{Name: name, Value: v}, true
		}
	}
	if len(f.Measures) > 0 {
		return f.Measures[0], true
	}
	return detect.Measure{}, false
}

// Ordinary reports whether the class is that of a healthy vehicle.
func Ordinary(class string) bool {
	return slices.Contains([]string{"", "normal", "asked", "closed-through", "opened", "mark"}, class)
}

// Finding names what was found as people say it: "late release".
func Finding(kind, class string) string {
	if kind == detect.KindReleaseLag {
		switch class {
		case "stall":
			return "stall at a stop"
		default:
			return strings.ReplaceAll(class, "-", " ") + " release"
		}
	}
	if class == "" || class == "mark" || class == "normal" {
		return KindWords(kind)
	}
	return KindWords(kind) + ", " + strings.ReplaceAll(class, "-", " ")
}

// Opportunity names one opportunity of a kind, in the singular.
func Opportunity(kind string) string {
	switch kind {
	case detect.KindReleaseLag:
		return "release"
	case detect.KindHillSlip:
		return "stretch"
	case detect.KindApply:
		return "apply"
	case detect.KindShift, detect.KindFlare:
		return "shift"
	case detect.KindOpenUnderDrive, detect.KindGearsetSlip, detect.KindShudder, detect.KindJolt:
		return "opportunity"
	}
	return "moment"
}
