package stream

// idTable is a small open-addressing table from identifier keys to indices. It
// beats a Go map by several times on the one question asked for every frame on
// the bus, mapped or not. Call grow once before use.
type idTable struct {
	keys   []uint64 // 0 is empty
	values []int32
	shift  uint8
	n      int
	// learnt counts the identifiers remembered as unmapped.
	learnt int
}

// hashFactor is 2^64 over the golden ratio: Fibonacci hashing (Knuth, The Art of
// Computer Programming vol. 3, 6.4).
const hashFactor = 0x9E3779B97F4A7C15

const (
	absent   = -1 // not in the table
	unmapped = -2 // seen before, and no message matches
	// maxLearnt bounds the unmapped identifiers that are remembered; later
	// ones are compared again each time.
	maxLearnt = 4096
)

func (t *idTable) slot(k uint64) int {
	i := int((k * hashFactor) >> (t.shift & 63))
	for t.keys[i] != 0 && t.keys[i] != k {
		i++
		if i == len(t.keys) {
			i = 0
		}
	}
	return i
}

func (t *idTable) get(k uint64) int32 {
	i := t.slot(k)
	if t.keys[i] == 0 {
		return absent
	}
	return t.values[i]
}

func (t *idTable) put(k uint64, v int32) {
	if 4*(t.n+1) > len(t.keys) {
		t.grow()
	}
	i := t.slot(k)
	if t.keys[i] == 0 {
		t.n++
	}
	t.keys[i], t.values[i] = k, v
}

// remember keeps an unmapped identifier while there is room.
func (t *idTable) remember(k uint64, v int32) {
	if t.learnt < maxLearnt {
		t.learnt++
		t.put(k, v)
	}
}

func (t *idTable) grow() {
	keys, values := t.keys, t.values
	n := max(64, 2*len(keys))
	t.keys, t.values = make([]uint64, n), make([]int32, n)
	t.shift = 64
	for m := n; m > 1; m >>= 1 {
		t.shift--
	}
	for i, k := range keys {
		if k != 0 {
			j := t.slot(k)
			t.keys[j], t.values[j] = k, values[i]
		}
	}
}

// stateTable maps raw values to states.
type stateTable struct {
	dense []float64 // by raw value
	set   []bool
	other map[int64]float64
}

func newStateTable(m map[int64]float64) *stateTable {
	t := &stateTable{}
	for raw, v := range m {
		if raw < 0 || raw > 255 {
			t.other = m
			continue
		}
		for int64(len(t.dense)) <= raw {
			t.dense = append(t.dense, 0)
			t.set = append(t.set, false)
		}
		t.dense[raw], t.set[raw] = v, true
	}
	return t
}

func (t *stateTable) get(raw int64) (float64, bool) {
	if raw >= 0 && raw < int64(len(t.dense)) {
		return t.dense[raw], t.set[raw]
	}
	v, ok := t.other[raw]
	return v, ok
}
