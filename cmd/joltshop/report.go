package main

import (
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/internal/page"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/intake"
	"joltwatch/cmd/joltshop/questions"
	"joltwatch/cmd/joltshop/rank"
	"joltwatch/cmd/joltshop/server"
	"joltwatch/storage/review"
	"joltwatch/storage/wire"
)

type reportCmd struct {
	Shop    string  `arg:"" optional:"" placeholder:"SHOP" help:"The shop's folder, or its dataset: a folder or s3://bucket/prefix."`
	Output  string  `short:"o" placeholder:"FILE.html" help:"Write the report as one page too; - for standard output, in place of the tables."`
	JSON    bool    `name:"json" help:"One JSON object a line: shop, todo, week, changed, standing, watched, silent, filling, vehicle."`
	Week    string  `name:"week-to" placeholder:"DATE" help:"Last day of the week that is asked about, YYYY-MM-DD in UTC. Default: today."`
	History int     `default:"56" placeholder:"DAYS" help:"How many days before that week are its history."`
	Rate    float64 `name:"false-rate" default:"0.05" placeholder:"SHARE" help:"The false-discovery rate: the share of each list of findings that may be false on average, 0.001 to 0.5."`
	Least   float64 `name:"least-rate" default:"0.03" placeholder:"SHARE" help:"The least change of a rate that is listed, in hits an opportunity: 0.03 is three more late releases in a hundred stops, about one a working day."`
	LeastL  float64 `name:"least-lag" default:"0.15" placeholder:"SHARE" help:"The least change of the lag of release that is listed, as a share of the usual one: 0.15 is about what 20 degrees of the fluid make."`
	Groups  string  `placeholder:"FILE.csv" help:"Which vehicles are of a kind: lines of vehicle,kind. Default: groups.csv in the shop's folder, if it is there."`
	Silent  float64 `name:"silent-days" default:"4" placeholder:"DAYS" help:"Silent is who sent nothing for longer."`
	Full    float64 `name:"full-days" default:"14" placeholder:"DAYS" help:"Filling up is whose store is full within this time."`
	Cache   string  `placeholder:"DIR" help:"Where files of an s3:// dataset are kept. Default: a folder in the user's cache."`
	Since   string  `placeholder:"DATE" help:"Of what there is to do, only what is so since that day, YYYY-MM-DD, or nobody knows since when."`
	Vehicle string  `placeholder:"NAME" help:"The history of one vehicle too, week by week."`
	Note    string  `placeholder:"TEXT" help:"Said at the top of the page, such as that the data are invented."`
	SQL     string  `name:"sql" placeholder:"DIR" help:"Write the questions as SQL files and the dataset's schema into DIR, and stop."`
}

// Help implements kong's long help.
func (reportCmd) Help() string {
	return `Which vehicles changed this week against their own history, which stand out among
their own kind, how many stops were watched, who is silent or filling up. Examples:
  joltshop report my-shop -o shop.html
  joltshop report my-shop --since 2026-03-09 --vehicle van-07
  joltshop report s3://bucket/fleet --json
  joltshop report --sql my-queries
A dataset at s3:// is reached as AWS_ENDPOINT_URL, AWS_REGION, AWS_ACCESS_KEY_ID and
AWS_SECRET_ACCESS_KEY say; the files of the weeks that are asked about are fetched, each
once, and asked here. This needs a
build with the query engine.`
}

// Run answers the questions.
func (c *reportCmd) Run(h *host) error {
	if c.SQL != "" {
		return c.writeSQL()
	}
	o, err := c.options(time.Now())
	if err != nil {
		return err
	}
	var since time.Time
	if c.Since != "" {
		if since, err = date("--since", c.Since); err != nil {
			return err
		}
	}
	where, err := shopDataset(c.Shop)
	if err != nil {
		return err
	}
	groups, err := c.groups()
	if err != nil {
		return err
	}
	asked := questions.Asked{LastDay: o.LastDay, HistoryDays: o.HistoryDays, Groups: groups}
	folder, err := dataset.Local(h.ctx, where, c.cache(where), asked.Days())
	if err != nil {
		return err
	}
	if asked.Enrolled, err = server.Enrolled(c.Shop); err != nil {
		return err
	}
	p := cli.NewProgress(h.stderr)
	asked.Progress = p.Steps("reading, file")
	answers, err := questions.Ask(h.ctx, folder, asked)
	p.End()
	if err != nil {
		return err
	}
	if o.Refusals, err = refusals(c.Shop, o.Now); err != nil {
		return err
	}
	if o.Incomplete, err = incomplete(c.Shop); err != nil {
		return err
	}
	if o.Ending, err = ending(c.Shop, o.Now); err != nil {
		return err
	}
	s := rank.New(answers, o)
	if c.Since != "" {
		s.SinceDay(since)
		s.Remarks = append(s.Remarks, "what there is to do is only what is so since "+c.Since+", or nobody knows since when")
	}
	if c.Vehicle != "" {
		if s.Of, s.Weeks = c.Vehicle, rank.History(answers, c.Vehicle, o); s.Weeks == nil {
			return fmt.Errorf("--vehicle %.60q: nothing of a vehicle of that name is in these weeks", c.Vehicle)
		}
	}
	if s.Held, err = heldRemark(folder, answers.HeldFrom); err != nil {
		return err
	}
	if aside, err := filepath.Glob(filepath.Join(folder, "*", "*", "*", "*.damaged")); err == nil && len(aside) > 0 {
		s.Remarks = append(s.Remarks, fmt.Sprintf("%d files of the dataset were damaged and set aside; what was in them is not counted", len(aside)))
	}
	if c.Output != "" {
		shown := c.show(h, s)
		if err := cli.WriteFile(h.stdout, c.Output, func(w io.Writer) error { return page.Shop(w, s, shown, c.Note, cli.Release()) }); err != nil {
			return err
		}
	}
	switch {
	case c.Output == "-":
		return nil
	case c.JSON:
		return shopJSON(h.stdout, s)
	}
	return shopText(h.stdout, s)
}

// mostShown is of how many vehicles the full review is written beside the page.
const mostShown = 20

// show writes the review of each vehicle that is to be called in or watched beside the
// page, where the shop has its files, and makes the picture of its worst finding. What
// cannot be shown is said and does not stop the report.
func (c *reportCmd) show(h *host, s *rank.Shop) map[string]page.Shown {
	shown := map[string]page.Shown{}
	p := cli.NewProgress(h.stderr)
	defer p.End()
	told := p.Steps("writing reviews, of the list to do")
	for i, x := range s.Todo {
		told(i, len(s.Todo))
		if x.Do == rank.Mend || len(shown) == mostShown || c.Output == "-" || shown[x.Vehicle].File != "" {
			continue
		}
		dir := c.stayOf(&x)
		if dir == "" {
			continue
		}
		stay, err := review.Load(dir)
		if err != nil {
			fmt.Fprintf(h.stderr, "joltshop: %s: %v\n", dir, err)
			continue
		}
		name := strings.TrimSuffix(c.Output, ".html") + "-" + x.Vehicle + ".html"
		err = cli.WriteFile(h.stdout, name, func(w io.Writer) error {
			return page.Report(w, stay, page.Options{FullBytes: 3 << 20, Version: cli.Release()})
		})
		if err != nil {
			fmt.Fprintf(h.stderr, "joltshop: %s: %v\n", name, err)
			continue
		}
		v := page.Shown{File: filepath.Base(name)}
		if e := worst(stay, x.Worst); e != nil {
			v.Picture = page.Picture(stay, e)
		}
		shown[x.Vehicle] = v
	}
	return shown
}

// worst is the event of a stay to look at first: the one that was asked for, or the
// severest, of those with traces; nil where there is none.
func worst(stay *review.Stay, asked *questions.Severe) *review.Event {
	var first *review.Event
	for _, e := range stay.Worst() {
		if !e.HasEvidence() {
			continue
		}
		if first == nil || asked != nil && e.ID == asked.Event {
			first = e
		}
	}
	return first
}

// stayOf is the folder of the stay with a vehicle's worst finding, or of its latest;
// "" where the shop has no file of it.
func (c *reportCmd) stayOf(x *rank.Action) string {
	home := filepath.Join(c.Shop, "vehicles", x.Vehicle)
	if x.Worst != nil {
		dir := filepath.Join(home, filepath.Base(x.Worst.Stay))
		if info, err := os.Stat(dir); err == nil && info.IsDir() {
			return dir
		}
	}
	latest, at := "", time.Time{}
	entries, _ := os.ReadDir(home)
	for _, e := range entries {
		if info, err := e.Info(); err == nil && e.IsDir() && info.ModTime().After(at) {
			latest, at = filepath.Join(home, e.Name()), info.ModTime()
		}
	}
	return latest
}

// refusals are what the shop's server refused and its intake set aside in the last
// two weeks; where the shop is a dataset alone, nothing is known of them.
func refusals(shop string, now time.Time) (list []rank.Refused, err error) {
	if strings.HasPrefix(shop, "s3://") {
		return nil, nil
	}
	since := now.AddDate(0, 0, -14)
	refused, err := server.RefusedIn(shop, since)
	if err != nil {
		return nil, err
	}
	for _, r := range refused {
		why := r.Why
		if now.Before(r.Until) {
			why += "; it is kept away until " + r.Until.Format("2006-01-02 15:04")
		}
		list = append(list, rank.Refused{Vehicle: r.Vehicle, Why: why, At: r.At})
	}
	aside, err := intake.SetAsideIn(shop, since)
	for _, a := range aside {
		list = append(list, rank.Refused{Vehicle: a.Vehicle, Why: fmt.Sprintf("%d messages were set aside, the last as %s", a.Count, a.Reason), At: a.Last})
	}
	return list, err
}

// endingSoon is how long before its end a certificate is named: a vehicle that comes
// renews it in the month before that.
const endingSoon = 60 * 24 * time.Hour

// ending are the vehicles whose certificate ends soon.
func ending(shop string, now time.Time) (list []rank.Refused, err error) {
	all, err := server.EndingIn(shop, now.Add(endingSoon))
	for _, x := range all {
		word := "ends"
		if !now.Before(x.Until) {
			word = "ended"
		}
		list = append(list, rank.Refused{Vehicle: x.Vehicle, At: x.Until,
			Why: fmt.Sprintf("its certificate %s on %s and it has not renewed it, which it does by itself from 90 days before; where it does not come, joltshop enrol %s --dir %s --renew", word, x.Until.UTC().Format(time.DateOnly), x.Vehicle, shop)})
	}
	return list, err
}

// incomplete are the stays in the shop's folder of which not all has come.
func incomplete(shop string) (list []rank.Refused, err error) {
	if strings.HasPrefix(shop, "s3://") {
		return nil, nil
	}
	stays, err := intake.IncompleteIn(shop)
	for _, x := range stays {
		list = append(list, rank.Refused{Vehicle: x.Vehicle, Why: fmt.Sprintf("stay %.8s, %s", x.Stay, x.Missing), At: x.At})
	}
	return list, err
}

func (c *reportCmd) options(now time.Time) (rank.Options, error) {
	day := now.UTC().Truncate(24 * time.Hour)
	if c.Week != "" {
		var err error
		if day, err = date("--week-to", c.Week); err != nil {
			return rank.Options{}, err
		}
	}
	// A week of the past is asked about as if on its last evening.
	if end := day.AddDate(0, 0, 1); now.After(end) {
		now = end
	}
	switch {
	case c.History < 1 || c.History > 3660:
		return rank.Options{}, cli.Usage(fmt.Sprintf("--history %d: expected 1 to 3660 days", c.History))
	case !(c.Rate >= 0.001 && c.Rate <= 0.5):
		return rank.Options{}, cli.Usage(fmt.Sprintf("--false-rate %g: expected 0.001 to 0.5", c.Rate))
	case !(c.Least >= 0 && c.Least < 1) || !(c.LeastL >= 0 && c.LeastL < 10):
		return rank.Options{}, cli.Usage("--least-rate and --least-lag: expected 0 or more, and a rate below 1")
	case !(c.Silent > 0) || !(c.Full > 0):
		return rank.Options{}, cli.Usage("--silent-days and --full-days: expected more than 0")
	}
	return rank.Options{LastDay: day, HistoryDays: c.History, Now: now, Rate: c.Rate, LeastRate: c.Least, LeastLag: c.LeastL, SilentDays: c.Silent, FullDays: c.Full}, nil
}

// date reads what an option says as a day.
func date(option, text string) (time.Time, error) {
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return day, cli.Usage(fmt.Sprintf("%s %.40q: expected a date such as 2026-03-08", option, text))
	}
	return day, nil
}

// shopDataset returns where the dataset of a shop is: the folder named dataset
// in the shop's, or the folder itself.
func shopDataset(shop string) (string, error) {
	if shop == "" {
		return "", cli.Usage("expected the shop's folder, or s3://bucket/prefix")
	}
	if strings.HasPrefix(shop, "s3://") {
		return shop, nil
	}
	in := filepath.Join(shop, "dataset")
	if info, err := os.Stat(in); err == nil && info.IsDir() {
		return in, nil
	}
	for _, table := range dataset.Tables {
		if info, err := os.Stat(filepath.Join(shop, table)); err == nil && info.IsDir() {
			return shop, nil
		}
	}
	if _, err := os.Stat(shop); err != nil {
		return "", fmt.Errorf("%s: %w", shop, errors.Unwrap(err))
	}
	return "", fmt.Errorf("%s: no dataset is in it; expected the folder that joltshop serve was given", shop)
}

func (c *reportCmd) cache(where string) string {
	if c.Cache != "" {
		return c.Cache
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		dir = os.TempDir()
	}
	sum := sha256.Sum256([]byte(where + os.Getenv("AWS_ENDPOINT_URL")))
	return filepath.Join(dir, "joltshop", "dataset-"+hex.EncodeToString(sum[:8]))
}

// groups reads which vehicles are of a kind.
func (c *reportCmd) groups() (map[string]string, error) {
	path := c.Groups
	if path == "" {
		path = filepath.Join(c.Shop, "groups.csv")
	}
	f, err := os.Open(path)
	if c.Groups == "" && err != nil {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, errors.Unwrap(err))
	}
	defer f.Close()
	return readGroups(f, path)
}

func readGroups(in io.Reader, path string) (map[string]string, error) {
	r := csv.NewReader(in)
	r.FieldsPerRecord, r.TrimLeadingSpace, r.Comment = 2, true, '#'
	groups := map[string]string{}
	for {
		fields, err := r.Read()
		if err == io.EOF {
			return groups, nil
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w; expected lines of vehicle,kind", path, err)
		}
		line, column := r.FieldPos(0)
		vehicle, group := strings.TrimSpace(fields[0]), strings.TrimSpace(fields[1])
		if len(groups) == 0 && vehicle == "vehicle" && group == "kind" {
			continue // a header
		}
		switch _, twice := groups[vehicle]; {
		case !wire.VehicleName(vehicle):
			return nil, fmt.Errorf("%s:%d:%d: %.40q is no name of a vehicle: 1 to 40 of a-z, 0-9 and -", path, line, column, vehicle)
		case group == "" || len(group) > 80:
			return nil, fmt.Errorf("%s:%d:%d: expected a kind of 1 to 80 bytes for %s", path, line, column, vehicle)
		case twice:
			return nil, fmt.Errorf("%s:%d:%d: %s is there twice", path, line, column, vehicle)
		}
		groups[vehicle] = group
	}
}

func (c *reportCmd) writeSQL() error {
	if err := os.MkdirAll(c.SQL, 0o755); err != nil {
		return err
	}
	files := questions.Files()
	list, err := fs.Glob(files, "*.sql")
	if err != nil {
		return err
	}
	for _, name := range list {
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(c.SQL, name), text, 0o644); err != nil {
			return err
		}
	}
	return os.WriteFile(filepath.Join(c.SQL, "SCHEMA.md"), []byte(dataset.Schema), 0o644)
}
