// Conditionscore holds what joltbench says of the conditions of late releases
// against weeks of known cause: is the true condition named, is one named that does
// not matter, and does the recipe's expected rate hold the true one.
package main

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"

	"joltwatch/cmd/develop/conditionscore/weeks"
	"joltwatch/cmd/internal/cli"
)

func main() {
	n := flag.Int("weeks", 40, "weeks of each cause")
	stops := flag.Int("stops", 300, "releases of a week at the least")
	seed := flag.Uint64("seed", 1, "the first seed")
	flag.Parse()
	cli.Tool("conditionscore", func(context.Context) error { return score(*n, *stops, *seed) })
}

func score(n, stops int, seed uint64) error {
	if n < 1 || stops < 1 || flag.NArg() > 0 {
		return cli.Usage("expected at least one week and one stop, and no further words")
	}
	causes := append([][]string{nil}, weeks.Pairs()...)
	for _, name := range weeks.Names() {
		causes = append(causes, []string{name})
	}
	var all weeks.Score
	rows := map[string]*weeks.Score{}
	for _, names := range causes {
		s := weeks.Run(seed, n, stops, false, names...)
		name := strings.Join(names, " and ")
		if name == "" {
			name = "none"
		}
		rows[name] = s
		all.Add(s)
	}
	share := func(name string) float64 { return float64(rows[name].Named) / float64(max(1, rows[name].Caused)) }
	worstFirst := func(a, b string) int { return cmp.Or(cmp.Compare(share(a), share(b)), cmp.Compare(a, b)) }
	for _, name := range slices.SortedFunc(maps.Keys(rows), worstFirst) {
		row(name, rows[name])
	}
	row("none, all on one day", weeks.Run(seed, n, stops, true))
	row("all but the last", &all)
	all.Print(os.Stdout)
	return nil
}

func row(name string, s *weeks.Score) {
	fmt.Printf("%s, %d weeks: true named %s; told with one at most that it cannot be told from %s, with any number %s; false named %s; rate held %s; late, in the middle: %d\n",
		name, s.Weeks, weeks.Of(s.Named, s.Caused), weeks.Of(s.InTwo, s.Caused), weeks.Of(s.InGroup, s.Caused), weeks.Of(s.False, s.Weeks), weeks.Of(s.Held, s.Recipes), s.MiddleLate())
}
