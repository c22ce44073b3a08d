package intake

import (
	"fmt"
	"time"
)

// Quota bounds the records of one vehicle in a day of UTC, of which an honest one
// has dozens; after weeks without a network, hundreds.
type Quota struct {
	Records int
	Bytes   int64
}

const (
	defaultRecords = 50_000
	defaultBytes   = 256 << 20
)

// ledger counts what came of each vehicle in a day.
type ledger struct {
	day time.Time
	of  map[string]*Quota
}

// add counts a record that came at a time, and says where that passes the quota; it
// says so once a day.
func (l *ledger) add(q Quota, vehicle string, bytes int, at time.Time) (over string) {
	if q.Records == 0 {
		q.Records = defaultRecords
	}
	if q.Bytes == 0 {
		q.Bytes = defaultBytes
	}
	if day := at.UTC().Truncate(24 * time.Hour); !day.Equal(l.day) || l.of == nil {
		l.day, l.of = day, map[string]*Quota{}
	}
	x := l.of[vehicle]
	if x == nil {
		x = &Quota{}
		l.of[vehicle] = x
	}
	before := x.Records > q.Records || x.Bytes > q.Bytes
	x.Records++
	x.Bytes += int64(bytes)
	switch {
	case before:
		return ""
	case x.Records > q.Records:
		return fmt.Sprintf("it sent more than %d records in a day", q.Records)
	case x.Bytes > q.Bytes:
		return fmt.Sprintf("it sent more than %.1f MB of records in a day", float64(q.Bytes)/1e6)
	}
	return ""
}
