package review

import "joltwatch/detect"

// Check is what a technician may look at next for one kind and class of
// finding. The wording is common practice, no source; none of it is a verdict
// on a part.
type Check struct {
	Kind, Class string
	N           int
	// Consistent is what the finding is consistent with; Look what would tell
	// the possibilities apart.
	Consistent, Look string
}

var checks = []Check{
	{detect.KindReleaseLag, "late", 0,
		"consistent with a converter clutch that lets go late: oil leaving slowly, a valve that sticks, a plate stack that stays together, or oil that is old or of the wrong kind",
		"compare lag with fluid temperature in the distribution below; where pressure was recorded, see whether it fell late too (hydraulic) or fell in time while the speeds stayed together (mechanical); fluid condition and level by the maker's method"},
	{detect.KindReleaseLag, "dragging", 0,
		"consistent with a clutch that still carries torque below idle speed: the engine is pulled down as the vehicle comes to a stop",
		"see whether the engine dips below idle in the traces and whether pressure had gone; repeat at the same temperature with the vehicle secured, by the maker's method"},
	{detect.KindReleaseLag, "stall", 0,
		"consistent with a clutch that did not let go before the stop; a fuel or air fault that stops an engine at idle looks alike",
		"see in the traces whether engine and turbine went down together to the end; if they had parted, look at the engine first"},
	{detect.KindHillSlip, "unasked", 0,
		"consistent with a clutch that cannot carry the torque at the pressure it is given: worn lining, leaking apply circuit, low line pressure, contaminated fluid",
		"compare command (and pressure, if recorded) with earlier pulls of the same gear and load; line pressure by the maker's method"},
	{detect.KindHillSlip, "asked", 0,
		"consistent with normal control that slips the clutch on purpose to save a downshift",
		"nothing, unless the customer feels it"},
	{detect.KindApply, "", 0,
		"consistent with a slow or uneven fill of the apply circuit, or a lining that grabs",
		"compare apply time with fluid temperature and with the other stay; adaptation values by the maker's method"},
	{detect.KindShift, "", 0,
		"consistent with a clutch command and pressure that do not dip together in the shift",
		"compare command and pressure in the shift traces"},
	{detect.KindOpenUnderDrive, "", 0,
		"consistent with torque multiplication in place of a downshift, which many controllers do on purpose",
		"see whether it happens at the same pedal and gear each time; if the command stood, see unasked slip"},
	{detect.KindGearsetSlip, "", 0,
		"consistent with slip of the gearset's own clutches or bands, not of the converter clutch: the ratio seen leaves the gear's nominal ratio",
		"the ratio seen in the traces by gear; line pressure by the maker's method"},
	{detect.KindFlare, "", 0,
		"consistent with one clutch of the gearset letting go before the next one carries",
		"which pair of gears it happens in and at which temperature"},
	{detect.KindShudder, "", 0,
		"consistent with stick and slip of the clutch lining while partial or closed, if slip carries the band; with a misfire, if engine and turbine carry it together",
		"which of slip and engine speed carries it; whether a light touch of the brake, which releases the clutch, ended it (the usual road check); fluid condition"},
	{detect.KindJolt, "", 0,
		"consistent with the nearest clutch or gear event in time, named with the finding",
		"read the traces at the jolt: what moved first"},
	{detect.KindMark, "", 0,
		"the driver felt something here",
		"ask what was felt and read the traces before the mark; people press a few seconds late"},
	{detect.KindBusFault, "", 0,
		"consistent with wiring, a connector, a wrong bit rate, or a unit that was unplugged",
		"the coverage table: what was lost at that time cannot be judged"},
	{detect.KindRoleStale, "", 0,
		"consistent with a controller that stopped sending or a definition that does not fit this vehicle",
		"the signal's mapping in the vehicle file, then the controller's supply"},
}

// Next returns what to check next for the kinds and classes found, the
// most severe first.
func (s *Stay) Next() []Check {
	var list []Check
	for _, c := range s.Counts() {
		if Ordinary(c.Class) && c.Kind != detect.KindMark && c.Class != "asked" {
			continue
		}
		best := -1
		for i, x := range checks {
			if x.Kind == c.Kind && (x.Class == c.Class || x.Class == "" && best < 0) {
				best = i
				if x.Class == c.Class {
					break
				}
			}
		}
		x := Check{Kind: c.Kind, Class: c.Class, N: c.N, Consistent: "not one of the usual patterns", Look: "read the traces"}
		if best >= 0 {
			x.Consistent, x.Look = checks[best].Consistent, checks[best].Look
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
