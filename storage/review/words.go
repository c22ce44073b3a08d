package review

import (
	"math"
	"strconv"
	"strings"

	"joltwatch/detect"
)

// KindWords returns a kind of finding in words for people.
func KindWords(kind string) string {
	if w := WordsOf(kind); w != nil {
		return w.Title
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

// Main returns the measure that says how bad a finding was: the usual one of
// its kind where it is there, else the first; by how much a command came late.
func Main(f *detect.Finding) (detect.Measure, bool) {
	if v, ok := f.Get(detect.CommandLateS.Name); ok && f.Class == detect.LateCommand {
		return detect.Measure{Name: detect.CommandLateS.Name, Value: v}, true
	}
	if spec := detect.Of(f.Kind); spec != nil {
		for _, q := range spec.Chief {
			if v, ok := f.Get(q.Name); ok {
				return detect.Measure{Name: q.Name, Value: v}, true
			}
		}
	}
	if len(f.Measures) > 0 {
		return f.Measures[0], true
	}
	return detect.Measure{}, false
}
