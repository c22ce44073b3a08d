package courier

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"joltwatch/cmd/internal/durable"
)

// memory is what the courier knows of earlier rounds. Losing it costs only that
// things are sent again, which the server notices.
type memory struct {
	// Stay is the stay that the rest is about.
	Stay string `json:"stay"`
	// Records are the keys of the records that the server has on its medium, with the
	// identity of each.
	Records map[string]recordID `json:"records"`
	// Files are the delivered files, and what they were.
	Files map[string]delivered `json:"files"`
	// Day and Sent are the day of the last round, by the board's local time,
	// and the bytes sent on it.
	Day  string `json:"day"`
	Sent int64  `json:"sent_bytes"`
	// Carries is what a connection carries before it breaks, in bytes; 0 where none is
	// known to; Guessed is that it broke before anything was confirmed. Begun is the
	// file that is under way.
	Carries int64 `json:"carries,omitempty"`
	Guessed bool  `json:"guessed,omitempty"`
	Begun   begun `json:"under_way,omitzero"` // earlier "begun", of what lay elsewhere
	// UnitAt is when the unit last reported itself, LastAt when a round last
	// delivered all there was, Failure why the last one did not.
	UnitAt  time.Time `json:"unit_at"`
	LastAt  time.Time `json:"last_at"`
	Failure string    `json:"failure,omitempty"`

	// Held is the list of what the shop has that was held against this last; Lost is
	// what was in neither, and LostAt when that was seen.
	Held   string    `json:"held,omitempty"`
	Lost   string    `json:"lost,omitempty"`
	LostAt time.Time `json:"lost_at,omitzero"`

	path string
}

// recordID is the identity of a record, "" where it is not known.
type recordID string

// UnmarshalJSON reads what an earlier version remembered too: that, and not what.
func (r *recordID) UnmarshalJSON(b []byte) error {
	if string(b) == "true" {
		*r = ""
		return nil
	}
	return json.Unmarshal(b, (*string)(r))
}

// begun is how far a file has come: the server has it up to byte Sure, in pieces the
// last of which has the number Seq there, 0 for none. What follows is cut into pieces of so
// many bytes, and into wide ones up to byte Wide. At is when the last was confirmed.
type begun struct {
	Upload string    `json:"parcel"`
	Sure   int64     `json:"sure"`
	Seq    uint64    `json:"seq"`
	Piece  int64     `json:"piece"`
	Wide   int64     `json:"wide,omitempty"`
	At     time.Time `json:"at,omitzero"`
}

// next is how long the piece is that begins at a byte.
func (b *begun) next(at int64) int64 {
	if at < b.Wide {
		return wide * b.Piece
	}
	return b.Piece
}

func (m *memory) carries() int64 {
	if m.Carries == 0 {
		return usualCarries
	}
	return m.Carries
}

type delivered struct {
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
	// Changed is when the file last changed: one that is as it was then is not
	// read again.
	Changed time.Time `json:"changed"`
	// Removed says that the local copy has gone since.
	Removed bool `json:"removed,omitempty"`
}

func readMemory(dir string) (*memory, error) {
	m := &memory{path: filepath.Join(dir, "delivered.json")}
	b, err := os.ReadFile(m.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, err
	default:
		if err := json.Unmarshal(b, m); err != nil {
			// Torn or damaged: everything is offered again.
			*m = memory{path: m.path, Failure: fmt.Sprintf("%s cannot be read and was begun anew: %v", m.path, err)}
		}
	}
	m.begin(m.Stay)
	return m, nil
}

// begin turns to a stay; what was delivered of another is forgotten.
func (m *memory) begin(stay string) {
	if m.Stay != stay || m.Records == nil || m.Files == nil {
		m.Stay, m.Records, m.Files = stay, map[string]recordID{}, map[string]delivered{}
	}
}

// write puts the memory onto the medium as a whole, or not at all.
func (m *memory) write() error {
	b, err := json.Marshal(m)
	if err != nil {
		return err
	}
	return durable.WriteFile(m.path, b)
}
