package review

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"joltwatch/detect"
)

// died fills the table of an engine that died at a stop.
func (b *whyBuilder) died() {
	if b.f.Class == detect.DiedClutchUnknown {
		b.lack("whether engine and turbine had parted before", WhyIdle, WhyPlates)
	} else if slip, ok := b.get("slip_before_rpm"); ok {
		text := fmt.Sprintf("engine and turbine were %s apart before it died", b.u.Quantity(slip, "rpm"))
		b.pro(text, "engine died", WhyIdle)
		b.con(text, "engine died", WhyPlates)
	}
	share, ok := b.get("launch_capacity_share")
	if !ok {
		if b.f.Class == detect.DiedClutchOpen {
			b.pro("the converter's clutch was open: its one-way clutch loads the engine at a standstill too", "engine died", WhyOneWay)
		}
		b.lack("engine torque while pulling away, over enough launches: with it the converter's capacity at a standstill is compared with what it was", WhyOneWay)
		return
	}
	n, _ := b.get("launches")
	text := fmt.Sprintf("pulling away, the converter's capacity factor was %.0f %% of what it was in %.0f earlier launches", 100*share, n)
	switch {
	case share < launchLow || share > launchHigh:
		side := "low"
		if share > 1 {
			side = "high"
		}
		b.pro(text+": a "+side+" stall speed for its torque", "last launch", WhyOneWay)
		if c := b.of(WhyIdle); len(c.For) > 0 {
			b.con("the converter takes another torque at a standstill than it did", "last launch", WhyIdle)
		}
	case share < launchSameLow || share > launchSameHigh:
		b.pro("the converter's clutch was open: its one-way clutch loads the engine at a standstill too", "engine died", WhyOneWay)
		b.lack(text+": more launches", WhyOneWay)
	default:
		b.con(text, "last launch", WhyOneWay)
	}
}

// A capacity factor outside of this share of what it was is another converter than
// it was: torque as controllers report it is right to some percent (common
// practice, no source), and the factor goes with its root.
const (
	launchLow, launchHigh         = 0.9, 1.11
	launchSameLow, launchSameHigh = 0.95, 1.06 // it is the same within these
)

// slip fills the table of slip under load that nothing asked for.
func (b *whyBuilder) slip() {
	b.add(WhyLining, WhyOil, WhyArtefact)
	b.frozen()
	if b.lacks("turbine_speed") {
		b.lack("a turbine speed of its own: where it is worked out of the output's, slip of the gearset looks alike", WhyLining, WhyGearset)
		return
	}
	b.slipCommand()
	b.slipPressure()
	b.slipTorque()
}

// relation compares a mean with what held, in words.
func (b *whyBuilder) relation(what, mean, hold, unit string) (text string, share float64, ok bool) {
	v, has := b.get(mean)
	h, had := b.get(hold)
	if !has || !had || h <= 0 {
		return "", 0, false
	}
	return fmt.Sprintf("%s %s; it held with %s", what, b.u.Quantity(v, unit), b.u.Quantity(h, unit)), v / h, true
}

// standS is how long a speed that moves stands on one value at the most.
const standS = 2.0

func (b *whyBuilder) frozen() {
	s, ok := b.get("speed_stood_s")
	switch {
	case !ok:
	case s >= standS:
		text := fmt.Sprintf("a speed stood on one value for %.1f s while the other moved", s)
		b.pro(text, "", WhyArtefact)
		b.con(text, "", WhyLining, WhyOil)
	default:
		b.con("both speeds moved throughout", "", WhyArtefact)
	}
}

func (b *whyBuilder) slipCommand() {
	text, share, ok := b.relation("the command stood at", "command_mean_kpa", "command_hold_kpa", "kPa")
	if !ok {
		text, share, ok = b.relation("the command stood at", "command_mean_pct", "command_hold_pct", "%")
	}
	switch {
	case !ok:
		b.lack("the clutch's command", WhyLining, WhyOil)
	case share >= usualShare:
		if b.trusted() {
			b.pro(text, "", WhyLining)
		}
	default:
		b.con(text, "", WhyLining)
	}
}

// trusted reports whether nothing speaks for an artefact.
func (b *whyBuilder) trusted() bool { return len(b.of(WhyArtefact).For) == 0 }

// usualShare is the least of what held that is still the same. Commands and
// pressures are steady to some percent while they hold (common practice, no
// source).
const usualShare = 0.93

func (b *whyBuilder) slipPressure() {
	text, share, ok := b.relation("the pressure stood at", "pressure_mean_kpa", "pressure_hold_kpa", "kPa")
	switch {
	case !ok:
		b.lack("the clutch's pressure: whether it followed the command", WhyOil)
	case share < usualShare:
		b.pro(text, "", WhyOil)
		b.con(text, "", WhyLining)
	default:
		b.con(text, "", WhyOil)
	}
}

func (b *whyBuilder) slipTorque() {
	text, share, ok := b.relation("engine torque", "torque_mean_nm", "torque_hold_nm", "N·m")
	switch {
	case !ok:
		b.lack("engine torque, against what the clutch has held", WhyLining)
	case share <= 1.05 && b.trusted():
		b.pro(text, "", WhyLining)
	case share > 1.05:
		b.lack(text+": more than it has been seen to hold", WhyLining)
	}
}

// gearset fills the table of a gearset that slips.
func (b *whyBuilder) gearset() {
	b.add(WhyGearset, WhyLining, WhyArtefact)
	mean, _ := b.get("slip_mean_rpm")
	text := fmt.Sprintf("the turbine ran %s faster than output speed and the gear's ratio give", b.u.Quantity(mean, "rpm"))
	b.pro(text, "", WhyGearset)
	b.con("the ratio seen after the converter left the gear's: "+text, "", WhyLining)
	long, _ := b.get("duration_s")
	if stood, ok := b.get("speed_stood_s"); ok && stood >= mostShare*long {
		text := fmt.Sprintf("the turbine's speed stood on one value for %.1f s while the engine's moved", stood)
		b.pro(text, "", WhyArtefact)
		b.con(text, "", WhyGearset)
		return
	}
	off, ok := b.get("output_off_road_percent")
	switch {
	case !ok:
		b.lack("road speed beside output speed, to tell whether the output sensor is right", WhyArtefact)
	case off >= 3:
		b.pro(fmt.Sprintf("output and road speed differed by %.1f %% of what is usual", off), "", WhyArtefact)
	default:
		b.con(fmt.Sprintf("output and road speed agreed to %.1f %%", off), "", WhyArtefact)
	}
}

// steps writes the links of an apply, from step to step in the order in which they
// came.
func (b *whyBuilder) steps(rose, down detect.Instant, has bool, filled detect.Instant, touch bool, touched detect.Instant) {
	type step struct {
		name string
		detect.Instant
	}
	list := []step{{"told", rose}}
	var unseen []string
	for _, x := range []struct {
		seen bool
		step
		why string
	}{{has, step{"filled", filled}, b.unfilled()}, {touch, step{"first touch", touched}, "the first touch was not seen"}} {
		if x.seen && x.At <= down.At {
			list = append(list, x.step)
		} else {
			unseen = append(unseen, x.why)
		}
	}
	slices.SortStableFunc(list, func(x, y step) int { return cmp.Compare(x.At, y.At) })
	list = append(list, step{"closed", down})
	for i, x := range list[1:] {
		b.link(list[i].name+" to "+x.name, list[i].Instant, x.Instant, strings.Join(unseen, "; "))
		unseen = nil
	}
}

// unfilled says why it is not known when the pressure was where the clutch carries.
func (b *whyBuilder) unfilled() string {
	if b.lacks("clutch_pressure") {
		return "filled in this: clutch pressure was not recorded"
	}
	return "filled in this: the pressure was not seen to come to where this vehicle's clutch carries"
}

// risen holds the rise of the command against the vehicle's habit, where there is one.
func (b *whyBuilder) risen() {
	low, ok := b.get("command_late_min_s")
	if !ok {
		b.con("the command had risen: it was told to close", "command rose", WhyCommand)
		return
	}
	high, _ := b.get("command_late_max_s")
	at, _ := b.get("rose_at_kmh")
	usual, _ := b.get("usual_rise_kmh")
	n, _ := b.get("habit_applies")
	habit := fmt.Sprintf("at %s; usual as it pulls away so: %s (%.0f applies)", b.u.Quantity(at, "km/h"), b.u.Quantity(usual, "km/h"), n)
	if low >= commandLateS {
		b.pro(fmt.Sprintf("the command rose %.1f to %.1f s later than usual, %s", low, high, habit), detect.InstantUsuallyRises, WhyCommand)
	} else {
		b.con("the command rose "+habit, "command rose", WhyCommand)
	}
}

// apply fills the table of an apply that was slow or did not come to its end.
func (b *whyBuilder) apply() {
	b.add(WhyOil, WhyValve, WhyLining, WhyCommand)
	rose, ok := b.instant("command rose")
	if !ok {
		b.lack("the clutch's command", WhyOil, WhyValve, WhyLining, WhyCommand)
		return
	}
	b.risen()
	if due, late := b.instant(detect.InstantUsuallyRises); late {
		b.link("usually told to told", due, rose, "")
	}
	filled, has := b.instant(detect.InstantFilled)
	touched, touch := b.instant(detect.InstantTouched)
	down, ended := b.instant("slip down")
	if !ended {
		b.lack("when the slip was down after the command had risen: it could not be told", WhyOil, WhyValve, WhyLining)
		return
	}
	b.steps(rose, down, has, filled, touch, touched)
	if b.f.Class == detect.LateCommand {
		b.con(fmt.Sprintf("once the command had risen the slip was down within %.2f s", (down.At-rose.At).Seconds()), "slip down", WhyOil, WhyValve, WhyLining)
		return
	}
	if !has {
		b.lack("the clutch's pressure: whether it filled late or carried late", WhyOil, WhyValve, WhyLining)
		return
	}
	_, fill, _ := span(rose, filled)
	_, all, _ := span(rose, down)
	text := fmt.Sprintf("the pressure was where the clutch carries %.2f s after the command", fill)
	if fill >= mostShare*all {
		b.pro(text, detect.InstantFilled, WhyOil, WhyValve)
		b.con(text, detect.InstantFilled, WhyLining)
		return
	}
	b.con(text, detect.InstantFilled, WhyOil, WhyValve)
	b.pro(text+" and slip stayed", detect.InstantFilled, WhyLining)
}
