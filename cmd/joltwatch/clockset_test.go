package main

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/storage"
)

// A board without a clock of its own is told the time in the middle of a drive:
// wall time jumps by decades, the instants of frames go on as before, and so does
// the account of the drive.
func TestClockSetInADrive(t *testing.T) {
	for _, by := range []bus.Micros{56 * 365 * 86400 * bus.Second, -3600 * bus.Second} {
		h := quietHost()
		file, l := lineOf(t, h)
		dir := t.TempDir()
		if err := l.open(h, dir, storage.Options{Plan: file.Plan, Boot: "test"}); err != nil {
			t.Fatal(err)
		}
		all := frames(50 * 300)
		for i := range all {
			if i == 50*100 {
				f := bus.NewNotice(all[i].At, 0, bus.NoticeClockJump, int64(by))
				if err := l.Push(&f); err != nil {
					t.Fatal(err)
				}
			}
			if err := l.Push(&all[i]); err != nil {
				t.Fatal(err)
			}
		}
		s, err := storage.Read(dir) // as a cut of the power would leave it
		if err != nil {
			t.Fatal(err)
		}
		if a := s.Accounts(); len(a) != 1 || a[0].Start > bus.Second || a[0].End < 255*bus.Second || a[0].End > 300*bus.Second {
			t.Errorf("clock set by %v: accounts on file after 300 s: %+v", by, a)
		}
		if err := l.Finish(); err != nil {
			t.Fatal(err)
		}
	}
}
