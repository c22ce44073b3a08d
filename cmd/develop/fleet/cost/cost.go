// Package cost says what a step took of the machine.
package cost

import (
	"io/fs"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// Used is the processor time of this process so far, UsedByChildren that of those it has
// waited for.
func Used() time.Duration           { return processor(unix.RUSAGE_SELF) }
func UsedByChildren() time.Duration { return processor(unix.RUSAGE_CHILDREN) }

func processor(who int) time.Duration {
	u := usage(who)
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// Peak is the greatest memory of this process so far, in kilobytes.
func Peak() int64 { u := usage(unix.RUSAGE_SELF); return u.Maxrss }

func usage(who int) (u unix.Rusage) {
	if err := unix.Getrusage(who, &u); err != nil {
		return unix.Rusage{}
	}
	return u
}

// Size is how many files a folder has, and their bytes.
func Size(dir string) (files int, bytes int64) {
	filepath.WalkDir(dir, func(_ string, e fs.DirEntry, err error) error { //nolint:errcheck // what is gone is none
		if err == nil && !e.IsDir() {
			if info, err := e.Info(); err == nil {
				files, bytes = files+1, bytes+info.Size()
			}
		}
		return nil
	})
	return files, bytes
}
