package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"joltwatch/detect"
	"joltwatch/storage"
)

// The recording tsc1.log of the research data set named at truckLog, as
// truck-release.log.gz: the same truck, whose converter clutch holds through
// two downshifts and lets go at its end. Seen in it by hand: the lockup bits
// are cleared at 25.378 s and the speeds part at 25.555 s.
const (
	truckClearedS = 25.378
	truckPartedS  = 25.555
)

// releaseLog reads the lines of the recording.
func releaseLog(t *testing.T) []string {
	dir := os.Getenv("JOLTWATCH_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "captures")
	}
	f, err := os.Open(filepath.Join(dir, "truck-release.log.gz"))
	if err != nil {
		t.Skipf("the truck recording with a release is not here (%v); set JOLTWATCH_CAPTURES to its folder", err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	s := bufio.NewScanner(z)
	for s.Scan() {
		lines = append(lines, s.Text())
	}
	if err := s.Err(); err != nil {
		t.Fatal(err)
	}
	return lines
}

// clearedFrom returns the recording with the lockup bits (SAE J1939-71 SPN 573,
// bits 3 and 4 of byte 1 of PGN 61442) cleared from the instant on: the same
// speeds, told to part earlier.
func clearedFrom(t *testing.T, lines []string, atS float64) []byte {
	const id, head = " 0CF00203 ", "[8]  "
	var b bytes.Buffer
	cleared := 0
	for _, l := range lines {
		var s float64
		if k := strings.Index(l, head); k >= 0 && strings.Contains(l, id) {
			if _, err := fmt.Sscanf(strings.TrimSpace(l), "(%f)", &s); err != nil {
				t.Fatalf("%q: %v", l, err)
			}
			if s >= atS {
				k += len(head)
				x, err := strconv.ParseUint(l[k:k+2], 16, 8)
				if err != nil {
					t.Fatalf("%q: %v", l, err)
				}
				l = l[:k] + fmt.Sprintf("%02X", x&^0x0c) + l[k+2:]
				cleared++
			}
		}
		b.WriteString(l + "\n")
	}
	if cleared == 0 {
		t.Fatal("no lockup bits in the recording")
	}
	return b.Bytes()
}

// Recorded ripple, recorded shifts, and a lag that is known: whatever the
// instant at which the truck's clutch is told to let go, the whole line says
// how long it took, and calls it late where it was.
func TestTruckInjectedLag(t *testing.T) {
	lines := releaseLog(t)
	const limitS = 0.6
	groups := []struct {
		name         string
		from, to, by float64
	}{
		{"under drive, before the 3-4 shift", 7, 15.6, 0.6},
		{"in overrun, up to the 3-2 shift", 17.2, 23.4, 0.25},
		{"in and after the 3-2 shift", 23.6, truckClearedS, 0.125},
	}
	n, right, inside := 0, 0, 0
	for _, g := range groups {
		gn, gr, gi := 0, 0, 0
		for at := g.from; at < g.to; at += g.by {
			ok, in, said := injected(t, lines, at, limitS)
			gn++
			if ok {
				gr++
			}
			if in {
				gi++
			}
			if !ok || !in {
				t.Logf("told at %.3f s, lag %.3f s: %s", at, truckPartedS-at, said)
			}
		}
		t.Logf("%s: right class %d of %d, truth inside the interval %d of %d", g.name, gr, gn, gi, gn)
		n, right, inside = n+gn, right+gr, inside+gi
	}
	if share := 100 * float64(right) / float64(n); share < 95 {
		t.Errorf("right class in %d of %d, %.0f %%, want 95 %%", right, n, share)
	}
	if share := 100 * float64(inside) / float64(n); share < 95 {
		t.Errorf("truth inside the interval in %d of %d, %.0f %%, want 95 %%", inside, n, share)
	}
}

// commandedTruck is the truck's file where its lockup bits are the command: they
// are what is injected.
func commandedTruck(t *testing.T) string {
	path := truckVehicle(t)
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteString("[detect.release_lag]\nstate_delay_s = 0\n"); err != nil {
		t.Fatal(err)
	}
	return path
}

// injected runs the line on the recording with the bits cleared from the
// instant on and judges what it says of that release.
func injected(t *testing.T, lines []string, atS, limitS float64) (right, inside bool, said string) {
	dir := t.TempDir()
	log := filepath.Join(dir, "truck.log")
	if err := os.WriteFile(log, clearedFrom(t, lines, atS), 0o600); err != nil {
		t.Fatal(err)
	}
	stay := filepath.Join(dir, "stay")
	var out, errs bytes.Buffer
	if code := Main([]string{"run", "--vehicle", commandedTruck(t), "--from", log, "--store", stay}, nil, &out, &errs); code != 0 {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
	s, err := storage.Read(stay)
	if err != nil {
		t.Fatal(err)
	}
	lag := truckPartedS - atS
	said = "nothing"
	for _, e := range s.Events() {
		f := &e.Finding
		if f.Kind != detect.KindReleaseLag || math.Abs(f.Start.Seconds()-atS) > 0.3 {
			continue
		}
		lo, _ := f.Get("lag_min_s")
		hi, bounded := f.Get("lag_max_s")
		if !bounded {
			hi = math.Inf(1)
		}
		said = fmt.Sprintf("%v, %.3f to %.3f s", f.Class, lo, hi)
		// Half a sample period of the speeds is how well the eye can tell; an
		// interval that is wide holds everything.
		const eyeS, wideS = 0.010, 0.3
		right = (f.Class == detect.ReleaseLate) == (lag > limitS)
		if math.Abs(lag-limitS) < 0.05 {
			right = f.Class == detect.ReleaseLate || f.Class == detect.Normal
		}
		return right, lo-eyeS <= lag && lag <= hi+eyeS && hi-lo <= wideS, said
	}
	return false, false, said
}
