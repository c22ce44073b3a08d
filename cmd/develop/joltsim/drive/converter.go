package drive

// converterBins is how finely a characteristic is tabulated over speed ratio.
const converterBins = 128

// converterTable is a Converter worked out for use in each step.
type converterTable struct {
	perK2   [converterBins + 2]float64 // 1/K², N·m/rpm²
	ratio   [converterBins + 2]float64
	overrun float64
	// pumpFactor and multiplies are for a stator that does not hold: the pump
	// takes so many times the torque below the coupling point, and the turbine
	// gives no more than that.
	pumpFactor, coupling float64
	multiplies           bool
}

// TorqueRatio returns turbine torque over pump torque at speed ratio sr
// (0…1). The straight fall from the stall ratio to 1 at the coupling point is
// the usual first drawing of a three-element converter; the shape is from
// memory of the textbooks, no table was copied.
func (c *Converter) TorqueRatio(sr float64) float64 {
	if sr >= c.CouplingSR {
		return 1
	}
	if sr < 0 {
		sr = 0
	}
	return c.StallRatio - mul(c.StallRatio-1, sr/c.CouplingSR)
}

// PerK2 returns 1/K² = pump torque over the square of the pump's speed, in
// N·m/rpm², at speed ratio sr (0…1). K = N/sqrt(T) is the capacity factor of
// SAE J643. It is nearly flat to half the speed ratio, rises towards coupling
// and without bound at speed ratio 1, where no torque passes; the shape is
// from memory of the textbooks.
func (c *Converter) PerK2(sr float64) float64 {
	base := 1 / mul(c.StallK, c.StallK)
	if sr < 0 {
		sr = 0
	}
	if sr >= 1 {
		return 0
	}
	s2 := mul(sr, sr)
	fall := 1 - mul(0.30, mul(s2, sr)) // 0.7 near 1, before the end
	if sr > c.CouplingSR {
		// Straight from the coupling point to nothing at 1.
		at := mul(mul(c.CouplingSR, c.CouplingSR), c.CouplingSR)
		fall = mul(1-mul(0.30, at), (1-sr)/(1-c.CouplingSR))
	}
	return mul(base, fall)
}

func (c *Converter) table() *converterTable {
	t := &converterTable{overrun: c.OverrunShare, pumpFactor: 1, coupling: c.CouplingSR, multiplies: true}
	for i := range t.perK2 {
		sr := float64(i) / converterBins
		t.perK2[i], t.ratio[i] = c.PerK2(sr), c.TorqueRatio(sr)
	}
	return t
}

// torques returns the torque that the pump takes from the engine and the one
// that the turbine gives, N·m, at engine and turbine speed in rpm.
func (t *converterTable) torques(engine, turbine float64) (pump, out float64) {
	if engine < 1 && turbine < 1 {
		return 0, 0
	}
	if turbine <= engine {
		sr := turbine / engine
		if sr < 0 {
			sr = 0
		}
		x := mul(sr, converterBins)
		i := int(x)
		f := x - float64(i)
		k := t.perK2[i] + mul(f, t.perK2[i+1]-t.perK2[i])
		r := t.ratio[i] + mul(f, t.ratio[i+1]-t.ratio[i])
		pump = mul(mul(engine, engine), k)
		if !t.multiplies && sr < t.coupling {
			pump = mul(pump, 1+mul(t.pumpFactor-1, 1-sr/t.coupling))
			return pump, pump
		}
		return pump, mul(pump, r)
	}
	sr := engine / turbine
	if sr < 0 {
		sr = 0
	}
	x := mul(sr, converterBins)
	i := int(x)
	k := t.perK2[i] + mul(x-float64(i), t.perK2[i+1]-t.perK2[i])
	back := mul(mul(mul(turbine, turbine), k), t.overrun)
	return -back, -back
}
