package storage

// Thinned is what is kept of ordinary repeats whose own records were removed to
// make room: how many, and how their measures were distributed.
type Thinned struct {
	Kind  string `json:"kind"`
	Class string `json:"class"`
	N     uint64 `json:"n"`
}

type thinnedRecord struct {
	Groups []Thinned `json:"groups"`
}

func addThinned(to, more []Thinned) []Thinned { return append(to, more...) }
