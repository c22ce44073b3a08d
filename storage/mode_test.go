package storage_test

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"joltwatch/bus"
	"joltwatch/storage"
)

// With GroupRead the group may read everything, also in a folder that was begun
// without, and whatever the umask; it may write nothing.
func TestGroupRead(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0o077))
	dir := filepath.Join(t.TempDir(), "stay")
	for run, group := range []bool{false, true} {
		opt := options()
		opt.GroupRead = group
		w, _, err := storage.Open(dir, opt)
		must(t, err)
		for _, f := range testFrames(1, 0, 60*bus.Second) {
			w.Frame(&f)
		}
		must(t, w.Event(finding("release-lag", 50*bus.Second, 1, true), nil))
		must(t, w.Close())
		entries, err := os.ReadDir(dir)
		must(t, err)
		for _, e := range entries {
			i, err := e.Info()
			must(t, err)
			want := os.FileMode(0o600)
			if group && (e.Name() == "lock" || e.Name()[:6] == "000002") {
				want = 0o640
			}
			if i.Mode().Perm() != want {
				t.Errorf("run %d: %s has mode %o, want %o", run+1, e.Name(), i.Mode().Perm(), want)
			}
		}
		want := os.FileMode(0o700)
		if group {
			want = 0o750
		}
		if i, err := os.Stat(dir); err != nil || i.Mode().Perm() != want {
			t.Errorf("run %d: the folder has mode %o, want %o", run+1, i.Mode().Perm(), want)
		}
	}
}

// Root may tell a stay the time, before it begins and later; the account that
// records goes on being able to read it.
func TestRootLeavesTheStayToItsOwner(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root, to make files of another account")
	}
	const uid, gid = 4321, 4322
	home := t.TempDir()
	must(t, os.Chown(home, uid, gid))
	dir := filepath.Join(home, "stay")
	for range 2 {
		must(t, storage.SetStayClock(dir, "boot-a", bus.Clock{Known: true, Zero: 1e15}))
	}
	w, _, err := storage.Open(dir, options())
	must(t, err)
	must(t, w.Close())
	must(t, filepath.Walk(dir, func(path string, i os.FileInfo, err error) error {
		must(t, err)
		if st := i.Sys().(*syscall.Stat_t); st.Uid != uid || st.Gid != gid {
			t.Errorf("%s belongs to %d:%d", path, st.Uid, st.Gid)
		}
		return nil
	}))
}
