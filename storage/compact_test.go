package storage

import (
	"encoding/json"
	"math/rand/v2"
	"reflect"
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

// Whatever JSON there is comes back as the same JSON, by itself and against any
// other.
func TestCompactIsExact(t *testing.T) {
	r := lot.Draw(t, 1, 0)
	var before *node
	for i := range 5000 {
		text, err := json.Marshal(anyValue(r, 0))
		if err != nil {
			t.Fatal(err)
		}
		n, err := parseNode(text)
		if err != nil {
			t.Fatal(err)
		}
		for _, base := range []*node{nil, before} {
			got, err := expand(compact(nil, &n, base), base)
			if back := got.append(nil); err != nil || !sameJSON(text, back) {
				t.Fatalf("value %d: %s became %s, %v", i, text, back, err)
			}
		}
		before = &n
	}
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
	f.Add(compact(nil, &base, nil), false)
	f.Add(compact(nil, &node{kind: nodeObject, keys: base.keys, items: base.items[:len(base.items)]}, &base), true)
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
