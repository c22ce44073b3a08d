package storage

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/cmd/develop/lot"
	"joltwatch/detect"
	"joltwatch/detect/ratioline"
	"joltwatch/stream"
)

// Every kind, class, measure and role stands in the list of words: one that does
// not is spelt out in each event.
func TestWordsAreListed(t *testing.T) {
	listed := func(s string) {
		if _, ok := wordNumber(s); !ok {
			t.Errorf("%q is not in compactWords: add it at its end", s)
		}
	}
	for _, spec := range detect.All {
		listed(spec.Kind)
		for _, c := range spec.Classes() {
			listed(c.String())
		}
		for _, q := range spec.Measures {
			listed(q.Name)
		}
	}
	for r := range stream.NumRoles {
		listed(r.String())
	}
}

// The keys of what is stored often stand in the list of shapes: an object of none
// spells them out each time.
func TestShapesAreListed(t *testing.T) {
	for _, v := range []any{Asking{}, SilentBus{}, ratioline.Line{}, ratioline.Release{}, ratioline.Downshift{}, ratioline.Pass{}, ratioline.Cell{}, ratioline.Load{}} {
		var keys []string
		of := reflect.TypeOf(v)
		for i := range of.NumField() {
			key, _, _ := strings.Cut(of.Field(i).Tag.Get("json"), ",")
			keys = append(keys, key)
		}
		if !slices.ContainsFunc(compactShapes[:], func(s []string) bool { return slices.Equal(s, keys) }) {
			t.Errorf("%T: %q is not in compactShapes: add it at its end", v, keys)
		}
	}
}

// Events of one block stand against each other, accounts against each other across
// blocks, and each comes back as it was; where a block is lost, events of others do.
func TestGroupsAreExact(t *testing.T) {
	r := lot.Draw(t, 1, 0)
	pack, err := newPacker()
	if err != nil {
		t.Fatal(err)
	}
	h := header{version: Version, kind: journalFile, run: 1, part: 1}
	g := groups{pack: pack, out: h.append(nil), at: chainFrom(h)}
	var events, others []string // as JSON
	for i := range 400 {
		start := bus.Micros(1_760_000_000e6) + bus.Micros(i)*7e6 + bus.Micros(r.IntN(1e6))
		typ, v := blockEvent, any(eventRecord{N: i + 1, Start: start, End: start + bus.Micros(r.IntN(1e6)), Finding: detect.Finding{
			Kind: detect.All[r.IntN(3)].Kind, Start: start, Severity: 0.05,
			Measures: []detect.Measure{{Name: "lag_s", Value: float64(r.IntN(900)) / 1000}, {Name: "slip_before_rpm", Value: float64(r.IntN(900)) / 10}},
			Instants: []detect.Instant{{Name: "speeds parted", At: start + 5e4, Early: start, Late: start + 6e4}},
		}})
		switch r.IntN(4) {
		case 0:
			typ, v = blockAccount, idling(1+i/300, i)
		case 1:
			typ, v = blockUsage, Usage{Stored: uint64(i), BytesWritten: uint64(i * 700), Syncs: uint64(2 * i)}
		}
		text, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		if typ == blockEvent {
			events = append(events, string(text))
		} else {
			others = append(others, string(text))
		}
		if err := g.json(typ, text); err != nil {
			t.Fatal(err)
		}
		if r.IntN(5) == 0 {
			g.close()
		}
	}
	g.close()
	gotEvents, gotOthers := textsOf(t, g.out, -1)
	if !slices.Equal(gotEvents, events) || len(gotOthers) != len(others) {
		t.Fatalf("%d events and %d others became %d and %d, or other ones", len(events), len(others), len(gotEvents), len(gotOthers))
	}
	for i, text := range gotOthers {
		if text != "" && text != others[i] { // an account that a later one in its block replaces has none
			t.Fatalf("%s became %s", others[i], text)
		}
	}
	if some, _ := textsOf(t, g.out, 3); len(some) >= len(events) || len(some) < len(events)-40 {
		t.Errorf("without one block %d of %d events are read", len(some), len(events))
	}
}

// textsOf reads the records of a journal, without one of its blocks.
func textsOf(t *testing.T, file []byte, without int) (events, others []string) {
	t.Helper()
	p, err := parseFile("journal", file)
	if err != nil || len(p.damage) > 0 {
		t.Fatal(err, p.damage)
	}
	u, err := newUnpacker(int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	r := recReader{u: u}
	for i, b := range p.blocks {
		if i == without {
			continue
		}
		list, err := r.read(b)
		if err != nil && without < 0 {
			t.Fatal(err)
		}
		for _, x := range list {
			if x.typ == blockEvent {
				events = append(events, string(x.text))
			} else {
				others = append(others, string(x.text))
			}
		}
	}
	return events, others
}
