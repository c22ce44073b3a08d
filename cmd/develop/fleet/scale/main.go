// Scale measures what a fleet costs the shop's one machine: an invented fleet's
// records go into the dataset, the real questions are put to it, and the ranking
// is held against what was planted. It prints a capacity table with the costs a
// vehicle-day and what follows for larger fleets.
//
//	go run -tags engine ./cmd/develop/fleet/scale -vehicles 1000 -days 30
//
// First some of the vehicles take the whole way: their stores are written, the real
// courier (a process of its own for each) delivers them to the real server, and
// the intake lays them down. That gives the costs of the way; then the whole fleet's
// records are laid down directly, which gives those of a large dataset. The fleet is invented (see package invented); the costs are this machine's.
package main

import (
	"context"
	"database/sql"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"text/tabwriter"
	"time"

	_ "github.com/duckdb/duckdb-go/v2" // the engine, for its own file

	"joltwatch/cmd/develop/fleet/cost"
	"joltwatch/cmd/develop/fleet/invented"
	"joltwatch/cmd/develop/fleet/rehearsal"
	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/questions"
	"joltwatch/cmd/joltshop/rank"
	"joltwatch/detect"
)

func main() {
	vehicles := flag.Int("vehicles", 1000, "number of vehicles")
	days := flag.Int("days", 30, "number of days")
	seed := flag.Uint64("seed", 1, "seed of the fleet")
	planted := flag.Float64("planted", 0.1, "share of the vehicles with a planted fault")
	stops := flag.Int("stops", 20, "stops of a drive; two drives a working day")
	dir := flag.String("dir", "", "folder for the dataset, kept; default: a temporary one")
	ask := flag.Bool("ask", false, "ask the dataset that is in -dir from an earlier run with the same options")
	couriers := flag.Int("couriers", 20, "how many of the vehicles take the whole way first; 0 for none")
	flag.Parse()
	f := &invented.Fleet{Vehicles: *vehicles, Days: *days, LastDay: time.Date(2026, 3, 13, 0, 0, 0, 0, time.UTC), Seed: *seed, Planted: *planted, Stops: *stops}
	cli.Tool("scale", func(ctx context.Context) error {
		each, err := way(ctx, os.Stdout, f, min(*couriers, *vehicles))
		if err != nil {
			return err
		}
		return run(ctx, os.Stdout, f, *dir, *ask, each)
	})
}

// took is what a step took.
type took struct{ wall, cpu time.Duration }

func timed(f func() error) (took, error) {
	start, cpu := time.Now(), cost.Used()
	err := f()
	return took{time.Since(start), cost.Used() - cpu}, err
}

// way sends the stores of the first n vehicles the whole way, and returns the
// processor time of server and intake a vehicle-day.
func way(ctx context.Context, out io.Writer, whole *invented.Fleet, n int) (each time.Duration, err error) {
	if n == 0 {
		return 0, nil
	}
	dir, err := os.MkdirTemp("", "scale-way-")
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(dir)
	joltship := filepath.Join(dir, "joltship")
	build := exec.CommandContext(ctx, "go", "build", "-o", joltship, "joltwatch/cmd/joltship")
	build.Stderr = os.Stderr
	if err := build.Run(); err != nil {
		return 0, fmt.Errorf("building joltship: %w", err)
	}
	f := *whole
	f.Vehicles = n
	f.Faults = []invented.Fault{invented.Changed, invented.Worse, invented.Slower} // a silent one sends nothing
	s := &rehearsal.Shop{Fleet: &f, Dir: filepath.Join(dir, "shop"), Vans: filepath.Join(dir, "vans"), Together: 2,
		Logf: func(format string, args ...any) { fmt.Fprintf(os.Stderr, format+"\n", args...) },
		Ship: func(ctx context.Context, config string) error {
			c := exec.CommandContext(ctx, joltship, "--log", "error", "once", "--config", config)
			c.Stderr = os.Stderr
			return c.Run()
		}}
	if err := s.Record(ctx); err != nil {
		return 0, err
	}
	_, stores := cost.Size(s.Vans)
	before := cost.UsedByChildren()
	took, err := timed(func() error { return s.Deliver(ctx) })
	if err != nil {
		return 0, err
	}
	courier := cost.UsedByChildren() - before
	answers, err := questions.Ask(ctx, filepath.Join(s.Dir, "dataset"), questions.Asked{LastDay: f.LastDay, HistoryDays: f.Days, Groups: f.Groups()})
	if err != nil {
		return 0, err
	}
	// Nothing lost on the way, nothing twice: as many opportunities as were sent.
	var want, got uint64
	for i := range f.Vehicles {
		for day := range f.Days {
			for _, d := range f.Day(i, day) {
				want += d.Account.Opportunities[0].Observable
			}
		}
	}
	for _, c := range answers.Opportunities {
		if c.Kind == detect.KindReleaseLag {
			got += uint64(c.Week().Observable + c.Before().Observable)
		}
	}
	if got != want {
		return 0, fmt.Errorf("the whole way: %d stops arrived of %d", got, want)
	}
	_, stream := cost.Size(filepath.Join(s.Dir, "jetstream"))
	_, evidence := cost.Size(filepath.Join(s.Dir, "vehicles"))
	vehicleDays := float64(f.Vehicles * f.Days)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "the whole way, %d vehicles over %d days at once; %d stops sent, as many arrived\ta vehicle-day\taltogether\n", f.Vehicles, f.Days, want)
	fmt.Fprintf(w, "bytes of the stores (without traces)\t%.0f\t%.1f MB\n", float64(stores)/vehicleDays, float64(stores)/1e6)
	fmt.Fprintf(w, "bytes left in the server's stream\t%.0f\t%.1f MB\n", float64(stream)/vehicleDays, float64(stream)/1e6)
	fmt.Fprintf(w, "bytes of the files laid down\t%.0f\t%.1f MB\n", float64(evidence)/vehicleDays, float64(evidence)/1e6)
	fmt.Fprintf(w, "processor time of server and intake\t%.2f ms\t%s\n", took.cpu.Seconds()*1000/vehicleDays, took.cpu.Round(time.Millisecond))
	fmt.Fprintf(w, "processor time of the couriers\t%.2f ms\t%s\n", courier.Seconds()*1000/vehicleDays, courier.Round(time.Millisecond))
	fmt.Fprintf(w, "wall time, two couriers at a time\t%.2f ms\t%s\n\n", took.wall.Seconds()*1000/vehicleDays, took.wall.Round(time.Millisecond))
	return time.Duration(float64(took.cpu) / vehicleDays), w.Flush()
}

func run(ctx context.Context, out io.Writer, f *invented.Fleet, dir string, ask bool, way time.Duration) error {
	if dir == "" {
		var err error
		if dir, err = os.MkdirTemp("", "scale-"); err != nil {
			return err
		}
		defer os.RemoveAll(dir)
	}
	fmt.Fprintf(out, "an invented fleet of %d vehicles over %d days, seed %d; %d processors\n", f.Vehicles, f.Days, f.Seed, runtime.NumCPU())
	var written, made took
	records, travelled := 0, 0
	if !ask {
		var err error
		if written, made, records, travelled, err = fill(ctx, f, dir); err != nil {
			return err
		}
	}
	files, bytes := cost.Size(dir)

	var answers *questions.Answers
	asked, err := timed(func() (err error) {
		answers, err = questions.Ask(ctx, dir, questions.Asked{LastDay: f.LastDay, HistoryDays: f.Days, Groups: f.Groups()})
		return err
	})
	if err != nil {
		return err
	}
	s := rank.New(answers, rank.Options{LastDay: f.LastDay, HistoryDays: f.Days, Now: f.LastDay.AddDate(0, 0, 1), Rate: 0.05, LeastRate: rank.LeastRate, LeastLag: rank.LeastLag, SilentDays: 4, FullDays: 14})
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
	fmt.Fprintf(w, "greatest memory\t\t%.0f MB\n", float64(cost.Peak())/1e3)
	w.Flush()
	if !ask {
		// From here on as the shop keeps it.
		if asked, err = together(ctx, out, f, dir, asked); err != nil {
			return err
		}
		_, bytes = cost.Size(dir)
	}
	capacity(out, way, time.Duration(float64(written.cpu)/vehicleDays), time.Duration(float64(asked.cpu)/vehicleDays), float64(bytes)/vehicleDays)
	score(out, f, s)
	return nil
}

// together brings the sealed days together as the shop does, and holds bytes and
// questions against the engine's own single file for each table. It returns what all
// questions cost then; asked is what they cost before.
func together(ctx context.Context, out io.Writer, f *invented.Fleet, dir string, asked took) (took, error) {
	one, err := os.MkdirTemp("", "scale-one-")
	if err != nil {
		return asked, err
	}
	defer os.RemoveAll(one)
	if err := oneFile(ctx, f, dir, one); err != nil {
		return asked, err
	}
	d, err := dataset.Open(dir)
	if err != nil {
		return asked, err
	}
	ask := func(dir string) (took, error) {
		return timed(func() error {
			_, err := questions.Ask(ctx, dir, questions.Asked{LastDay: f.LastDay, HistoryDays: f.Days, Groups: f.Groups()})
			return err
		})
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\nbrought together\tfiles\tbytes\tof one file a table\tprocessor time of all questions\tof that on one file a table")
	_, oneBytes := cost.Size(one)
	oneAsked, err := ask(one)
	if err != nil {
		return asked, err
	}
	line := func(name, dir string, asked time.Duration) {
		files, bytes := cost.Size(dir)
		fmt.Fprintf(w, "%s\t%d\t%.2f MB\t%.2f\t%s\t%.2f\n", name, files, float64(bytes)/1e6, float64(bytes)/float64(oneBytes),
			asked.Round(time.Millisecond), asked.Seconds()/oneAsked.cpu.Seconds())
	}
	line("one file a table, by the engine", one, oneAsked.cpu)
	line("nothing yet", dir, asked.cpu)
	for _, x := range []struct {
		name   string
		before time.Time
	}{{"all but the last day", f.LastDay}, {"every day", f.LastDay.AddDate(0, 0, 1)}} {
		took, err := timed(func() error {
			_, err := d.Compact(ctx, x.before)
			return err
		})
		if err != nil {
			return asked, err
		}
		if asked, err = ask(dir); err != nil {
			return asked, err
		}
		line(fmt.Sprintf("%s (%s to do it)", x.name, took.cpu.Round(time.Millisecond)), dir, asked.cpu)
	}
	return asked, w.Flush()
}

// oneFile has the engine write each table as one file, sorted by vehicle and time.
func oneFile(ctx context.Context, f *invented.Fleet, dir, one string) error {
	db, err := sql.Open("duckdb", "")
	if err != nil {
		return err
	}
	defer db.Close()
	for _, table := range dataset.Tables {
		at := filepath.Join(one, table, "months", f.LastDay.Format("2006-01"))
		if err := os.MkdirAll(at, 0o700); err != nil {
			return err
		}
		_, err := db.ExecContext(ctx, fmt.Sprintf("COPY (SELECT * FROM read_parquet('%s/%s/*/*/*.parquet', hive_partitioning = false) ORDER BY vehicle, time) TO '%s/one.parquet' (COMPRESSION zstd)",
			dir, table, at))
		if err != nil {
			return err
		}
	}
	return nil
}

// capacity extrapolates: each step costs as much for each vehicle-day, however
// many there are. Processor time is what is counted, as it does not depend on
// what else the machine does. A report asks about nine weeks unless told
// otherwise, and the way is the dearer one that was measured.
func capacity(out io.Writer, way, written, asked time.Duration, bytes float64) {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\nextrapolated, processor time\tdataset a month\ttaking a day in\ta report on 30 days\ta report on 63 days")
	for _, n := range []float64{100, 1000, 10000} {
		t := func(days float64, each time.Duration) string {
			if each == 0 {
				return "–"
			}
			return time.Duration(n * days * float64(each)).Round(100 * time.Millisecond).String()
		}
		fmt.Fprintf(w, "%.0f vehicles\t%.2f GB\t%s\t%s\t%s\n", n, n*30*bytes/1e9, t(1, max(way, written)), t(30, asked), t(63, asked))
	}
	w.Flush()
}

// fill lays the fleet's records down a night at a time, as they would come.
func fill(ctx context.Context, f *invented.Fleet, dir string) (written, made took, records, travelled int, err error) {
	d, err := dataset.Open(dir)
	if err != nil {
		return written, made, 0, 0, err
	}
	add := func(to *took, g func() error) error {
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
