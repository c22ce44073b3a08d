package main

import (
	"errors"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// freeBytes returns the room left for ordinary users on the file system of
// dir, or of its nearest parent that exists.
func freeBytes(dir string) (int64, error) {
	for {
		var st unix.Statfs_t
		err := unix.Statfs(dir, &st)
		if err == nil {
			return int64(st.Bavail) * int64(st.Bsize), nil
		}
		up := filepath.Dir(dir)
		if !errors.Is(err, unix.ENOENT) || up == dir {
			return 0, &os.PathError{Op: "statfs", Path: dir, Err: err}
		}
		dir = up
	}
}

// cardSpeed is what a short test of the medium found.
type cardSpeed struct {
	WriteMBs float64 // sustained, megabytes a second
	SyncMs   float64 // the slowest of a few small synced writes, milliseconds
}

// tryCard writes 8 MiB in dir, synced, then eight small synced writes as the
// store makes them, and removes the file.
func tryCard(dir string) (cardSpeed, error) {
	f, err := os.CreateTemp(dir, ".speed-*")
	if err != nil {
		return cardSpeed{}, err
	}
	defer os.Remove(f.Name())
	defer f.Close()
	block := make([]byte, 1<<20)
	for i := range block {
		block[i] = byte(i * 7)
	}
	const blocks, small = 8, 8
	start := time.Now()
	for range blocks {
		if _, err := f.Write(block); err != nil {
			return cardSpeed{}, err
		}
	}
	if err := f.Sync(); err != nil {
		return cardSpeed{}, err
	}
	var s cardSpeed
	s.WriteMBs = blocks * float64(len(block)) / 1e6 / time.Since(start).Seconds()
	for range small {
		start = time.Now()
		if _, err := f.Write(block[:4096]); err != nil {
			return cardSpeed{}, err
		}
		if err := f.Sync(); err != nil {
			return cardSpeed{}, err
		}
		s.SyncMs = max(s.SyncMs, float64(time.Since(start).Microseconds())/1e3)
	}
	return s, nil
}
