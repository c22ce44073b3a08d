package storage

import (
	"fmt"

	"joltwatch/bus"
)

// SetStayClock tells a store what wall time instant 0 of a boot was, from
// outside of the run that may be writing to it. It counts for all runs of that
// boot that never learn the time themselves.
func SetStayClock(dir, boot string, clock bus.Clock) error {
	if !clock.Known {
		return fmt.Errorf("%s: no time given", dir)
	}
	if len(boot) > maxBootID {
		return fmt.Errorf("%s: boot identifier %q is longer than %d bytes", dir, boot, maxBootID)
	}
	return setStayClock(OS(dir), boot, clock)
}

func setStayClock(fsys FS, boot string, clock bus.Clock) error {
	if err := fsys.Make(); err != nil {
		return err
	}
	files, err := fsys.List()
	if err != nil {
		return err
	}
	run := uint32(0)
	for _, f := range files {
		if kind, n, _, ok := parseName(f.Name()); ok && kind == clockFile {
			run = max(run, n)
		}
	}
	run++
	payload, err := marshal(clockRecord{Boot: boot, Clock: clock})
	if err != nil {
		return err
	}
	b := header{version: Version, kind: clockFile, run: run, part: 1, boot: boot}.append(nil)
	b = appendBlock(b, blockClock, codedRaw, 0, payload)
	name := fileName(clockFile, run, 1)
	// Under another name first, so that a cut leaves all of it or nothing.
	f, err := fsys.Create(name + unfinished)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = fsys.Rename(name+unfinished, name)
	}
	if err == nil {
		err = fsys.SyncDir()
	}
	if err != nil {
		fsys.Remove(name + unfinished) //nolint:errcheck // err says more
		return fmt.Errorf("%s: %w", name, err)
	}
	p, err := parseFile(name, b)
	if err == nil {
		err = markClock(fsys, markOf(p))
	}
	return err
}
