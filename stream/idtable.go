package stream

// idTable is a small open-addressing table from identifier keys to bindings. It
// beats a Go map by several times on the one question asked for every frame on
// the bus, mapped or not. Call grow once before use.
type idTable struct {
	slots []slot
	shift uint8
	n     int
	// learnt counts the identifiers remembered as unmapped.
	learnt int
}

type slot struct {
	key uint64 // 0 is empty
	// first is the first binding of the identifier, or unmapped.
	first int32
	// feed and small spare a look at the binding where it is the only one
	// and its message is small; small is nil otherwise.
	feed  int32
	small *message
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

// slot returns the slot of the key, or the empty one where it would go.
func (t *idTable) slot(k uint64) *slot {
	i := int((k * hashFactor) >> (t.shift & 63))
	for t.slots[i].key != 0 && t.slots[i].key != k {
		i++
		if i == len(t.slots) {
			i = 0
		}
	}
	return &t.slots[i]
}

// get returns the first binding of the key, or absent, or unmapped.
func (t *idTable) get(k uint64) int32 {
	s := t.slot(k)
	if s.key == 0 {
		return absent
	}
	return s.first
}

func (t *idTable) put(s slot) {
	if 4*(t.n+1) > len(t.slots) {
		t.grow()
	}
	to := t.slot(s.key)
	if to.key == 0 {
		t.n++
	}
	*to = s
}

// remember keeps an unmapped identifier while there is room.
func (t *idTable) remember(k uint64) {
	if t.learnt < maxLearnt {
		t.learnt++
		t.put(slot{key: k, first: unmapped})
	}
}

func (t *idTable) grow() {
	old := t.slots
	n := max(64, 2*len(old))
	t.slots = make([]slot, n)
	t.shift = 64
	for m := n; m > 1; m >>= 1 {
		t.shift--
	}
	for i := range old {
		if old[i].key != 0 {
			*t.slot(old[i].key) = old[i]
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
