// Package questions asks a shop's dataset the shop's own questions. The
// questions are SQL files, given to the user as they are; an embedded engine
// answers them in a build with the tag engine.
package questions

import (
	"database/sql"
	"embed"
	"errors"
	"io/fs"
	"time"

	"joltwatch/cmd/joltshop/dataset"
)

//go:embed *.sql
var files embed.FS

// Files are the SQL files: set.sql, which says what to run after it, and one for
// each question.
func Files() fs.FS { return files }

// ErrNoEngine is the answer of a build without the engine.
var ErrNoEngine = errors.New("this build of joltshop has no query engine; make engine builds one that has (it needs a C compiler)")

// Asked is what a shop asks about.
type Asked struct {
	// LastDay is the last UTC day of the week that is asked about.
	LastDay time.Time
	// HistoryDays is how many days before that week count as its history.
	HistoryDays int
	// Groups names each vehicle's own kind; one that is not named is of "all".
	Groups map[string]string
	// Enrolled are the vehicles that could have sent something, besides those
	// that did.
	Enrolled []string
	// Progress is told how many files have been read, of all that are asked about;
	// nil for nobody.
	Progress func(done, total int)
}

// first and last are the days that are asked about.
func (a *Asked) first() time.Time { return a.last().AddDate(0, 0, -6-a.HistoryDays) }
func (a *Asked) last() time.Time  { return a.LastDay.UTC().Truncate(24 * time.Hour) }

// Days are the days that are asked about.
func (a *Asked) Days() dataset.Days {
	return dataset.Days{First: a.first().Format(time.DateOnly), Last: a.last().Format(time.DateOnly)}
}

// Answers are the rows of each question, by vehicle.
type Answers struct {
	Opportunities []Opportunities
	Days          []Day
	Severe        []Severe
	Units         []Unit
	Coverage      []Coverage
	// HeldFrom is the first day of which the dataset has rows, YYYY-MM-DD; "" for none.
	HeldFrom string
}

// Opportunities are those of a vehicle for one kind of finding.
type Opportunities struct {
	Vehicle, Group, Kind string
	// Weeks are the weeks, the one that is asked about first, then each before it.
	Weeks []Count
}

// Week is the week that is asked about.
func (c *Opportunities) Week() Count {
	if len(c.Weeks) == 0 {
		return Count{}
	}
	return c.Weeks[0]
}

// Before is the history.
func (c *Opportunities) Before() (sum Count) {
	if len(c.Weeks) > 1 {
		for _, w := range c.Weeks[1:] {
			sum.Add(w)
		}
	}
	return sum
}

// Count is how often something could have happened, could have been seen, did.
type Count struct {
	Seen       int64 `json:"seen"`
	Observable int64 `json:"observable"`
	Hits       int64 `json:"hits"`
}

// Add adds another.
func (c *Count) Add(x Count) {
	c.Seen += x.Seen
	c.Observable += x.Observable
	c.Hits += x.Hits
}

// Day is a vehicle's day of releases.
type Day struct {
	Vehicle, Group string
	// Ago is how many days it is before the last one asked about.
	Ago int64
	// LagS is the median lag, FluidC the median temperature of the fluid at them,
	// null where it is not known.
	LagS   float64
	FluidC sql.NullFloat64
	Stops  int64
}

// Severe is a finding of the week that one of is enough to be named, or a driver's mark.
type Severe struct {
	Vehicle string `json:"vehicle"`
	Group   string `json:"group"`
	Kind    string `json:"kind"`
	Class   string `json:"class"`
	// Stay and Event are where its evidence is.
	Stay  string `json:"stay"`
	Event string `json:"event"`
	// Ago is how many days it is before the last one asked about.
	Ago int64 `json:"days_ago"`
	// LagS and MarkAfterS, the time to the driver's mark, are nil where there is none.
	LagS       *float64 `json:"lag_s,omitempty"`
	MarkAfterS *float64 `json:"mark_after_s,omitempty"`
}

// Unit is when a vehicle was last heard of and how its unit fares.
type Unit struct {
	Vehicle, Group string
	Last           time.Time // arrived; zero: never
	// Told is the unit's own time of its latest report, Arrived when that came.
	Told, Arrived                     time.Time
	Reported                          bool
	Program                           string
	StoreBytes, QuotaBytes, FreeBytes int64
	LeftFiles, LeftBytes              int64
	Runs, Cut                         int64
	Troubles                          string // a line each
	BytesADay                         float64
}

// Coverage is what a vehicle's week rests on.
type Coverage struct {
	Vehicle, Group                        string
	Drives                                int64
	EngineOnS, MovingS, UnknownS          float64
	Stops, StopsObserved, UnclockedDrives int64
}
