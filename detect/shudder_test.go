package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/dsp/window"
)

// The bins of the recursion against gonum's Fourier transform of the same
// windowed values, at the frequencies that the transform has.
func TestOscillatorAgainstFourier(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{50, 51, 64, 100, 200} {
		v := make([]float64, n)
		for i := range v {
			v[i] = 7*math.Sin(2*math.Pi*9*float64(i)/float64(n)+0.3) + r.NormFloat64()
		}
		c := fourier.NewFFT(n).Coefficients(nil, v)
		coeff := func(k int) float64 { return 2 * math.Cos(2*math.Pi*float64(k)/float64(n)) }
		for k := range c[1:] {
			var got [2]float64
			got[0], got[1] = powers(coeff(k), coeff(k+1), v)
			for i, got := range got {
				want := real(c[k+i])*real(c[k+i]) + imag(c[k+i])*imag(c[k+i])
				if math.Abs(got-want) > 1e-6*(1+want) {
					t.Fatalf("%d values, bin %d: %.9f, Fourier %.9f", n, k+i, got, want)
				}
			}
		}
	}
}

// Amplitude and frequency of a tone in noise and a ramp, against the peak of
// gonum's transform of the same values under gonum's Hann window, padded to a
// fine grid.
func TestPeakAgainstFourier(t *testing.T) {
	const rate, n, pad = 50.0, 50, 4000
	for _, hz := range []float64{4, 7, 10.5, 14, 18} {
		r := rand.New(rand.NewPCG(uint64(10*hz), 5))
		v := make([]float64, n)
		fine := make([]float64, pad)
		for i := range v {
			wave := 12*math.Sin(2*math.Pi*hz*float64(i)/rate+1) + 0.5*r.NormFloat64()
			v[i] = 900 + 3*float64(i) + wave
			fine[i] = wave
		}
		window.Hann(fine[:n])
		best, at := 0.0, 0.0
		for k, c := range fourier.NewFFT(pad).Coefficients(nil, fine) {
			if p := math.Hypot(real(c), imag(c)); p > best {
				best, at = p, rate*float64(k)/pad
			}
		}
		sum := 0.0
		ones := make([]float64, n)
		for i := range ones {
			ones[i] = 1
		}
		for _, w := range window.Hann(ones) {
			sum += w
		}
		var d shudder
		p := d.peak(v, rate, 3, 20, &d.slipUsual)
		amp, got, share := p.amp, p.hz, p.share
		if math.Abs(got-at) > 0.5 {
			t.Errorf("%v Hz: found at %v Hz, Fourier at %.2f Hz", hz, got, at)
		}
		if want := 2 * best / sum; math.Abs(amp-want) > 0.06*want {
			t.Errorf("%v Hz: amplitude %.2f, Fourier %.2f", hz, amp, want)
		}
		if share < 0.9 {
			t.Errorf("%v Hz: share %.2f of a pure tone", hz, share)
		}
	}
}

// Noise has no narrow band.
func TestNoiseIsNoShudder(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	set := DefaultSettings().Shudder
	var d shudder
	shook := 0
	for range 1000 {
		v := make([]float64, 50)
		for i := range v {
			v[i] = 5 * r.NormFloat64()
		}
		if p := d.peak(v, 50, set.FromHz, set.ToHz, &d.slipUsual); p.amp >= set.MinRPM && p.share >= set.Share {
			shook++
		}
	}
	if shook > 10 {
		t.Errorf("%d of 1000 windows of noise look like shudder", shook)
	}
}

// Ripple that comes in gusts, in the shape of a recorded truck's closed slip
// (deviation 5 rpm about 4.8 Hz, a resonance with a damping of 0.24), is this
// vehicle's own; a tone of 30 rpm laid on it is not, whenever it comes.
func TestRippleIsNoShudder(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	set := DefaultSettings().Shudder
	var d shudder
	var x, vel, gust float64
	const fine, omega, damping = 0.001, 2 * math.Pi * 4.8, 0.24
	run, told, found := 0, 0, 0
	for window := range 2000 {
		v := make([]float64, 50)
		for i := range v {
			for range 20 {
				gust += -gust*fine/1.5 + math.Sqrt(2*fine/1.5)*r.NormFloat64()
				vel += (-2*damping*omega*vel-omega*omega*x)*fine + 5*math.Sqrt(4*damping*omega*omega*omega*fine)*r.NormFloat64()*math.Exp(0.25*gust)
				x += vel * fine
			}
			v[i] = x
			if window >= 1900 {
				v[i] += 30 * math.Sin(2*math.Pi*7*0.02*float64(i))
			}
		}
		p := d.peak(v, 50, set.FromHz, set.ToHz, &d.slipUsual)
		shook := float64(window) >= set.LearnS && p.amp >= set.MinRPM && p.share >= set.Share && p.over >= set.Over
		if run++; !shook {
			run = 0
		}
		if window < 1900 && run >= 3 {
			told++
		}
		if window >= 1900 && shook {
			found++
		}
	}
	if told > 0 || found < 95 {
		t.Errorf("ripple told as shudder %d times; tone found in %d windows of 100", told, found)
	}
}

// What a vehicle usually does is known from the first second of the next run, and what
// cannot be that is left out.
func TestUsualRippleIsKept(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	set := DefaultSettings().Shudder
	wave := func(rpm float64) []float64 {
		v := make([]float64, 50)
		for i := range v {
			v[i] = rpm*math.Sin(2*math.Pi*9*0.02*float64(i)) + 0.5*r.NormFloat64()
		}
		return v
	}
	d := shudder{usualFromHz: set.FromHz}
	for range 20 {
		d.peak(wave(3), 50, set.FromHz, set.ToHz, &d.slipUsual)
		d.peak(wave(3), 50, set.FromHz, set.ToHz, &d.engUsual)
	}
	h, read := newHistory(), newHistory()
	d.keep(h)
	if err := read.decode(h.encode()); err != nil {
		t.Fatal(err)
	}
	var next shudder
	next.recall(read)
	if known := next.slipUsual.n * shudderWindow; known < set.LearnS || next.usualFromHz != set.FromHz {
		t.Errorf("%g s known of the band from %g Hz", known, next.usualFromHz)
	}
	for rpm, shakes := range map[float64]bool{4: false, 30: true} {
		if p := next.peak(wave(rpm), 50, set.FromHz, set.ToHz, &next.slipUsual); (p.over >= set.Over) != shakes {
			t.Errorf("%g rpm is %.1f times what is usual", rpm, p.over)
		}
	}
	for _, bad := range []keptBand{{3, -1, nil, nil}, {3, 20, []float64{-1}, nil}, {3, 20, nil, make([]float64, bankMax+1)}} {
		var x shudder
		x.recall(&history{kept: kept{Shaking: &bad}})
		if x.slipUsual.n != 0 {
			t.Errorf("%+v was taken", bad)
		}
	}
}
