package review

import "joltwatch/detect"

// Check is what a technician may look at next for one kind and class of
// finding. The wording is common practice, no source; none of it is a verdict
// on a part.
type Check struct {
	Kind  string
	Class detect.Class
	N     int
	// Consistent is what the finding is consistent with; Look what would tell
	// the possibilities apart.
	Consistent, Look string
}

// Next returns what to check next for the kinds and classes found, the
// most severe first.
func (s *Stay) Next() []Check {
	var list []Check
	for _, c := range s.Counts() {
		if detect.Ordinary(c.Kind, c.Class) && c.Kind != detect.KindMark && c.Class != detect.Asked {
			continue
		}
		x := Check{Kind: c.Kind, Class: c.Class, N: c.N, Consistent: "not one of the usual patterns", Look: "read the traces"}
		if w := WordsOf(c.Kind).Of(c.Class); w != nil {
			x.Consistent, x.Look = w.Consistent, w.Look
		}
		list = append(list, x)
	}
	return list
}

// Cautions are what everyone who acts on a review must have read.
var Cautions = []string{
	"Fit and read the unit with the vehicle stationary; in a moving vehicle a passenger reads, never the driver.",
	"Secure the unit and its cable clear of pedals and airbags.",
	"The unit only listens unless requests were turned on; requests to a vehicle on the road are limited and read-only.",
	"A driver marks only when it is safe.",
	"Pressure and stall tests, and any repair, follow the maker's instructions, local rules and licensed practice.",
	"A recorder in a customer's vehicle needs the customer's consent. No position and no full vehicle identification number is stored.",
	"What is shown is consistent with a cause and never a verdict on a part; the maker's service information decides.",
}
