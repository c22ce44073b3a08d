package intake

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"joltwatch/storage/wire"
)

// What is set aside is bounded, so that a hostile vehicle fills no disk: the
// oldest go.
const (
	maxParked      = 1000
	maxParkedBytes = 64 << 20
)

// parking keeps messages that could not be taken, each with the reason.
type parking struct{ dir string }

// Parked is a message that could not be taken.
type Parked struct {
	Subject string `json:"subject"`
	Reason  string `json:"reason"`
	// Body is the message as it came.
	Body []byte `json:"body"`
}

func (p *parking) park(subject string, body []byte, reason error) error {
	if err := os.MkdirAll(p.dir, 0o700); err != nil {
		return err
	}
	b, err := json.Marshal(Parked{subject, reason.Error(), body})
	if err != nil {
		return err
	}
	// Named by what it is: a message that comes again takes no more room.
	path := filepath.Join(p.dir, wire.Identity(append([]byte(subject+"\n"), body...))+".json")
	if err := os.WriteFile(path+".new", b, 0o600); err != nil {
		return err
	}
	return errors.Join(os.Rename(path+".new", path), p.trim())
}

func (p *parking) trim() error {
	entries, err := os.ReadDir(p.dir)
	if err != nil {
		return err
	}
	var files []os.FileInfo
	total := int64(0)
	for _, e := range entries {
		if info, err := e.Info(); err == nil && strings.HasSuffix(e.Name(), ".json") {
			files = append(files, info)
			total += info.Size()
		}
	}
	slices.SortFunc(files, func(a, b os.FileInfo) int { return a.ModTime().Compare(b.ModTime()) })
	for len(files) > maxParked || total > maxParkedBytes {
		if err := os.Remove(filepath.Join(p.dir, files[0].Name())); err != nil {
			return err
		}
		total -= files[0].Size()
		files = files[1:]
	}
	return nil
}
