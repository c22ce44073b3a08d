// Scale measures what a fleet costs the shop's one machine: an invented fleet's
// records go into the dataset, the real questions are put to it, and the ranking
// is held against what was planted. It prints a capacity table with the costs a
// vehicle-day and what follows for larger fleets.
//
//	go run -tags engine ./cmd/joltbench/shop/scale -vehicles 1000 -days 30
//
// The fleet is invented (see package invented); the costs are this machine's.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"text/tabwriter"
	"time"

	"golang.org/x/sys/unix"

	"joltwatch/cmd/joltbench/shop/dataset"
	"joltwatch/cmd/joltbench/shop/invented"
	"joltwatch/cmd/joltbench/shop/questions"
	"joltwatch/cmd/joltbench/shop/rank"
)

func main() {
	vehicles := flag.Int("vehicles", 1000, "number of vehicles")
	days := flag.Int("days", 30, "number of days")
	seed := flag.Uint64("seed", 1, "seed of the fleet")
	planted := flag.Float64("planted", 0.1, "share of the vehicles with a planted fault")
	stops := flag.Int("stops", 20, "stops of a drive; two drives a working day")
	dir := flag.String("dir", "", "folder for the dataset, kept; default: a temporary one")
	ask := flag.Bool("ask", false, "ask the dataset that is in -dir from an earlier run with the same options")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	f := &invented.Fleet{Vehicles: *vehicles, Days: *days, LastDay: time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC), Seed: *seed, Planted: *planted, Stops: *stops}
	if err := run(ctx, os.Stdout, f, *dir, *ask); err != nil {
		fmt.Fprintln(os.Stderr, "scale:", err)
		os.Exit(1)
	}
}

// cost is what a step took.
type cost struct{ wall, cpu time.Duration }

func used() time.Duration {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func timed(f func() error) (cost, error) {
	start, cpu := time.Now(), used()
	err := f()
	return cost{time.Since(start), used() - cpu}, err
}

func run(ctx context.Context, out io.Writer, f *invented.Fleet, dir string, ask bool) error {
	if dir == "" {
		var err error
		if dir, err = os.MkdirTemp("", "scale-"); err != nil {
			return err
		}
		defer os.RemoveAll(dir)
	}
	fmt.Fprintf(out, "an invented fleet of %d vehicles over %d days, seed %d; %d processors\n", f.Vehicles, f.Days, f.Seed, runtime.NumCPU())
	var written, made cost
	records, travelled := 0, 0
	if !ask {
		var err error
		if written, made, records, travelled, err = fill(ctx, f, dir); err != nil {
			return err
		}
	}
	files, bytes := size(dir)

	var answers *questions.Answers
	asked, err := timed(func() (err error) {
		answers, err = questions.Ask(ctx, dir, questions.Asked{LastDay: f.LastDay, HistoryDays: f.Days, Groups: f.Groups()})
		return err
	})
	if err != nil {
		return err
	}
	s := rank.New(answers, rank.Options{LastDay: f.LastDay, HistoryDays: f.Days, Now: f.LastDay.AddDate(0, 0, 1), Rate: 0.05, SilentDays: 4, FullDays: 14})
	vehicleDays := float64(f.Vehicles * f.Days)
	each := func(d time.Duration) string { return fmt.Sprintf("%.2f ms", d.Seconds()*1000/vehicleDays) }
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\nmeasured\ta vehicle-day\taltogether")
	if !ask {
		fmt.Fprintf(w, "records\t%.1f\t%d\n", float64(records)/vehicleDays, records)
		fmt.Fprintf(w, "bytes of the records\t%.0f\t%.1f MB\n", float64(travelled)/vehicleDays, float64(travelled)/1e6)
		fmt.Fprintf(w, "processor time to lay them down\t%s\t%s\n", each(written.cpu), written.cpu.Round(time.Millisecond))
		fmt.Fprintf(w, "wall time of that\t%s\t%s\n", each(written.wall), written.wall.Round(time.Millisecond))
		fmt.Fprintf(w, "(processor time to invent them)\t%s\t%s\n", each(made.cpu), made.cpu.Round(time.Millisecond))
	}
	fmt.Fprintf(w, "bytes of the dataset\t%.0f\t%.1f MB in %d files\n", float64(bytes)/vehicleDays, float64(bytes)/1e6, files)
	fmt.Fprintf(w, "processor time of all questions\t%s\t%s\n", each(asked.cpu), asked.cpu.Round(time.Millisecond))
	fmt.Fprintf(w, "wall time of all questions\t%s\t%s\n", each(asked.wall), asked.wall.Round(time.Millisecond))
	fmt.Fprintf(w, "greatest memory\t\t%.0f MB\n", peak())
	w.Flush()
	score(out, f, s)
	return nil
}

// fill lays the fleet's records down a night at a time, as they would come.
func fill(ctx context.Context, f *invented.Fleet, dir string) (written, made cost, records, travelled int, err error) {
	d, err := dataset.Open(dir)
	if err != nil {
		return written, made, 0, 0, err
	}
	add := func(to *cost, g func() error) error {
		c, err := timed(g)
		to.wall, to.cpu = to.wall+c.wall, to.cpu+c.cpu
		return err
	}
	for day := range f.Days {
		// Flushed every hundred vehicles, as an intake does every so often.
		for from := 0; from < f.Vehicles; from += 100 {
			var batch []func() error
			err := add(&made, func() error {
				for i := from; i < min(from+100, f.Vehicles); i++ {
					list, received := f.Records(i, day)
					for _, r := range list {
						body, id, err := r.Encode()
						if err != nil {
							return err
						}
						records, travelled = records+1, travelled+len(body)
						batch = append(batch, func() error { return d.Add(r, id, received) })
					}
				}
				return nil
			})
			if err != nil {
				return written, made, 0, 0, err
			}
			err = add(&written, func() error {
				for _, give := range batch {
					if err := give(); err != nil {
						return err
					}
				}
				return d.Flush(ctx)
			})
			if err != nil {
				return written, made, 0, 0, err
			}
		}
		fmt.Fprintf(os.Stderr, "\rday %d of %d", day+1, f.Days)
	}
	fmt.Fprintln(os.Stderr)
	return written, made, records, travelled, d.Close()
}

func size(dir string) (files int, bytes int64) {
	filepath.WalkDir(dir, func(_ string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			if info, err := e.Info(); err == nil {
				files, bytes = files+1, bytes+info.Size()
			}
		}
		return nil
	})
	return files, bytes
}

func peak() float64 {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return float64(u.Maxrss) / 1e3
}

// score holds each list against what was planted.
func score(out io.Writer, f *invented.Fleet, s *rank.Shop) {
	truth := map[string]invented.Fault{}
	planted := map[invented.Fault]int{}
	for i := range f.Vehicles {
		truth[f.Name(i)] = f.Truth(i)
		planted[f.Truth(i)]++
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\nlist\tplanted\tfound\trecall\tlisted\tfalse\tprecision")
	line := func(name string, listed []string, right func(invented.Fault) bool, want ...invented.Fault) {
		n, found, wrong := 0, map[string]bool{}, map[string]bool{}
		for _, x := range want {
			n += planted[x]
		}
		for _, v := range listed {
			isWanted := false
			for _, x := range want {
				isWanted = isWanted || truth[v] == x
			}
			switch {
			case isWanted:
				found[v] = true
			case !right(truth[v]):
				wrong[v] = true
			}
		}
		share := func(a, b int) string {
			if b == 0 {
				return "–"
			}
			return fmt.Sprintf("%.1f %%", 100*float64(a)/float64(b))
		}
		fmt.Fprintf(w, "%s\t%d\t%d\t%s\t%d\t%d\t%s\n", name, n, len(found), share(len(found), n), len(found)+len(wrong), len(wrong), share(len(found), len(found)+len(wrong)))
	}
	pick := func(list []rank.Finding, test string) (names []string) {
		for _, x := range list {
			if x.Test == test {
				names = append(names, x.Vehicle)
			}
		}
		return names
	}
	nothing := func(invented.Fault) bool { return false }
	line("changed: rate of late releases", pick(s.Changed, "rate"), nothing, invented.Changed)
	line("changed: lag of release", pick(s.Changed, "lag"), nothing, invented.Slower)
	// A vehicle that changed this week may rightly stand out among the others.
	line("stand out among their kind", pick(s.Standing, "rate"), func(x invented.Fault) bool { return x == invented.Changed }, invented.Worse)
	var silent, filling []string
	for _, u := range s.Silent {
		silent = append(silent, u.Vehicle)
	}
	for _, u := range s.Filling {
		filling = append(filling, u.Vehicle)
	}
	line("silent", silent, nothing, invented.Silent)
	line("filling up", filling, nothing, invented.Filling)
	w.Flush()
	fmt.Fprintf(out, "(stated: at most %.0f %% of a list of findings false on average)\n", 100*s.Rate)
}
