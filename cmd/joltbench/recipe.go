package main

import (
	"encoding/json"
	"fmt"
	"io"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/internal/page"
	"joltwatch/storage/review"
	"joltwatch/storage/review/conditions"
	"joltwatch/storage/review/stats"
)

type recipeCmd struct {
	stayArgs
	Output string `short:"o" placeholder:"FILE.html" help:"Write it as a page to print; - for standard output, in place of the text."`
	TOML   bool   `name:"toml" help:"Write only the [recipe] table, for joltwatch run and check, or the vehicle file."`
	JSON   bool   `name:"json" help:"One JSON object."`
}

// Help implements kong's long help.
func (recipeCmd) Help() string {
	return `On what it depends in this stay whether the clutch lets go late, and from that
how to make it happen again: the conditions, how often it is expected then and
otherwise, and how many such stops give a 95 % chance of seeing it once. It takes
five late releases and says so where they are too few to tell. joltwatch run and
check take the table as their recipe and count the tries. Examples:
  joltbench recipe my-stay -o recipe.html
  joltbench recipe my-stay --toml > recipe.toml`
}

// Run writes the recipe.
func (c *recipeCmd) Run(h *host) error {
	s, view, err := c.read(h)
	if err != nil {
		return err
	}
	if c.TOML {
		table := s.Conditions().Recipe()
		if table == nil {
			return fmt.Errorf("%s: no recipe: %s", c.Dir, s.Conditions().Says(c.Units.Quantity))
		}
		fmt.Fprintf(h.stdout, "# %s\n%s", cli.Plain(s.Conditions().Says(review.Metric.Quantity)), table.TOML())
		return done(s)
	}
	r := page.NewRecipe(s, view)
	if c.Output != "" {
		if err := cli.WriteFile(h.stdout, c.Output, func(w io.Writer) error { return page.WriteRecipe(w, r, cli.Release()) }); err != nil {
			return err
		}
	}
	switch {
	case c.JSON && c.Output != "-":
		if err := json.NewEncoder(h.stdout).Encode(recipeObject(s.Conditions())); err != nil {
			return err
		}
	case c.Output != "-":
		r.Text(func(format string, args ...any) { fmt.Fprintf(h.stdout, format, args...) })
	}
	return done(s)
}

type boundJSON struct {
	Condition string   `json:"condition"`
	From      *float64 `json:"from,omitempty"`
	To        *float64 `json:"to,omitempty"`
	P         float64  `json:"p,omitempty"`
	// NotToldFrom are conditions that go together with this one.
	NotToldFrom []string `json:"not_told_from,omitempty"`
}

type conditionJSON struct {
	Condition string  `json:"condition"`
	Known     int     `json:"known"`
	P         float64 `json:"p"`
	LagRank   float64 `json:"lag_rank_correlation"`
	LagP      float64 `json:"lag_p"`
}

type rateJSON struct {
	Late int `json:"late"`
	Of   int `json:"of"`
	bounds
}

type recipeJSON struct {
	Releases   int             `json:"releases"`
	Late       int             `json:"late"`
	Says       string          `json:"says"`
	Recipe     []boundJSON     `json:"recipe"`
	Within     rateJSON        `json:"within"`
	Otherwise  rateJSON        `json:"otherwise"`
	Tries      int             `json:"tries_for_95_percent"`
	Mended     int             `json:"none_late_in_to_be_mended"`
	Conditions []conditionJSON `json:"conditions"`
}

func recipeObject(a *conditions.Answer) recipeJSON {
	o := recipeJSON{Releases: a.Releases, Late: a.Late, Says: a.Says(review.Metric.Quantity), Recipe: []boundJSON{},
		Within: rateJSON{a.Within.Late, a.Within.Of, newBounds(a.Within.Interval)}, Otherwise: rateJSON{a.Otherwise.Late, a.Otherwise.Of, newBounds(a.Otherwise.Interval)}}
	for _, n := range a.Named {
		x := boundJSON{Condition: n.Of.Name, P: n.P}
		b := newBounds(stats.Interval{Low: n.From, High: n.To})
		x.From, x.To = b.Low, b.High
		for _, or := range n.Or {
			x.NotToldFrom = append(x.NotToldFrom, or.Of.Name)
		}
		o.Recipe = append(o.Recipe, x)
	}
	if a.Recipe() != nil {
		o.Tries, o.Mended = conditions.Tries(a.Within.Estimate), conditions.Mended(a.Within.Late, a.Within.Of)
	}
	for _, e := range a.Each {
		o.Conditions = append(o.Conditions, conditionJSON{e.Of.Name, e.Known, e.P, e.Lag.Rank, e.Lag.P})
	}
	return o
}
