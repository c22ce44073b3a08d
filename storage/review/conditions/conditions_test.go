package conditions_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	reference "github.com/aclements/go-moremath/stats"

	"joltwatch/cmd/develop/conditionscore/weeks"
	"joltwatch/detect"
	"joltwatch/storage/review/conditions"
	"joltwatch/storage/review/stats"
)

// seed repeats a run of the tests by chance: go test -seed N.
var seed = flag.Uint64("seed", 7, "seed of the tests by chance")

// The true condition is named, or told as one of those that cannot be told apart,
// and hardly anything else; the recipe's rate holds the true one. Bounds are those
// that so few weeks can hold; conditionscore makes more.
func TestKnownCauses(t *testing.T) {
	var all weeks.Score
	for _, names := range [][]string{{"fluid_temperature_c"}, {"closed_before_s"}, {"gear"}, {"braking_mps2"},
		{"fluid_temperature_c", "braking_mps2"}, {"turbine_at_fall_rpm", "stops_before"}} {
		all.Add(weeks.Run(*seed, 4, 300, false, names...))
	}
	if all.InGroup < all.Caused*8/10 {
		t.Errorf("true condition told in %d of %d weeks", all.InGroup, all.Caused)
	}
	if all.False > all.Weeks/6 {
		t.Errorf("named what does not matter in %d of %d weeks", all.False, all.Weeks)
	}
	if all.Held < all.Recipes*8/10 || all.Recipes == 0 {
		t.Errorf("the true rate is in the recipe's interval in %d of %d weeks", all.Held, all.Recipes)
	}
}

// Where nothing matters, or all came on one day, nothing is named but the day.
func TestNoCause(t *testing.T) {
	var all weeks.Score
	all.Add(weeks.Run(*seed, 12, 300, false))
	all.Add(weeks.Run(*seed, 6, 300, true))
	if all.False > 3 { // 18 at 5 %: more than 3 in 1 of 85
		t.Errorf("named in %d of %d weeks without a cause", all.False, all.Weeks)
	}
}

// Tries against the binomial law of a reference library, go-moremath: none in so
// many is at most 5 % likely, in one fewer more. Eleven for 1 in 4, 59 for 1 in 20
// (the number for 95 % confidence and 95 % reliability of success-run testing).
func TestTries(t *testing.T) {
	for p, want := range map[float64]int{0.25: 11, 0.05: 59, 0.5: 5} {
		n := conditions.Tries(p)
		if n != want {
			t.Errorf("%g: %d tries, want %d", p, n, want)
		}
		none := func(n int) float64 { return reference.BinomialDist{N: n, P: p}.PMF(0) }
		if none(n) > 0.05 || none(n-1) <= 0.05 {
			t.Errorf("%g: none in %d has %g", p, n, none(n))
		}
	}
	if conditions.Tries(0) != 0 || conditions.Tries(1) != 1 {
		t.Error("never, and always")
	}
}

// Mended against the hypergeometric law of the same library: the least number at
// which the two-sided probability is below 5 %.
func TestMended(t *testing.T) {
	for _, c := range [][2]int{{7, 28}, {5, 40}, {10, 20}} {
		p := func(n int) float64 {
			law := reference.HypergeometicDist{N: c[1] + n, K: c[0], Draws: n}
			seen, sum := law.PMF(0), 0.0
			for k := 0; k <= c[0] && k <= n; k++ {
				if q := law.PMF(float64(k)); q <= seen*(1+1e-7) {
					sum += q
				}
			}
			return sum
		}
		n := conditions.Mended(c[0], c[1])
		if n == 0 || p(n) >= 0.05 || p(n-1) < 0.05 {
			t.Errorf("%v: %d, p %g and %g", c, n, p(n), p(n-1))
		}
	}
	if conditions.Mended(0, 40) != 0 {
		t.Error("without a late one before nothing can be mended")
	}
}

// A repair under a milder week is not taken for one: over all releases fewer are
// late, under the conditions as many.
func TestMatchedMildWeek(t *testing.T) {
	before, after := week(0.4, 300, 0.3), week(0.02, 300, 0.3)
	a := conditions.Find(before)
	if a.Recipe() == nil || a.Named[0].Of.Name != "fluid_temperature_c" {
		t.Fatalf("named %+v", a.Named)
	}
	m := conditions.Match(a, after)
	if m.After.Of == 0 || m.P < 0.05 {
		t.Errorf("%d of %d after, p %g: %s", m.After.Late, m.After.Of, m.P, m.Says(plain))
	}
	mended := conditions.Match(a, week(0.4, 300, 0))
	if mended.P >= 0.05 || mended.After.Of < mended.Needed {
		t.Errorf("mended: %s", mended.Says(plain))
	}
}

// Rates are said with as many digits as they have, and none as none.
func TestRateText(t *testing.T) {
	for _, x := range []struct {
		rate conditions.Rate
		want string
	}{
		{conditions.Rate{Of: 239, Interval: stats.Interval{High: 0.0191}}, "not once in 239 (95 in 100: at most 1 in 52)"},
		{conditions.Rate{Late: 1, Of: 239, Interval: stats.Interval{Estimate: 0.0042, Low: 1.0 / 16716, High: 0.027}}, "1 in 240 (95 in 100: hardly ever to 1 in 37; 1 of 239)"},
		{conditions.Rate{Late: 7, Of: 28, Interval: stats.Interval{Estimate: 0.25, Low: 0.11, High: 0.45}}, "1 in 4 (95 in 100: 1 in 9 to 4 in 10; 7 of 28)"},
		{conditions.Rate{}, "not known"},
	} {
		if got := x.rate.Text(); got != x.want {
			t.Errorf("%q, want %q", got, x.want)
		}
	}
}

func plain(v float64, unit string) string { return unit }

// week has hot releases in the share given, late at the rate.
func week(hot float64, n int, rate float64) *conditions.Sample {
	r := rand.New(rand.NewPCG(*seed, 3))
	s := &conditions.Sample{}
	for range n {
		v := make([]float64, len(detect.Conditions))
		for j := range v {
			v[j] = 100 * r.Float64()
		}
		v[0] = 40 + 30*r.Float64()
		if r.Float64() < hot {
			v[0] += 35
		}
		s.Releases = append(s.Releases, conditions.Release{LagS: math.NaN(), Values: v, Late: v[0] > 75 && r.Float64() < rate})
	}
	return s
}

// What was never met is said with how far it went, and nothing of what is not
// recorded.
func TestNeverMet(t *testing.T) {
	s := week(0, 60, 0)
	for i := range s.Releases {
		s.Releases[i].Values[0] = 20 + float64(i%40)
		s.Releases[i].Values[2] = math.NaN()
	}
	list := conditions.NeverMet(s, func(v float64, unit string) string { return "59 " + unit })
	if len(list) == 0 || list[0].Never != "the fluid never above 59 °C" {
		t.Errorf("%+v", list)
	}
	for _, x := range list {
		if x.Ask == "hold a steady speed for minutes, then stop" {
			t.Errorf("asks for what was not recorded: %+v", x)
		}
	}
}

// Releases in time that are no longer on file change the rate, not what is named.
func TestKept(t *testing.T) {
	s := week(0.3, 300, 0.4)
	all := conditions.Find(s).Within.Estimate
	s.Kept = 0.5
	if half := conditions.Find(s).Within.Estimate; math.Abs(half/(1-half)-0.5*all/(1-all)) > 1e-9 {
		t.Errorf("odds %g of %g", half, all)
	}
}

// Bounds in steps hold releases also where what stands out lies between two of them:
// all of 17 to 18 km/h late, with steps of 5 km/h, among others in time.
func TestBoundsBetweenSteps(t *testing.T) {
	const speed = 7
	s := &conditions.Sample{}
	add := func(n int, from, to float64, late func(i int) bool) {
		for i := range n {
			v := make([]float64, len(detect.Conditions))
			for j := range v {
				v[j] = math.NaN()
			}
			v[speed] = from + (to-from)*float64(i)/float64(n)
			s.Releases = append(s.Releases, conditions.Release{LagS: math.NaN(), Values: v, Late: late(i)})
		}
	}
	never := func(int) bool { return false }
	add(60, 15.1, 16.9, never)
	add(20, 17, 18, func(int) bool { return true })
	add(60, 18.1, 19.9, never)
	add(60, 25, 60, func(i int) bool { return i%6 == 0 })
	x := conditions.Find(s).Each[speed]
	if x.Best.From > x.Best.To || x.N == 0 || x.K == 0 {
		t.Errorf("%d of %d late from %g to %g km/h", x.K, x.N, x.Best.From, x.Best.To)
	}
}

// Where all values lie within one step of what is usual, bounds are finer: one that
// holds for every release says nothing.
func TestBoundsWithinAStep(t *testing.T) {
	const turbine = 5
	r := rand.New(rand.NewPCG(*seed, 4))
	s := &conditions.Sample{}
	for range 300 {
		v := make([]float64, len(detect.Conditions))
		for j := range v {
			v[j] = math.NaN()
		}
		v[turbine] = 856 + 28*r.Float64()
		s.Releases = append(s.Releases, conditions.Release{LagS: math.NaN(), Values: v, Late: v[turbine] < 864 && r.Float64() < 0.4})
	}
	x := conditions.Find(s).Each[turbine]
	if math.Abs(x.Best.To-864) > 5 || x.N > x.Known/2 {
		t.Errorf("%d of %d late up to %g rpm", x.K, x.N, x.Best.To)
	}
}
