// Shopscore holds the lists of a shop's report against the truth of invented fleets:
// how much of a list is false, where vehicles share what moves them, and how much of
// what was planted is found.
//
//	go run ./cmd/develop/fleet/shopscore -fleets 200
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"text/tabwriter"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/rank"
)

func main() {
	fleets := flag.Int("fleets", 200, "fleets of each scenario and planting")
	seed := flag.Uint64("seed", 2, "seed of the fleets; the tests' constants were chosen on 1")
	only := flag.String("only", "", "only the scenarios with this in their name")
	flag.Parse()
	cli.Tool("shopscore", func(context.Context) error {
		if bad := table(os.Stdout, *only, *fleets, *seed); bad > 0 {
			return cli.Attention(fmt.Errorf("%d lines miss an aim", bad))
		}
		return nil
	})
}

// The aims: a mean false share of the stated rate, and most of what was planted
// found.
const (
	rate       = 0.05
	leastPower = 0.85
)

// tally is what a number of fleets came to, for one list.
type tally struct {
	fleets         int
	share          float64 // sum of the false shares
	planted, found int
}

func (t *tally) add(listed []rank.Finding, right, fine func(string) bool, planted map[string]bool) {
	t.fleets++
	wrong, all, found := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for i := range listed {
		v := listed[i].Vehicle
		all[v] = true
		switch {
		case right(v):
			found[v] = true
		case !fine(v):
			wrong[v] = true
		}
	}
	if len(all) > 0 {
		t.share += float64(len(wrong)) / float64(len(all))
	}
	t.planted += len(planted)
	t.found += len(found)
}

func (t *tally) mean() float64 { return t.share / float64(t.fleets) }

func (t *tally) power() float64 { return float64(t.found) / float64(max(t.planted, 1)) }

// measure ranks a number of fleets of a scenario.
func measure(s scenario, planted float64, fleets int, seed uint64) (change, standing tally) {
	for n := range fleets {
		r := rand.New(rand.NewPCG(seed, uint64(n)))
		answers, truth := draw(r, s, planted)
		shop := rank.New(answers, rank.Options{LastDay: lastDay, HistoryDays: 7 * (weeks - 1), Now: lastDay.AddDate(0, 0, 1), Rate: rate,
			LeastRate: rank.LeastRate, LeastLag: rank.LeastLag, SilentDays: 4, FullDays: 14})
		week, always := map[string]bool{}, map[string]bool{}
		for v, f := range truth {
			switch f {
			case changed, slower:
				week[v] = true
			case worse:
				always[v] = true
			}
		}
		is := func(m map[string]bool) func(string) bool { return func(v string) bool { return m[v] } }
		// One that is worse always may not be listed as changed; one that changed may
		// rightly stand out among its kind.
		change.add(shop.Changed, is(week), func(string) bool { return false }, week)
		standing.add(shop.Standing, is(always), func(v string) bool { return truth[v] == changed }, always)
	}
	return change, standing
}

// table prints a line for each scenario and returns how many miss an aim.
func table(out io.Writer, only string, fleets int, seed uint64) (bad int) {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(w, "%d invented fleets of %d vehicles each\tplanted\tchanged: false\tfound\tstand out: false\tfound\t\n", fleets, vehicles)
	line := func(s scenario, planted float64, label string) {
		if !strings.Contains(s.name, only) {
			return
		}
		c, st := measure(s, planted, fleets, seed)
		power := func(t tally) string {
			if t.planted == 0 {
				return "–"
			}
			return fmt.Sprintf("%.1f %%", 100*t.power())
		}
		verdict := ""
		if !s.beyond && (c.missed(fleets) || st.missed(fleets)) {
			verdict, bad = "missed", bad+1
		}
		fmt.Fprintf(w, "%s\t%s\t%.1f %%\t%s\t%.1f %%\t%s\t%s\n", s.name, label, 100*c.mean(), power(c), 100*st.mean(), power(st), verdict)
	}
	for _, s := range scenarios() {
		line(s, 0, "0 %")
		line(s, 0.15, "15 %")
	}
	line(scenario{name: "a batch, a third worse", alike: 0.7, shift: 0.05, batch: true}, 0, "33 %")
	w.Flush()
	return bad
}

// missed says whether an aim is missed. Of few fleets a share is uncertain: only what
// is two standard errors beyond the aim counts then.
func (t *tally) missed(fleets int) bool {
	slack := 0.0
	if fleets < 100 {
		slack = 2 * math.Sqrt(rate*(1-rate)/float64(fleets))
	}
	return t.mean() > rate+slack || t.planted > 0 && t.power() < leastPower-slack
}
