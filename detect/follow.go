package detect

// ClutchState returns what the clutch did in the latest row: "open",
// "partial", "closed", "coast" or "unknown". A review runs a Monitor over
// stored rows to draw it, so that it and the account mean the same.
func (m *Monitor) ClutchState() string {
	switch m.scene.state {
	case open:
		return "open"
	case partial:
		return "partial"
	case closed:
		return "closed"
	case coast:
		return "coast"
	}
	return "unknown"
}
