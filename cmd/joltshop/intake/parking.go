package intake

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"joltwatch/storage/wire"
)

// What is set aside of one vehicle is bounded, so that a hostile one fills no disk
// and pushes out nothing of another: its oldest go.
const (
	maxParked      = 200
	maxParkedBytes = 16 << 20
)

// parking keeps messages that could not be taken, each with the reason, in a folder
// for each vehicle.
type parking struct{ dir string }

// Parked is a message that could not be taken.
type Parked struct {
	Subject string `json:"subject"`
	Reason  string `json:"reason"`
	// Body is the message as it came.
	Body []byte `json:"body"`
}

// SetAside is what was set aside of one vehicle.
type SetAside struct {
	Vehicle string
	Count   int
	// Last is when the last was, and Reason why.
	Last   time.Time
	Reason string
}

// SetAsideIn is what was set aside in a shop's folder since a time, by vehicle.
func SetAsideIn(dir string, since time.Time) (list []SetAside, err error) {
	vehicles, err := os.ReadDir(filepath.Join(dir, "parked"))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	for _, v := range vehicles {
		x := SetAside{Vehicle: v.Name()}
		folder := filepath.Join(dir, "parked", v.Name())
		entries, err := os.ReadDir(folder)
		if err != nil {
			continue // a file of an earlier version, which is of no vehicle
		}
		last := ""
		for _, e := range entries {
			info, err := e.Info()
			if err != nil || !strings.HasSuffix(e.Name(), ".json") || info.ModTime().Before(since) {
				continue
			}
			x.Count++
			if info.ModTime().After(x.Last) {
				x.Last, last = info.ModTime(), e.Name()
			}
		}
		if b, err := os.ReadFile(filepath.Join(folder, last)); x.Count > 0 && err == nil {
			var p Parked
			if json.Unmarshal(b, &p) == nil {
				x.Reason = p.Reason
			}
			list = append(list, x)
		}
	}
	return list, nil
}

func (p *parking) park(subject string, body []byte, reason error) error {
	dir := filepath.Join(p.dir, "unknown")
	if parts := strings.Split(subject, "."); len(parts) > 1 && wire.VehicleName(parts[1]) {
		dir = filepath.Join(p.dir, parts[1])
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	b, err := json.Marshal(Parked{subject, reason.Error(), body})
	if err != nil {
		return err
	}
	// Named by what it is: a message that comes again takes no more room.
	path := filepath.Join(dir, wire.Identity(append([]byte(subject+"\n"), body...))+".json")
	if err := os.WriteFile(path+".new", b, 0o600); err != nil {
		return err
	}
	return errors.Join(os.Rename(path+".new", path), trim(dir))
}

func trim(dir string) error {
	entries, err := os.ReadDir(dir)
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
		if err := os.Remove(filepath.Join(dir, files[0].Name())); err != nil {
			return err
		}
		total -= files[0].Size()
		files = files[1:]
	}
	return nil
}
