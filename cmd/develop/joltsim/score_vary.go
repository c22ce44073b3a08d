package main

import (
	"fmt"
	"math"
	"os"
	"reflect"
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
// changes. It returns how many aims are missed that the defaults meet.
func (c *scoreCmd) vary(set drive.Set) (int, error) {
	vs := variants(0.2)
	settings := []detect.Settings{detect.DefaultSettings()}
	for _, v := range vs {
		settings = append(settings, v.set)
	}
	jobs := c.jobs(set, c.Hours/10)
	tallies, err := c.drive(jobs, settings)
	if err != nil {
		return 0, err
	}
	base := aimsOf(tallies[0])
	fmt.Printf("\nEach threshold moved by 20 %% either way, on %.0f h of driving without fault and the library\n\n", tallies[0].normalHours)
	tw := tabwriter.NewWriter(os.Stdout, 0, 8, 2, ' ', 0)
	fmt.Fprintln(tw, "threshold\tmoved\tlate found %\tfalse /100 h\tlag error s\tin interval %\tlockup points\tslip rpm\taims lost\t")
	line := func(name, moved string, t *tally) int {
		aims := aimsOf(t)
		lost, falseAlarms := 0, 0
		words := ""
		for i, a := range aims {
			if base[i].Met && !a.Met {
				lost++
				words += "; " + a.What
			}
		}
		for _, n := range rowNames {
			falseAlarms += t.row(n).falseAlarms
		}
		n := len(aims)
		if words == "" {
			words = "; none"
		}
		fmt.Fprintf(tw, "%s\t%s\t%.2f\t%.2f\t%.3f\t%.1f\t%.2f\t%.2f\t%s\t\n", name, moved, aims[0].Value, t.per100h(falseAlarms),
			aims[n-4].Value, aims[n-3].Value, aims[n-2].Value, aims[n-1].Value, words[2:])
		return lost
	}
	line("as they are", "", tallies[0])
	lost := 0
	for i, v := range vs {
		lost += line(v.name, fmt.Sprintf("%+.0f %%", 100*v.by), tallies[i+1])
	}
	return lost, tw.Flush()
}
