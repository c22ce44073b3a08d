package storage

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// StoreFile is one file of a store, as a courier sees it.
type StoreFile struct {
	Name string
	Size int64
	// Evidence says that it holds frames around events.
	Evidence bool
	// Finished says that no run appends to it any more. A later run may still
	// cut an unfinished end off it, or put a shorter file in its place.
	Finished bool
}

// Files lists the files of the store in dir, in the order of runs and parts. A
// store that a run is writing to can be listed at any time.
func Files(dir string) ([]StoreFile, error) {
	fsys := OS(dir)
	list, err := fsys.List()
	if err != nil {
		return nil, err
	}
	running := false
	if l, ok := fsys.(interface{ locked() bool }); ok {
		running = l.locked()
	}
	// The run that is going on is the last; of each kind of its files it
	// appends to the last part only.
	last := map[fileKind]uint32{}
	lastRun := uint32(0)
	for _, f := range list {
		if kind, run, _, ok := parseName(f.Name()); ok && kind != clockFile {
			lastRun = max(lastRun, run)
		}
	}
	for _, f := range list {
		if kind, run, part, ok := parseName(f.Name()); ok && run == lastRun {
			last[kind] = max(last[kind], part)
		}
	}
	var out []StoreFile
	for _, f := range sorted(list) {
		kind, run, part, _ := parseName(f.Name())
		out = append(out, StoreFile{
			Name: f.Name(), Size: f.Size(), Evidence: kind == evidenceFile,
			Finished: !running || run != lastRun || part != last[kind],
		})
	}
	return out, nil
}

// HeadName is the name of the head, which says how far the latest run of a store
// went, and changes in place.
const HeadName = headName

// Head returns the head of the store in dir as it stands; nil where it has none yet.
func Head(dir string) ([]byte, error) {
	b, err := OS(dir).ReadFile(headName)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if _, ok := parseHead(b); err != nil || !ok {
		return nil, err
	}
	return b, nil
}

// HeadNumber is the number of a head, which grows with each change of it; 0 where b is
// no head.
func HeadNumber(b []byte) uint32 {
	h, _ := parseHead(b)
	return h.Number
}

// CheckFileName refuses a name that no file of a store can have.
func CheckFileName(name string) error {
	if _, _, _, ok := parseName(name); !ok && name != headName {
		return fmt.Errorf("%.60q is no name of a store's file", name)
	}
	return nil
}

// deliveredSuffix, in place of a file of evidence's own, names the empty file
// that says that it is kept elsewhere.
const deliveredSuffix = ".delivered"

func deliveredName(evidence string) string {
	return strings.TrimSuffix(evidence, fileSuffix[evidenceFile]) + deliveredSuffix
}

// isDelivered reports whether name says that a file of evidence is kept
// elsewhere.
func isDelivered(name string) bool {
	stem, ok := strings.CutSuffix(name, deliveredSuffix)
	return ok && CheckFileName(stem+fileSuffix[evidenceFile]) == nil
}

// RemoveDelivered removes a finished file of evidence from the store in dir,
// which a run may be writing to, after something else keeps it durably. That it
// was delivered is on the medium before it goes; its events say so from then on.
func RemoveDelivered(dir, name string) error {
	if kind, _, _, ok := parseName(name); !ok || kind != evidenceFile {
		return fmt.Errorf("%.60q is no file of evidence", name)
	}
	fsys := OS(dir)
	f, err := os.OpenFile(filepath.Join(dir, deliveredName(name)), os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close(), fsys.SyncDir()); err != nil {
		return err
	}
	if err := fsys.Remove(name); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return fsys.SyncDir()
}
