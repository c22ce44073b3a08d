// Conditionscore holds what joltbench says of the conditions of late releases
// against weeks of known cause: is the true condition named, is one named that does
// not matter, and does the recipe's expected rate hold the true one.
package main

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
	"text/tabwriter"

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
		s.Inform(seed, n, stops, names...)
		name := strings.Join(names, " and ")
		if name == "" {
			name = "none"
		}
		rows[name] = s
		all.Add(s)
	}
	share := func(name string) float64 { return float64(rows[name].Named) / float64(max(1, rows[name].Caused)) }
	worstFirst := func(a, b string) int { return cmp.Or(cmp.Compare(share(a), share(b)), cmp.Compare(a, b)) }
	w := tabwriter.NewWriter(os.Stdout, 0, 8, 2, ' ', 0)
	fmt.Fprintln(w, "cause\tweeks\tnamed\tby one who knows how such weeks are made\ttold with one that it cannot be told from\twith any number\tfalse named\tby the one who knows\trate held\tlate, in the middle")
	for _, name := range slices.SortedFunc(maps.Keys(rows), worstFirst) {
		row(w, name, rows[name])
	}
	row(w, "none, all on one day", weeks.Run(seed, n, stops, true))
	row(w, "all but the last", &all)
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Printf("true named in %s; by one who knows how such weeks are made in %s\nfalse named in %s; by the one who knows in %s\nrate held in %s\n",
		weeks.Of(all.Named, all.Caused), weeks.Of(all.Informed, all.Caused), weeks.Of(all.False, all.Weeks), weeks.Of(all.InformedFalse, all.Weeks), weeks.Of(all.Held, all.Recipes))
	all.Print(os.Stdout)
	return nil
}

func row(w io.Writer, name string, s *weeks.Score) {
	fmt.Fprintf(w, "%s\t%d", name, s.Weeks)
	for _, x := range [][2]int{{s.Named, s.Caused}, {s.Informed, s.Caused}, {s.InTwo, s.Caused}, {s.InGroup, s.Caused}, {s.False, s.Weeks}, {s.InformedFalse, s.Weeks}, {s.Held, s.Recipes}} {
		fmt.Fprintf(w, "\t%d of %d", x[0], x[1])
	}
	fmt.Fprintf(w, "\t%d\n", s.MiddleLate())
}
