package storage

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"testing"

	"joltwatch/cmd/develop/lot"
	"joltwatch/detect"
)

// anyValue draws a value of any JSON kind.
func anyValue(r *rand.Rand, depth int) any {
	words := []string{"lag_s", "", "ä\u202e\x00", "kind", "far away", "engine_speed"}
	switch n := r.IntN(9); {
	case n == 0:
		return nil
	case n == 1:
		return r.IntN(2) == 0
	case n == 2:
		return r.Int64() >> r.IntN(64)
	case n == 3:
		return float64(r.IntN(2e6)-1e6) / 1000
	case n == 4:
		return r.NormFloat64() * 1e30
	case n == 5 || depth > 4:
		return words[r.IntN(len(words))]
	case n == 6:
		out := []any{}
		for range r.IntN(5) {
			out = append(out, anyValue(r, depth+1))
		}
		return out
	case n == 7:
		out := []detect.Measure{}
		for range r.IntN(5) {
			out = append(out, detect.Measure{Name: words[r.IntN(len(words))], Value: float64(r.IntN(1000)) / 10})
		}
		return out
	}
	out := map[string]any{}
	for range r.IntN(6) {
		out[words[r.IntN(len(words))]] = anyValue(r, depth+1)
	}
	return out
}

// Whatever JSON there is comes back as the same JSON, by itself and gone on to from
// any other.
func TestCompactIsExact(t *testing.T) {
	r := lot.Draw(t, 1, 0)
	before := newTrail(&node{})
	for i := range 5000 {
		text, err := json.Marshal(anyValue(r, 0))
		if err != nil {
			t.Fatal(err)
		}
		n, err := parseNode(text)
		if err != nil {
			t.Fatal(err)
		}
		got, err := expand(compact(nil, &n), nil)
		if back := got.append(nil); err != nil || !sameJSON(text, back) {
			t.Fatalf("value %d: %s became %s, %v", i, text, back, err)
		}
		before = goneOn(t, text, &before)
	}
}

// Every listed shape and word comes back, however many there are.
func TestCompactLists(t *testing.T) {
	for i, shape := range compactShapes {
		object := node{kind: nodeObject}
		for k, key := range shape {
			object.keys = append(object.keys, key)
			object.items = append(object.items, node{kind: nodeNumber, text: strconv.Itoa(100 + k)})
		}
		for _, n := range []node{object, {kind: nodeArray, items: []node{object, object}}} {
			text := n.append(nil)
			got, err := expand(compact(nil, &n), nil)
			if err != nil || !sameJSON(text, got.append(nil)) {
				t.Errorf("shape %d: %s became %s, %v", i, text, got.append(nil), err)
			}
			from := newTrail(&node{kind: nodeArray, items: []node{}})
			goneOn(t, text, &from)
		}
	}
	for i, word := range compactWords {
		n := node{kind: nodeString, text: word}
		if got, err := expand(compact(nil, &n), nil); err != nil || got.text != word {
			t.Errorf("word %d: %q became %q, %v", i, word, got.text, err)
		}
	}
}

// goneOn writes a value onward from another, reads it back, and returns the trail,
// which reader and writer have to have in common.
func goneOn(t *testing.T, text []byte, from *trail) trail {
	t.Helper()
	n, err := parseNode(text)
	if err != nil {
		t.Fatal(err)
	}
	b, next := goOn(nil, &n, from)
	got, err := readOn(b, from)
	if err != nil || !sameJSON(text, got.node.append(nil)) {
		t.Fatalf("from %s, %s became %s, %v", from.node.append(nil), text, got.node.append(nil), err)
	}
	for range 2 { // anew, and from what it has kept
		if text := got.append(nil); !bytes.Equal(text, got.node.append(nil)) {
			t.Fatalf("%s is spelt %s", got.node.append(nil), text)
		}
	}
	if !next.equal(&got) {
		t.Fatalf("%s: the writer goes on from another trail than the reader", text)
	}
	return got
}

func (t *trail) equal(o *trail) bool {
	return t.node.equal(o.node) && t.count == o.count &&
		slices.EqualFunc(t.parts, o.parts, func(a, b trail) bool { return a.equal(&b) })
}

func sameJSON(a, b []byte) bool {
	var x, y any
	return json.Unmarshal(a, &x) == nil && json.Unmarshal(b, &y) == nil && reflect.DeepEqual(x, y)
}

func FuzzExpand(f *testing.F) {
	text, err := json.Marshal(detect.Account{Drive: 1, Bands: []detect.Band{{Of: "gear", Label: "1"}}})
	if err != nil {
		f.Fatal(err)
	}
	base, err := parseNode(text)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(compact(nil, &base), false)
	f.Add([]byte{tagPatch, tagSameRun, 3, tagTrue, tagSameRun, byte(len(base.keys) - 4)}, true) // as version 2 has it
	f.Fuzz(func(t *testing.T, b []byte, on bool) {
		against := &base
		if !on {
			against = nil
		}
		n, err := expand(b, against)
		if err != nil {
			return
		}
		if text := n.append(nil); !json.Valid(text) {
			t.Fatalf("%q is no JSON", text)
		}
	})
}

func FuzzOnward(f *testing.F) {
	text, err := json.Marshal(idling(1, 1))
	if err != nil {
		f.Fatal(err)
	}
	base, err := parseNode(text)
	if err != nil {
		f.Fatal(err)
	}
	from := newTrail(&base)
	for _, next := range []any{idling(1, 2), idling(2, 1), map[string]any{"drive": "far"}} {
		text, err := json.Marshal(next)
		if err != nil {
			f.Fatal(err)
		}
		n, err := parseNode(text)
		if err != nil {
			f.Fatal(err)
		}
		b, _ := goOn(nil, &n, &from)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := readOn(b, &from)
		if err != nil {
			return
		}
		text := got.node.append(nil)
		if !json.Valid(text) {
			t.Fatalf("%q is no JSON", text)
		}
		if len(text) < maxAgainst {
			goneOn(t, text, &got)
		}
	})
}
