package review

import (
	"strings"

	"joltwatch/detect"
)

// Words are what people read of one kind of finding.
type Words struct {
	Kind string
	// Title names the kind, Hit what is counted of it among its opportunities,
	// One a single opportunity.
	Title, Hit, One string
	Classes         []ClassWords
}

// ClassWords are what people read of one class; the last of a kind, without a
// class, is for those that have none of their own. The wording is common
// practice, no source; none of it is a verdict on a part.
type ClassWords struct {
	Class detect.Class
	// Consistent is what it is consistent with, for a technician; Look what
	// would tell the possibilities apart.
	Consistent, Look string
	// What says it to the customer in a clause that follows "three times",
	// Felt what may be felt of it. Empty for what a sound vehicle does.
	What, Felt string
}

var wordings = []Words{
	{detect.KindReleaseLag, "clutch release", "late clutch release", "release", []ClassWords{
		{detect.ReleaseLate,
			"consistent with a converter clutch that lets go late: oil leaving slowly, a valve that sticks, a plate stack that stays together, or oil that is old or of the wrong kind",
			"the event's links and what was measured for and against each candidate; compare lag with fluid temperature in the distribution below; fluid condition and level by the maker's method",
			"a clutch inside the automatic gearbox let go late", "When the vehicle is about to stop, that can be felt as a jolt."},
		{detect.ReleaseDragging,
			"consistent with a clutch that still carries torque below idle speed: the engine is pulled down as the vehicle comes to a stop",
			"the event's links and what was measured for and against each candidate; repeat at the same temperature with the vehicle secured, by the maker's method",
			"a clutch inside the automatic gearbox held on so long that it slowed the engine down", "When the vehicle is about to stop, that can be felt as a jolt."},
		{detect.LateCommand,
			"consistent with a controller that tells the clutch to let go later than is this vehicle's habit, or with a signal that it waits for and that comes late, such as the brake's; the clutch itself let go in time",
			"the event's links: when brake and pedal were seen, and when the command fell; trouble codes and adaptation of the controllers, and the brake signal, by the maker's method",
			"a clutch inside the automatic gearbox was told to let go later than usual", "When the vehicle is about to stop, that can be felt as a jolt."},
		{detect.ReleaseStall,
			"consistent with a clutch that did not let go before the stop; a fuel or air fault that stops an engine at idle looks alike",
			"see in the traces whether engine and turbine went down together to the end; if they had parted, look at the engine first",
			"the engine stopped by itself in the last moments of a stop", ""},
	}},
	{detect.KindHillSlip, "slip held under load", "slip under load that nothing asked for", "stretch", []ClassWords{
		{detect.HillUnasked,
			"consistent with a clutch that cannot carry the torque at the pressure it is given: worn lining, leaking apply circuit, low line pressure, contaminated fluid",
			"compare command (and pressure, if recorded) with earlier pulls of the same gear and load; line pressure by the maker's method",
			"a clutch inside the automatic gearbox slipped under load without being asked to", "Most drivers do not feel this."},
		{detect.Asked,
			"consistent with normal control that slips the clutch on purpose to save a downshift",
			"nothing, unless the customer feels it",
			"", ""},
		{detect.Unknown,
			"consistent with slip that is regulated on purpose, or with a clutch that cannot carry the torque: nothing tells the two apart without the clutch's command",
			"map the clutch's command if the vehicle sends it; else compare with earlier pulls of the same gear and load",
			"a clutch inside the automatic gearbox slipped under load; whether it was meant to cannot be told", "Most drivers do not feel this."},
	}},
	{detect.KindSlipTrend, "slip that grows", "growth of slip", "driven hour", []ClassWords{
		{detect.Class{},
			"consistent with a clutch that carries less from day to day: a lining that wears, an apply circuit that leaks more and more, fluid that is spent; a controller that has begun to ask for more slip looks alike",
			"compare the command at the same load on the first and the last day; the controller's adaptation values and the fluid's condition by the maker's method",
			"a clutch inside the automatic gearbox slipped more from day to day", "Most drivers do not feel this at first."},
	}},
	{detect.KindApply, "clutch apply", "clutch apply", "apply", []ClassWords{
		{detect.LateCommand,
			"consistent with a controller that tells the clutch to close later than is this vehicle's habit as it pulls away, or with a signal that it waits for; the clutch itself closed in time",
			"the event's links: at which road speed the command rose, and at which it usually does; trouble codes and adaptation of the controllers, fluid temperature as the controller has it, by the maker's method",
			"a clutch inside the automatic gearbox was told to take hold later than usual", ""},
		{detect.Class{},
			"consistent with a slow or uneven fill of the apply circuit, or a lining that grabs",
			"compare apply time with fluid temperature and with the other stay; adaptation values by the maker's method",
			"a clutch inside the automatic gearbox took hold in an unusual way", ""},
	}},
	{detect.KindShift, "shift with the clutch on", "shift with the clutch on", "shift", []ClassWords{
		{detect.Class{},
			"consistent with a clutch command and pressure that do not dip together in the shift",
			"compare command and pressure in the shift traces",
			"a gear change was unusual", ""},
	}},
	{detect.KindOpenUnderDrive, "clutch opened under drive", "clutch opened under drive", "opportunity", []ClassWords{
		{detect.Class{},
			"consistent with torque multiplication in place of a downshift, which many controllers do on purpose",
			"see whether it happens at the same pedal and gear each time; if the command stood, see unasked slip",
			"a clutch inside the automatic gearbox opened while driving", "Many gearboxes do this on purpose."},
	}},
	{detect.KindGearsetSlip, "gearset slip", "gearset slip", "opportunity", []ClassWords{
		{detect.Class{},
			"consistent with slip of the gearset's own clutches or bands, not of the converter clutch: the ratio seen leaves the gear's nominal ratio",
			"the ratio seen in the traces by gear; line pressure by the maker's method",
			"a gear inside the gearbox slipped under load", "The engine turns faster than the vehicle's speed explains."},
	}},
	{detect.KindFlare, "engine flare in a shift", "engine flare in a shift", "shift", []ClassWords{
		{detect.Class{},
			"consistent with one clutch of the gearset letting go before the next one carries",
			"which pair of gears it happens in and at which temperature",
			"the engine revved up for a moment during a gear change", ""},
	}},
	{detect.KindShudder, "shudder", "shudder", "opportunity", []ClassWords{
		{detect.Class{},
			"consistent with stick and slip of the clutch lining while partial or closed, if slip carries the band; with a misfire, if engine and turbine carry it together",
			"which of slip and engine speed carries it; whether a light touch of the brake, which releases the clutch, ended it (the usual road check); fluid condition",
			"a shaking of the drive was measured", "It can feel like driving over ribbed road."},
	}},
	{detect.KindJolt, "jolt", "jolt", "opportunity", []ClassWords{
		{detect.Class{},
			"consistent with the nearest clutch or gear event in time, named with the finding",
			"read the traces at the jolt: what moved first",
			"a jolt of the vehicle was measured", ""},
	}},
	{detect.KindEngineDied, "engine died at a stop", "engine that died at a stop", "stop", []ClassWords{
		{detect.DiedClutchOpen,
			"consistent with an engine that cannot hold its idle: the converter clutch had let go before; fuel, air or idle control, or a converter whose one-way clutch does not let it turn",
			"engine speed in the traces before it died: did it hunt or sink; trouble codes of the engine's controller; the engine first, by the maker's method",
			"the engine stopped by itself at a stop, after the gearbox had let go", "That can be felt as a shudder before it stops."},
		{detect.Class{},
			"consistent with an engine that cannot hold its idle, or with a clutch that did not let go: which of the two could not be seen",
			"whether engine and turbine went down together in the traces; trouble codes of the engine's controller",
			"the engine stopped by itself at a stop", "That can be felt as a shudder before it stops."},
	}},
	{detect.KindMark, "driver's mark", "driver's mark", "moment", []ClassWords{
		{detect.Class{},
			"the driver felt something here",
			"ask what was felt and read the traces before the mark; people press a few seconds late",
			"you pressed the button", ""},
	}},
	{detect.KindBusFault, "bus fault", "bus fault", "moment", []ClassWords{
		{detect.BusControllersSilent,
			"consistent with controllers that lost their supply or left the bus while others went on, or with a bus flooded by something that does not belong there",
			"the supply and ground of the controllers whose signals are mapped; what else was on the bus at that time",
			"the recorder heard nothing from the gearbox and the engine for a while", ""},
		{detect.BusErrors,
			"consistent with wiring, a connector, a wrong bit rate, or a unit that was unplugged",
			"the coverage table: what was lost at that time cannot be judged",
			"the recorder's connection to the vehicle was disturbed", ""},
		{detect.BusFramesLost,
			"consistent with wiring, a connector, a wrong bit rate, or a unit that was unplugged",
			"the coverage table: what was lost at that time cannot be judged",
			"the recorder missed a part of what the vehicle told it", ""},
		{detect.Class{},
			"consistent with wiring, a connector, a wrong bit rate, or a unit that was unplugged",
			"the coverage table: what was lost at that time cannot be judged",
			"the recorder lost its connection to the vehicle", ""},
	}},
	{detect.KindRoleStale, "signal missing", "signal missing", "moment", []ClassWords{
		{detect.Class{},
			"consistent with a controller that stopped sending or a definition that does not fit this vehicle",
			"the signal's mapping in the vehicle file, then the controller's supply",
			"a measurement was missing for a while", ""},
	}},
}

// WordsOf returns the words of a kind, nil where there are none: a store may be of
// a later program.
func WordsOf(kind string) *Words {
	for i := range wordings {
		if wordings[i].Kind == kind {
			return &wordings[i]
		}
	}
	return nil
}

// Of returns the words of a class, or those of all others of the kind; nil where
// there are none.
func (w *Words) Of(c detect.Class) *ClassWords {
	var other *ClassWords
	if w == nil {
		return nil
	}
	for i := range w.Classes {
		switch w.Classes[i].Class {
		case c:
			return &w.Classes[i]
		case detect.Class{}:
			other = &w.Classes[i]
		}
	}
	return other
}

// names are the findings that people do not call by kind and class.
var names = []struct {
	kind  string
	class detect.Class
	name  string
}{
	{detect.KindReleaseLag, detect.Normal, "normal release"},
	{detect.KindReleaseLag, detect.ReleaseLate, "late release"},
	{detect.KindReleaseLag, detect.ReleaseDragging, "dragging release"},
	{detect.KindReleaseLag, detect.ReleaseStall, "stall at a stop"},
	{detect.KindReleaseLag, detect.LateCommand, "release commanded late"},
}

// Finding names what was found as people say it: "late release".
func Finding(kind string, class detect.Class) string {
	for _, n := range names {
		if n.kind == kind && n.class == class {
			return n.name
		}
	}
	title := KindWords(kind)
	name := strings.ReplaceAll(class.String(), "-", " ")
	if name == "" || class == detect.Normal || class == detect.MarkPressed {
		return title
	}
	return title + ", " + name
}

// Opportunity names one opportunity of a kind, in the singular.
func Opportunity(kind string) string {
	if w := WordsOf(kind); w != nil {
		return w.One
	}
	return "moment"
}
