package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"joltwatch/bus"
)

// written is what the disk was told to write since the start.
type written struct{ requests, bytes, flushes int64 }

// diskstats reads it; the fields are those of Documentation/admin-guide/iostats.rst in the
// kernel's source: 8 writes completed, 10 sectors of 512 bytes written, 19 flushes (here
// counted from 1 with the numbers and the name of the device).
func diskstats(device string) (w written, err error) {
	b, err := os.ReadFile("/proc/diskstats")
	if err != nil {
		return w, err
	}
	for line := range strings.Lines(string(b)) {
		f := strings.Fields(line)
		if len(f) < 20 || f[2] != device {
			continue
		}
		_, err = fmt.Sscan(strings.Join([]string{f[7], f[9], f[18]}, " "), &w.requests, &w.bytes, &w.flushes)
		w.bytes *= 512
		return w, err
	}
	return w, fmt.Errorf("/proc/diskstats has no %s with the counts of flushes", device)
}

// inside mounts the disk, replays the drive and says what was written. The stay has had
// a drive before, as any has but the first of a stay; mounting and unmounting, which a
// cut leaves out, is not counted, what is still to be written to its place is.
func inside(drive string) error {
	if err := syscall.Mount("/dev/vda", "/mnt", "ext4", syscall.MS_NOATIME, ""); err != nil {
		return err
	}
	if _, err := replay(drive, 3600*bus.Second, false); err != nil {
		return err
	}
	syscall.Sync()
	before, err := diskstats("vda")
	if err != nil {
		return err
	}
	driven, err := replay(drive, 0, true)
	if err != nil {
		return err
	}
	syscall.Sync()
	after, err := diskstats("vda")
	if err != nil {
		return err
	}
	hours := driven.Hours()
	fmt.Printf("%.1f min driven; in an hour: %.0f kB written in %.0f requests, %.0f blocks of 4 KiB, %.0f flushes\n", driven.Minutes(),
		float64(after.bytes-before.bytes)/1e3/hours, float64(after.requests-before.requests)/hours,
		float64(after.bytes-before.bytes)/4096/hours, float64(after.flushes-before.flushes)/hours)
	return nil
}

// replay gives the drive to the recorder, so much later than it was, and each frame when
// it is due or as fast as it takes them.
func replay(drive string, later bus.Micros, due bool) (driven time.Duration, err error) {
	src, err := bus.OpenLog(filepath.Join(drive, "drive.log.zst"), bus.LogOptions{Interfaces: []string{"can0"}})
	if err != nil {
		return 0, err
	}
	defer src.Close()
	cmd := exec.Command("./joltwatch", "run", "--vehicle", filepath.Join(drive, "vehicle.toml"), "--from", "-", "--store", "/mnt/store")
	cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		return 0, err
	}
	if err := cmd.Start(); err != nil {
		return 0, err
	}
	driven, err = pace(in, src, later, due)
	return driven, errors.Join(err, in.Close(), cmd.Wait())
}

func pace(to io.Writer, src *bus.TextLog, later bus.Micros, due bool) (driven time.Duration, err error) {
	out := bufio.NewWriter(to)
	batch := make([]bus.Frame, 64)
	var line []byte
	var first bus.Micros
	start := time.Now()
	for {
		n, err := src.Read(batch)
		for i := range batch[:n] {
			if first == 0 {
				first = batch[i].At
			}
			driven = time.Duration(batch[i].At-first) * time.Microsecond
			batch[i].At += later
			line = bus.AppendLogLine(line[:0], &batch[i], "can0")
			if _, err := out.Write(line); err != nil {
				return driven, err
			}
		}
		if err := out.Flush(); err != nil {
			return driven, err
		}
		if errors.Is(err, io.EOF) {
			return driven, nil
		}
		if err != nil {
			return driven, err
		}
		if due {
			time.Sleep(time.Until(start.Add(driven)))
		}
	}
}
