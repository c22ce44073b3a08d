package intake

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// home is the folder of a vehicle.
type home struct {
	// used is what it takes, in bytes.
	used int64
	// outgrown is that the vehicle has no bucket.
	outgrown bool
}

func (in *intake) home(vehicle string) (*home, error) {
	if h, ok := in.homes[vehicle]; ok {
		return h, nil
	}
	dir, given := filepath.Join(in.Dir, "vehicles", vehicle), time.Now()
	if !in.Alone {
		given = given.Add(-unfinishedFor)
	}
	if err := clearUnfinished(dir, given); err != nil {
		return nil, err
	}
	used, err := sizeOf(dir)
	if err != nil {
		return nil, err
	}
	in.homes[vehicle] = &home{used: used}
	return in.homes[vehicle], nil
}

// unfinishedFor is after how long what was begun to be put together is given up: before,
// another intake may be at it, where there is one.
const unfinishedFor = time.Hour

// clearUnfinished removes what an intake that was stopped had begun to put together
// before a time.
func clearUnfinished(dir string, before time.Time) error {
	left, err := filepath.Glob(filepath.Join(dir, "*", incoming+"*"))
	for _, name := range left {
		if info, statErr := os.Stat(name); statErr == nil && info.ModTime().Before(before) {
			err = errors.Join(err, os.Remove(name))
		}
	}
	return err
}

func sizeOf(dir string) (sum int64, err error) {
	err = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil || d.IsDir() {
			return err
		}
		if info, err := d.Info(); err == nil {
			sum += info.Size()
		}
		return nil
	})
	return sum, err
}
