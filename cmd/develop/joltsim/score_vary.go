package main

import (
	"fmt"
	"math"
	"os"
	"reflect"
	"strings"
	"text/tabwriter"

	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/detect"
)

// variant is the default settings with one threshold moved.
type variant struct {
	name string
	by   float64
	set  detect.Settings
}

// variants moves each number of the settings by a share, either way.
func variants(by float64) []variant {
	var out []variant
	base := detect.DefaultSettings()
	var paths [][]int
	var names []string
	collect(reflect.TypeOf(base), nil, "", &paths, &names)
	for i, path := range paths {
		for _, sign := range []float64{-by, by} {
			set := base
			f := reflect.ValueOf(&set).Elem().FieldByIndex(path)
			switch f.Kind() {
			case reflect.Float64, reflect.Float32:
				f.SetFloat(f.Float() * (1 + sign))
			default:
				n := int64(math.Round(float64(f.Int()) * (1 + sign)))
				if n == f.Int() {
					continue
				}
				f.SetInt(n)
			}
			out = append(out, variant{names[i], sign, set})
		}
	}
	return out
}

// collect lists the numbers of a settings type by their names in a vehicle
// file.
func collect(t reflect.Type, at []int, name string, paths *[][]int, names *[]string) {
	for i := 0; i < t.NumField(); i++ {
		f := t.Field(i)
		key := f.Tag.Get("toml")
		if name != "" {
			key = name + "." + key
		}
		path := append(append([]int(nil), at...), i)
		switch f.Type.Kind() {
		case reflect.Struct:
			collect(f.Type, path, key, paths, names)
		case reflect.Float64, reflect.Float32, reflect.Int, reflect.Int64, reflect.Int32:
			*paths = append(*paths, path)
			*names = append(*names, key)
		}
	}
}

// vary scores every variant and prints, for each threshold, the aims that it
// loses. It returns how many are missed that the defaults do not miss.
func (c *scoreCmd) vary(set drive.Set) (int, error) {
	vs := variants(0.2)
	settings := []detect.Settings{detect.DefaultSettings()}
	for _, v := range vs {
		settings = append(settings, v.set)
	}
	jobs, err := c.jobs(set, c.Hours/10)
	if err != nil {
		return 0, err
	}
	scores, err := c.drive(jobs, settings)
	if err != nil {
		return 0, err
	}
	base := scores[0].aims()
	fmt.Printf("\nEach threshold moved by 20 %% either way, on %.0f h of driving without fault and the library\n\n", scores[0].all().normalHours)
	tw := tabwriter.NewWriter(os.Stdout, 0, 8, 2, ' ', 0)
	fmt.Fprintln(tw, "threshold\tmoved\tlate found %\tfalse alarms\ttrue lag inside %\taims lost\t")
	lost := 0
	for i, v := range vs {
		words := lostOf(base, scores[i+1].aims())
		lost += len(words)
		if len(words) == 0 {
			words = []string{"none"}
		}
		fmt.Fprintf(tw, "%s\t%+.0f %%\t%s\t%s\t\n", v.name, 100*v.by, inShort(scores[i+1].all()), strings.Join(words, "; "))
	}
	fmt.Fprintf(tw, "as they are\t\t%s\t\t\n", inShort(scores[0].all()))
	return lost, tw.Flush()
}

// lostOf names the aims that are missed, and were not.
func lostOf(base, now []aim) []string {
	was := map[string]verdict{}
	for _, a := range base {
		was[a.What+a.Class] = a.Verdict
	}
	var out []string
	for _, a := range now {
		if a.Verdict == missed && was[a.What+a.Class] != missed {
			out = append(out, a.Class+": "+a.What)
		}
	}
	return out
}

// inShort is recall of late releases, false alarms, and coverage, as cells.
func inShort(t *tally) string {
	falseAlarms := 0
	for _, n := range rowNames {
		falseAlarms += t.row(n).falseAlarms
	}
	late, lags := t.row(rowLate), t.lags()
	return fmt.Sprintf("%.2f\t%d\t%.1f", percent(late.hits, late.truths), falseAlarms, percent(lags.inside, lags.inside+lags.outside))
}

func percent(x, n int) float64 { return 100 * float64(x) / float64(n) }
