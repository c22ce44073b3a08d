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
	for _, n := range []int{50, 64, 100, 200} {
		v := make([]float64, n)
		for i := range v {
			v[i] = 7*math.Sin(2*math.Pi*9*float64(i)/float64(n)+0.3) + r.NormFloat64()
		}
		c := fourier.NewFFT(n).Coefficients(nil, v)
		for k := range c {
			o := oscillator{coeff: 2 * math.Cos(2*math.Pi*float64(k)/float64(n))}
			for _, x := range v {
				o.step(x)
			}
			want := real(c[k])*real(c[k]) + imag(c[k])*imag(c[k])
			if got := o.power(); math.Abs(got-want) > 1e-6*(1+want) {
				t.Fatalf("%d values, bin %d: %.9f, Fourier %.9f", n, k, got, want)
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
		amp, got, share := d.peak(v, rate, 3, 20)
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
		if amp, _, share := d.peak(v, 50, set.FromHz, set.ToHz); amp >= set.MinRPM && share >= set.Share {
			shook++
		}
	}
	if shook > 10 {
		t.Errorf("%d of 1000 windows of noise look like shudder", shook)
	}
}
