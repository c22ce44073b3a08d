package review

import (
	"fmt"

	"joltwatch/detect"
)

const (
	// mostShare of the time by which a release is late makes a link the one that
	// was late, and leastShare or less shows that it was not. Between them it may
	// be either.
	mostShare, leastShare = 0.5, 0.25
	// feltSlowingMps2 is a deceleration that takes brakes: coasting in gear slows by
	// less (common practice, no source).
	feltSlowingMps2 = 1.0
	// commandLateS is how much later than usual a command must fall to be late, s.
	commandLateS = 0.5
)

// release fills the table of a release that was late, dragged or stalled.
func (b *whyBuilder) release() {
	b.add(WhyPlates, WhyOil, WhyValve, WhyCommand)
	b.links()
	b.dip()
	b.decision()
	if b.f.Class == detect.LateCommand {
		b.inTime()
	} else {
		b.lateOil()
	}
	if b.f.Class == detect.ReleaseStall {
		b.stalled()
	}
	b.seen()
}

// links writes the chain; what is not known joins its neighbours.
func (b *whyBuilder) links() {
	fell, ok := b.instant(detect.InstantFell)
	if !ok {
		b.withoutCommand()
		return
	}
	b.driver(fell, "command", "")
	parted, ok := b.instant(detect.InstantParted)
	end := "command to plates"
	if !ok {
		parted, ok = b.instant("engine died")
		end = "command to the engine's end"
	}
	if !ok {
		return
	}
	gone, has := b.instant(detect.InstantGone)
	_, learned := b.get("lets_go_low_kpa")
	if !has || gone.Early > parted.Late {
		note := "oil and plates together: clutch pressure was not recorded"
		if _, recorded := b.get("parted_kpa"); recorded {
			note = "oil and plates together: at which pressure this vehicle's clutch lets go is not learned yet"
		}
		if has {
			note = "the pressure still held when the speeds parted"
		}
		b.link(end, fell, parted, joined(note, b.behind(fell, parted)))
		b.usual("usual_lag_s")
		return
	}
	note := ""
	if !learned {
		note = "to a tenth of the pressure: at which one this vehicle's clutch lets go is not learned yet"
	}
	b.link("command to oil gone", fell, gone, note)
	b.usual("usual_lag_s")
	b.link("oil gone to plates apart", gone, parted, "")
}

// behind says by how much more than its link the lag may be: what fell is a reported
// state, which the command may have come before.
func (b *whyBuilder) behind(fell, parted detect.Instant) string {
	most, ok := b.get(detect.LagMaxS.Name)
	if _, _, high := span(fell, parted); !ok || most < high+0.02 {
		return ""
	}
	return fmt.Sprintf("counted from the reported state, which may follow the command: the lag is %.2f s at most", most)
}

// dip is the engine drawn below idle, which the driver feels as it comes free again.
func (b *whyBuilder) dip() {
	parted, ok := b.instant(detect.InstantParted)
	if stood, has := b.instant(detect.InstantStood); ok && has {
		b.link(feltLink, parted, stood, "the vehicle came to a standstill")
	}
	lowest, has := b.instant(detect.InstantDipped)
	if rpm, known := b.get("engine_low_rpm"); ok && has && known {
		b.link(feltLink, parted, lowest, fmt.Sprintf("the engine's dip, to %.0f rpm while the plates held", rpm))
	}
}

// withoutCommand is the chain where no command is known.
func (b *whyBuilder) withoutCommand() {
	const together = "decision, oil and plates together: no command is known"
	parted, ok := b.instant(detect.InstantParted)
	if !ok {
		return
	}
	if closed, has := b.instant("certainly closed"); !b.driver(parted, "speeds parted", together) && has {
		b.link("certainly closed to speeds parted", closed, parted, joined(together, b.brakeNote()))
	}
	usual, has := b.instant(detect.InstantUsuallyPart)
	if n, known := b.get("habit_releases"); has && known {
		b.link("this vehicle's habit to speeds parted", usual, parted, fmt.Sprintf("by %.0f releases; which of decision, oil and plates was late is not known", n))
	}
}

// driver writes the links from pedal and brake to what came of them, where one of both
// was seen before it.
func (b *whyBuilder) driver(end detect.Instant, name, note string) bool {
	on, braked := b.instant(detect.InstantBraked)
	braked = braked && on.At <= end.At
	up, lifted := b.instant(detect.InstantLifted)
	lifted = lifted && up.At <= end.At
	switch {
	case braked:
		if lifted && up.At <= on.At {
			b.link("pedal released to brake", up, on, "")
		}
		b.link("brake to "+name, on, end, note)
	case lifted:
		b.link("pedal released to "+name, up, end, joined(note, b.brakeNote()))
	}
	return braked || lifted
}

// joined puts notes in a row.
func joined(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

func (b *whyBuilder) brakeNote() string {
	if b.lacks("brake") {
		return "the brake signal was not recorded"
	}
	return ""
}

func (b *whyBuilder) link(name string, from, to detect.Instant, note string) {
	low, _, high := span(from, to)
	b.w.Links = append(b.w.Links, Link{Name: name, MinS: low, MaxS: high, Note: note, From: from.At, To: to.At})
}

// usual says of the last link what is usual for the vehicle.
func (b *whyBuilder) usual(measure string) {
	if v, ok := b.get(measure); ok {
		l := &b.w.Links[len(b.w.Links)-1]
		l.Usual = fmt.Sprintf("%.2f s", v)
		l.Exceptional = l.MinS > v+0.1 && l.MinS > 1.5*v
	}
}

// decision holds the fall of the command against the vehicle's habit.
func (b *whyBuilder) decision() {
	low, ok := b.get("command_late_min_s")
	if !ok {
		text := "this vehicle's habit of when the command falls: too few releases yet"
		if _, known := b.instant(detect.InstantFell); !known {
			text = "the clutch's command"
		}
		b.lack(text, WhyCommand)
		b.afterCommand()
		return
	}
	high, _ := b.get("command_late_max_s")
	n, _ := b.get("habit_releases")
	habit := fmt.Sprintf("of %.0f releases", n)
	if at, ok := b.get("fell_at_rpm"); ok {
		usual, _ := b.get("usual_fall_rpm")
		road := ""
		if v := b.f.Context.SpeedKmh; v != nil {
			road = " and " + b.u.Quantity(*v, "km/h")
		}
		habit = fmt.Sprintf("at %.0f rpm of the turbine%s; usual at this gear and braking: %.0f rpm (%.0f releases)", at, road, usual, n)
	}
	if at, ok := b.get("fell_at_kmh"); ok {
		usual, _ := b.get("usual_fall_kmh")
		habit = fmt.Sprintf("at %s; usual at this braking: %s (%.0f releases)", b.u.Quantity(at, "km/h"), b.u.Quantity(usual, "km/h"), n)
	}
	switch {
	case low >= commandLateS:
		b.pro(fmt.Sprintf("the command fell %.1f to %.1f s later than usual, %s", low, max(high, low), habit), detect.InstantUsuallyFalls, WhyCommand)
		b.brake()
	case high < commandLateS || low < 0:
		b.con("the command fell as usual, "+habit, detect.InstantFell, WhyCommand)
	default:
		b.lack("a habit close enough to tell: the command usually falls within "+fmt.Sprintf("%.1f s", high-low), WhyCommand)
		b.afterCommand()
	}
}

// afterCommand: whether or not the command fell late, what follows it did not follow
// in time; a reported state may itself come after the command.
func (b *whyBuilder) afterCommand() {
	_, duty := b.get("command_before_percent")
	_, pressure := b.get("command_before_kpa")
	if lag, ok := b.get(detect.LagMinS.Name); ok && lag >= commandLateS && (duty || pressure) {
		b.con(fmt.Sprintf("the speeds stayed together for %.2f s at least after the command had fallen: that time is not the command's", lag), detect.InstantParted, WhyCommand)
	}
}

// brake says what the brake signal did before a late command.
func (b *whyBuilder) brake() {
	slowing, ok := b.get("braking_mps2")
	on, known := b.get("brake_on")
	switch {
	case !known:
		b.lack("the brake signal", WhyCommand)
	case ok && on == 0 && slowing >= feltSlowingMps2:
		b.pro(fmt.Sprintf("the vehicle slowed by %.1f m/s² and the brake signal was not there: it may be what the control waits for", slowing), detect.InstantFell, WhyCommand)
	}
}

// inTime: once told, it let go.
func (b *whyBuilder) inTime() {
	if _, seen := b.instant(detect.InstantParted); !seen {
		b.lack("when the speeds parted after the command fell: it could not be told", WhyPlates, WhyOil, WhyValve)
		return
	}
	lag, ok := b.get(detect.LagS.Name)
	if !ok {
		lag, _ = b.get(detect.LagMaxS.Name)
	}
	b.con(fmt.Sprintf("once the command had fallen the speeds parted within %.2f s", lag), detect.InstantParted, WhyPlates, WhyOil, WhyValve)
}

// lateOil tells plates, oil and valve apart by the pressure.
func (b *whyBuilder) lateOil() {
	fell, told := b.instant(detect.InstantFell)
	parted, ended := b.instant(detect.InstantParted)
	if !ended {
		parted, ended = b.instant("engine died")
	}
	usual, _ := b.get("usual_lag_s")
	if !told || !ended {
		b.lack("the clutch's command", WhyPlates, WhyOil, WhyValve)
		return
	}
	_, lag, _ := span(fell, parted)
	over := lag - usual
	if _, recorded := b.get("parted_kpa"); !recorded {
		b.lack("the clutch's pressure: without it plates, oil and valve cannot be told apart", WhyPlates, WhyOil, WhyValve)
		return
	}
	b.valve(fell, over)
	_, learned := b.get("lets_go_low_kpa")
	gone, ok := b.instant(detect.InstantGone)
	if ok && !learned {
		b.drained(gone, parted, over)
		return
	}
	if ok {
		b.byPressure(fell, gone, parted, usual, over)
		return
	}
	if learned {
		b.held(parted)
		return
	}
	b.unlearned()
}

func (b *whyBuilder) unlearned() {
	b.lack("at which pressure this vehicle's clutch lets go: too few sound releases yet", WhyPlates, WhyOil)
}

// drained: what holds is not known yet, and next to nothing was left for some time.
func (b *whyBuilder) drained(gone, parted detect.Instant, over float64) {
	left := (parted.At - gone.At).Seconds()
	if left < mostShare*over {
		b.unlearned()
		return
	}
	before, _ := b.get("pressure_before_kpa")
	text := fmt.Sprintf("less than a tenth of the pressure (%s) was left %.2f s before the speeds parted", b.u.Quantity(before, "kPa"), left)
	b.pro(text, detect.InstantGone, WhyPlates)
	b.con(text, detect.InstantGone, WhyOil)
}

// valve: how long the pressure stood after the command fell.
func (b *whyBuilder) valve(fell detect.Instant, over float64) {
	began, ok := b.instant(detect.InstantBegan)
	if !ok {
		b.pro("the pressure did not fall before the speeds parted", detect.InstantParted, WhyValve)
		b.con("the pressure did not fall before the speeds parted", detect.InstantParted, WhyPlates)
		return
	}
	_, dead, _ := span(fell, began)
	usual, known := b.get("usual_dead_s")
	text := fmt.Sprintf("the pressure began to fall %.2f s after the command", dead)
	if known {
		text += fmt.Sprintf(" (usual %.2f s)", usual)
	}
	switch extra := dead - usual; {
	case extra >= mostShare*over:
		b.pro(text, detect.InstantBegan, WhyValve)
		b.con(text, detect.InstantBegan, WhyPlates)
	case extra <= leastShare*over:
		b.con(text, detect.InstantBegan, WhyValve)
	}
}

// byPressure: when the pressure no longer held, and when the plates came apart.
func (b *whyBuilder) byPressure(fell, gone, parted detect.Instant, usual, over float64) {
	at, _ := b.get("parted_kpa")
	lowest, _ := b.get("lets_go_low_kpa")
	level := fmt.Sprintf("%s and %s, where this vehicle's clutch lets go", b.u.Quantity(lowest, "kPa"), b.highest())
	_, lag, _ := span(fell, parted)
	if at >= lowestShare*lowest {
		// It let go as soon as the oil let it.
		text := fmt.Sprintf("the speeds parted at %s; between %s", b.u.Quantity(at, "kPa"), level)
		b.con(text, detect.InstantParted, WhyPlates)
		b.oil(fell, lag-usual, over, text, detect.InstantParted)
		return
	}
	oil := (gone.Late - fell.At).Seconds()
	left := (parted.Early - gone.Late).Seconds()
	if left >= mostShare*over {
		b.pro(fmt.Sprintf("the speeds went on together for %.2f s after the pressure had left %s, to %s", left, level, b.u.Quantity(at, "kPa")),
			detect.InstantGone, WhyPlates)
	}
	b.oil(fell, oil-usual, over, fmt.Sprintf("the pressure had left %s %.2f s after the command", level, oil), detect.InstantGone)
}

// lowestShare of the lowest pressure at which this clutch has let go is still one at
// which it may: pressures are known to some percent.
const lowestShare = 0.9

func (b *whyBuilder) highest() string {
	v, _ := b.get("lets_go_high_kpa")
	return b.u.Quantity(v, "kPa")
}

// oil judges by how much longer than usual the oil took, less what a valve stood.
func (b *whyBuilder) oil(fell detect.Instant, longer, over float64, text, at string) {
	began, ok := b.instant(detect.InstantBegan)
	stood := 0.0
	if ok {
		_, dead, _ := span(fell, began)
		typical, _ := b.get("usual_dead_s")
		stood = max(0, dead-typical)
	}
	switch {
	case longer-stood >= mostShare*over:
		b.pro(text+", and it took longer than usual to fall that far", at, WhyOil)
	case longer <= leastShare*over:
		b.con(text, at, WhyOil, WhyValve)
	case ok && longer-stood <= leastShare*over:
		b.con("once it had begun to fall, the pressure fell as fast as usual", detect.InstantBegan, WhyOil)
	}
}

// held: the pressure still held as the speeds parted.
func (b *whyBuilder) held(parted detect.Instant) {
	at, _ := b.get("parted_kpa")
	text := fmt.Sprintf("the pressure was still %s as the speeds parted", b.u.Quantity(at, "kPa"))
	b.con(text, detect.InstantParted, WhyPlates)
	if c := b.of(WhyValve); len(c.For) == 0 {
		b.pro(text, detect.InstantParted, WhyOil)
	}
}

// stalled adds what else stops an engine at a stop.
func (b *whyBuilder) stalled() {
	b.con("engine and turbine went down together until the engine died", "engine died", WhyIdle, WhyOneWay)
}

// seen: whether the signals themselves can be trusted.
func (b *whyBuilder) seen() {
	low, ok := b.get(detect.LagMinS.Name)
	high, has := b.get(detect.LagMaxS.Name)
	if !ok || !has {
		return
	}
	if high-low > 0.5*max(high, 0.2) {
		b.lack(fmt.Sprintf("samples dense enough: the lag may be %.2f to %.2f s", low, high), WhyArtefact)
		return
	}
	b.con(fmt.Sprintf("engine and turbine speed arrived throughout; the samples leave the lag between %.2f and %.2f s", low, high), detect.InstantParted, WhyArtefact)
}
