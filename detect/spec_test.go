package detect

import (
	"reflect"
	"slices"
	"strings"
	"testing"
)

// Each number of Settings is a setting of one table, and the reverse; its
// default is in its range, and it says why.
func TestSettingsAreListed(t *testing.T) {
	fields := map[string]bool{}
	top := reflect.TypeOf(Settings{})
	for i := range top.NumField() {
		table := top.Field(i)
		for j := range table.Type.NumField() {
			fields[table.Tag.Get("toml")+"."+table.Type.Field(j).Tag.Get("toml")] = true
		}
	}
	for _, table := range Tables() {
		for _, x := range table.Settings {
			name := table.Name + "." + x.Key
			if !fields[name] {
				t.Errorf("%s is listed twice, or is no field", name)
				continue
			}
			delete(fields, name)
			if !x.ranged(x.Default) || x.Least >= x.Most || x.Reason == "" {
				t.Errorf("%s: %+v", name, x)
			}
			if suffix := map[string]string{"rpm": "_rpm", "s": "_s", "kPa": "_kpa", "km/h": "_kmh", "%": "_pct", "Hz": "_hz", "m/s²": "_mps2"}[x.Unit]; !strings.HasSuffix(x.Key, suffix) {
				t.Errorf("%s is in %s", name, x.Unit)
			}
		}
	}
	for name := range fields {
		t.Errorf("%s is in no table", name)
	}
}

func TestSettingsOutOfRange(t *testing.T) {
	set := DefaultSettings()
	if path, err := set.Check(); err != nil {
		t.Errorf("%s: %v", path, err)
	}
	set.Jolt.MinMps2 = -1
	if path, err := set.Check(); path != "jolt.min_mps2" || err == nil || !strings.Contains(err.Error(), "0.3 to 10 m/s²") {
		t.Errorf("%s: %v", path, err)
	}
}

// A spec names itself once, what is chief is among its measures, and a measure's
// name ends in its unit.
func TestSpecsHoldTogether(t *testing.T) {
	kinds := map[string]bool{}
	for _, s := range All {
		if kinds[s.Kind] {
			t.Errorf("%s is there twice", s.Kind)
		}
		kinds[s.Kind] = true
		if s.can == nil || s.make == nil || (len(s.Classes()) > 0) != (s.Opportunity != "") {
			t.Errorf("%s: incomplete", s.Kind)
		}
		classes := map[Class]bool{}
		for _, c := range s.Classes() {
			if classes[c] {
				t.Errorf("%s %s is there twice", s.Kind, c)
			}
			classes[c] = true
		}
		for _, q := range s.Chief {
			if !carries(s, q.Name) {
				t.Errorf("%s does not carry its chief measure %s", s.Kind, q.Name)
			}
		}
	}
}

func carries(s *Spec, name string) bool {
	for _, q := range s.Measures {
		if q.Name == name {
			return true
		}
	}
	return false
}

// Declared reports whether a finding is of a kind, class and measures that its
// spec lists; the drives of the tests hold to it.
func Declared(f *Finding) bool {
	s := Of(f.Kind)
	if s == nil || !slices.Contains(s.Classes(), f.Class) {
		return false
	}
	for _, m := range f.Measures {
		if !carries(s, m.Name) {
			return false
		}
	}
	return true
}
