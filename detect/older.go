package detect

import "encoding/json"

// Findings and accounts are kept and sent as JSON. Version 1 of the two forms
// had other names for some fields; they are read, and never written.

// UnmarshalJSON reads a finding of any version.
func (f *Finding) UnmarshalJSON(b []byte) error {
	type plain Finding
	x := struct {
		*plain
		Worth   *float64 `json:"worth"`
		Lacking []string `json:"lacking"`
	}{plain: (*plain)(f)}
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	if x.Worth != nil {
		f.Severity = *x.Worth
	}
	if x.Lacking != nil {
		f.MissingInputs = x.Lacking
	}
	if f.Kind == KindShift && f.Class.name == "closed-through" {
		f.Class = Normal
	}
	return nil
}

// UnmarshalJSON reads an account of any version.
func (a *Account) UnmarshalJSON(b []byte) error {
	type plain Account
	x := struct {
		*plain
		Chances []Opportunity `json:"chances"`
	}{plain: (*plain)(a)}
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	if x.Chances != nil {
		a.Opportunities = x.Chances
	}
	return nil
}
