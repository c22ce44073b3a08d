package proof

import (
	"fmt"

	"joltwatch/stream"
)

// pedals: pedal and torque go with speeding up, the brake with slowing down,
// and a sensor of acceleration with the change of road speed.
type pedals struct {
	accelerator, torque, brake beside
	stand, nStand              float64
	acceleration               spread // over the change of road speed
	turned                     uint64 // of the other sign
}

// beside is a role's mean while the vehicle speeds up and while it slows down.
type beside struct {
	up, down   float64
	nUp, nDown int
}

func (b *beside) take(x *slice, role stream.Role) {
	if !x.has(role) {
		return
	}
	switch {
	case x.faster():
		b.up += x.mean(role)
		b.nUp++
	case x.slower():
		b.down += x.mean(role)
		b.nDown++
	}
}

// difference returns how much more there is of it in speeding up.
func (b *beside) difference() (d float64, ok bool) {
	if b.nUp < 3 || b.nDown < 3 {
		return 0, false
	}
	return b.up/float64(b.nUp) - b.down/float64(b.nDown), true
}

func (p *pedals) row(s *scene) {
	if s.stopped && s.standS < 4 && s.r.Has(stream.Accelerator) {
		p.stand += s.r.V[stream.Accelerator]
		p.nStand++
	}
}

func (p *pedals) slice(_ *scene, x *slice) {
	p.accelerator.take(x, stream.Accelerator)
	p.torque.take(x, stream.EngineTorque)
	p.brake.take(x, stream.Brake)
	if x.has(stream.Acceleration) && x.moving() && (x.faster() || x.slower()) {
		if k := x.mean(stream.Acceleration) / (x.rate() / 3.6); k > 0 {
			p.acceleration.add(k)
		} else {
			p.turned++
		}
	}
}

func (p *pedals) statements(*scene) []Statement {
	var out []Statement
	add := func(what string, d, least float64, says, change string) {
		x := Statement{What: what, Verdict: Shown, Says: says}
		if d < least {
			x.Verdict, x.Change = Against, change
		}
		out = append(out, x)
	}
	if d, ok := p.accelerator.difference(); ok {
		add("accelerator", d, 1, fmt.Sprintf("%.0f points more while speeding up than while slowing down", d),
			"accelerator: its signal, or the recording's time runs backwards")
	}
	if p.nStand > 50 && p.stand/p.nStand > 12 {
		out = append(out, Statement{"accelerator at standstill", Against, fmt.Sprintf("%.0f %% after stops", p.stand/p.nStand),
			"accelerator: its signal or offset; a released pedal is 0"})
	}
	if d, ok := p.torque.difference(); ok {
		add("engine torque", d, 5, fmt.Sprintf("%.0f N·m more while speeding up than while slowing down", d),
			"engine_torque: its signal or the sign of its scale")
	}
	if d, ok := p.brake.difference(); ok {
		add("brake", -d, 0.05, fmt.Sprintf("on for %.0f %% more of slowing down than of speeding up", -100*d), "brake: its signal, or on and off are exchanged")
	}
	if n := p.acceleration.n + p.turned; n >= 8 {
		out = append(out, p.accelerates(n))
	}
	return out
}

// accelerates judges by where most of the slices lie: wheels that spin, and a
// slope under an accelerometer, spoil some.
func (p *pedals) accelerates(n uint64) Statement {
	k := p.acceleration.quantile(0.5)
	alike := p.acceleration.near(k, 0.3) * float64(p.acceleration.n) / float64(n)
	x := Statement{What: "acceleration", Verdict: Shown, Says: fmt.Sprintf("%.2f of the change of road speed in the middle", k)}
	switch {
	case p.turned*10 > 7*n:
		x.Verdict, x.Says = Against, "it is of the other sign than the change of road speed"
		x.Change = "acceleration: its sign; or the recording's time runs backwards"
	case alike > 0.6 && (k < 0.55 || k > 1.6):
		x.Verdict, x.Change = Against, "acceleration or vehicle_speed: "+scaleHint(k)
	}
	return x
}
