package courier

import (
	"time"

	"joltwatch/storage/wire"
)

// Status is how delivery stands.
type Status struct {
	Vehicle string `json:"vehicle"`
	Records int    `json:"records"`
	Files   int    `json:"files"`
	// FileBytes are those files' own.
	FileBytes int64 `json:"file_bytes"`

	LeftRecords int       `json:"left_records"`
	LeftFiles   int       `json:"left_files"`
	LeftBytes   int64     `json:"left_bytes"`
	LastAt      time.Time `json:"last_at"`
	Failure     string    `json:"failure,omitempty"`
}

// Status looks at the store; it opens no connection.
func (c *Courier) Status() (*Status, error) {
	s := &Status{Vehicle: c.config.Vehicle, LastAt: c.memory.LastAt, Failure: c.memory.Failure}
	stay, ok, err := wire.StayOf(c.config.Store)
	if err != nil || !ok {
		return s, err
	}
	c.memory.begin(stay.ID)
	s.Records, s.Files = len(c.memory.Records), len(c.memory.Files)
	for _, d := range c.memory.Files {
		s.FileBytes += d.Size
	}
	w, err := c.look(stay)
	if err != nil {
		return nil, err
	}
	var left Round
	w.count(&left)
	s.LeftRecords, s.LeftFiles, s.LeftBytes = left.LeftRecords, left.LeftFiles, left.LeftBytes
	return s, nil
}
