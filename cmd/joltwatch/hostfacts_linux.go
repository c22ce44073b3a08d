package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// nearest returns dir, or its nearest parent that exists.
func nearest(dir string) string {
	for {
		_, err := os.Stat(dir)
		up := filepath.Dir(dir)
		if !errors.Is(err, os.ErrNotExist) || up == dir {
			return dir
		}
		dir = up
	}
}

// freeBytes returns the room left for ordinary users on the file system of dir.
func freeBytes(dir string) (int64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, &os.PathError{Op: "statfs", Path: dir, Err: err}
	}
	return int64(st.Bavail) * int64(st.Bsize), nil
}

// undervoltage returns the sensors of hwmon that report a supply below what the
// board needs (the kernel's documentation, hwmon/sysfs-interface:
// in*_lcrit_alarm).
func undervoltage(hwmon string) (alarms []string) {
	files, _ := filepath.Glob(filepath.Join(hwmon, "*", "in*_lcrit_alarm")) // the pattern is good
	for _, f := range files {
		v, err := os.ReadFile(f)
		if err != nil || strings.TrimSpace(string(v)) != "1" {
			continue
		}
		name, err := os.ReadFile(filepath.Join(filepath.Dir(f), "name"))
		if err != nil {
			name = []byte(filepath.Base(filepath.Dir(f)))
		}
		alarms = append(alarms, strings.TrimSpace(string(name)))
	}
	return alarms
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
