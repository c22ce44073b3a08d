package stream

// Range is between which values something is to lie, both included; nil where it
// has no such end.
type Range struct {
	From *float64 `toml:"from"`
	To   *float64 `toml:"to"`
}
