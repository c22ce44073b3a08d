package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"joltwatch/bus"
)

const (
	// patience is how long the machine may take for anything that is not the
	// replay; it is emulated, on a host that may be busy.
	patience = 5 * time.Minute
	// perFolder is how many cuts a store gets before a new one is begun, so
	// that checking stays short.
	perFolder = 10
)

// script is what the machine does, from the moment that its state is kept.
const script = `exec </dev/ttyS1
echo @ready
read word folder boot
mount -t ext4 /dev/vda /mnt || echo @failed mount
./powercut list /mnt/$folder || echo @failed list
echo @listed
./powercut replay /mnt/$folder drive.log.zst vehicle.toml $boot
echo @failed replay
`

// tally is what a store has acknowledged.
type tally struct {
	acked map[string]string
	told  map[string]bus.Micros // the latest account, by run
	first map[string]bus.Micros // and the first
	// total counts over all stores.
	cuts, acks, repaired, early int
}

func cutOften(n int, seed uint64, drive, work string) error {
	if err := prepare(drive, work); err != nil {
		return err
	}
	work, err := filepath.Abs(work)
	if err != nil {
		return err
	}
	disk, state := filepath.Join(work, "disk.img"), filepath.Join(work, "state")
	began := time.Now()
	m, err := start(work, disk, "")
	if err != nil {
		return err
	}
	if _, err = m.until("@ready", func(string) {}); err == nil {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		err = keep(ctx, work, state)
		cancel()
	}
	m.kill()
	if err != nil {
		return err
	}
	fmt.Printf("powercut: machine started and its state kept in %.0f s\n", time.Since(began).Seconds())

	r := rand.New(rand.NewPCG(seed, 0))
	t := &tally{}
	// The run after the last cut only checks.
	for i := range n + 1 {
		if i%perFolder == 0 || t.acked == nil {
			if i > 0 {
				// Look at the old store once more before it is left.
				if err := t.once(work, disk, state, r, (i-1)/perFolder, i, false); err != nil {
					return fmt.Errorf("after cut %d: %w", i, err)
				}
			}
			t.acked, t.told, t.first = map[string]string{}, map[string]bus.Micros{}, map[string]bus.Micros{}
		}
		if i == n && i%perFolder == 0 {
			break
		}
		if err := t.once(work, disk, state, r, i/perFolder, i, i < n); err != nil {
			return fmt.Errorf("after cut %d: %w", i, err)
		}
		if (i+1)%10 == 0 {
			fmt.Printf("powercut: %d cuts in %.0f s, %d acknowledged events, all on file with their frames\n", t.cuts, time.Since(began).Seconds(), t.acks)
		}
	}
	fmt.Printf("powercut: %d cuts (%d of them while the last was being repaired or checked), %d events acknowledged, none lost; %d starts found an unfinished end and put it right; %.0f s\n",
		t.cuts, t.early, t.acks, t.repaired, time.Since(began).Seconds())
	return nil
}

// once resumes the machine, checks what is on file, replays, and cuts.
func (t *tally) once(work, disk, state string, r *rand.Rand, folder, number int, replay bool) error {
	m, err := start(work, disk, state)
	if err != nil {
		return err
	}
	defer m.kill()
	if _, err := fmt.Fprintf(m.in, "go stay-%d boot-%d\n", folder, number); err != nil {
		return err
	}
	// Some cuts hit the repair itself, or the look at what is on file.
	var after <-chan time.Time
	early := replay && r.IntN(8) == 0
	if early {
		after = time.After(time.Duration(r.IntN(2500)) * time.Millisecond)
	}
	have := map[string]string{}
	latest := map[string]bus.Micros{}
	listed := false
	deadline := time.After(patience)
	for {
		select {
		case line, ok := <-m.lines:
			if !ok {
				return errors.New("the machine ended by itself; see its console")
			}
			w := strings.Fields(line)
			if len(w) == 0 {
				continue
			}
			switch {
			case w[0] == "@failed" || w[0] == "trouble" || w[0] == "powercut:":
				return fmt.Errorf("inside: %s", line)
			case w[0] == "state" && len(w) == 2 && w[1] == "damaged":
				return fmt.Errorf("the store is damaged")
			case w[0] == "have" && len(w) == 3:
				have[w[1]] = w[2]
			case w[0] == "account" && len(w) == 3:
				latest[w[1]] = micros(w[2])
			case w[0] == "@listed":
				listed = true
				if err := t.compare(have, latest); err != nil {
					return err
				}
				if !replay {
					return nil
				}
			case w[0] == "opened":
				if len(w) > 2 {
					t.repaired++
				}
				if after == nil {
					after = time.After(time.Duration(20+r.IntN(2500)) * time.Millisecond)
				}
			case w[0] == "told" && len(w) == 3:
				t.told[w[1]] = micros(w[2])
				if _, ok := t.first[w[1]]; !ok {
					t.first[w[1]] = micros(w[2])
				}
			case w[0] == "ack" && len(w) == 3:
				t.acknowledged(w)
			}
		case <-after:
			m.cmd.Process.Kill() //nolint:errcheck // the cut
			// What had been said before the cut counts.
			for line := range m.lines {
				if w := strings.Fields(line); len(w) == 3 && w[0] == "ack" && len(w[2]) == 16 {
					t.acknowledged(w)
				}
			}
			t.cuts++
			if !listed {
				t.early++
			}
			return nil
		case <-deadline:
			return errors.New("the machine takes too long")
		}
	}
}

// acknowledged takes the words of an acknowledgement: ack, the event, its frames.
func (t *tally) acknowledged(w []string) {
	t.acked[w[1]] = w[2]
	t.acks++
}

// compare holds what is on file against what was acknowledged and told.
func (t *tally) compare(have map[string]string, latest map[string]bus.Micros) error {
	for id, h := range t.acked {
		switch got, ok := have[id]; {
		case !ok:
			return fmt.Errorf("event %s was acknowledged and is not on file", id)
		case got != h:
			return fmt.Errorf("event %s is on file with other frames", id)
		}
	}
	for run, told := range t.told {
		// An account comes every second.
		if missing := told - max(latest[run], t.first[run]); missing > accountEvery+bus.Second {
			return fmt.Errorf("run %s: the account on file ends %.1f s before the last that was told", run, missing.Seconds())
		}
	}
	return nil
}

func micros(s string) bus.Micros {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return 0
	}
	return bus.Micros(n)
}

// until reads lines up to the wanted one.
func (m *machine) until(want string, each func(string)) (string, error) {
	deadline := time.After(patience)
	for {
		select {
		case line, ok := <-m.lines:
			if !ok {
				return "", errors.New("the machine ended by itself; see its console")
			}
			if strings.TrimSpace(line) == want {
				return line, nil
			}
			each(line)
		case <-deadline:
			return "", fmt.Errorf("the machine has not said %s for %v", want, patience)
		}
	}
}

// prepare makes the disk and what the machine starts with.
func prepare(drive, work string) error {
	if out, err := exec.Command(".ci/vm/build").CombinedOutput(); err != nil {
		return fmt.Errorf(".ci/vm/build: %w: %s", err, out)
	}
	payload := filepath.Join(work, "root", "payload")
	if err := os.RemoveAll(work); err != nil {
		return err
	}
	if err := os.MkdirAll(payload, 0o755); err != nil {
		return err
	}
	build := exec.Command("go", "build", "-o", filepath.Join(payload, "powercut"), "./cmd/develop/powercut")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOARCH=amd64")
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("go build: %w: %s", err, out)
	}
	entries, err := os.ReadDir(drive)
	if err != nil {
		return err
	}
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(drive, e.Name()))
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(payload, e.Name()), data, 0o644); err != nil {
			return err
		}
	}
	if err := os.WriteFile(filepath.Join(payload, ".start"), []byte(script), 0o755); err != nil {
		return err
	}
	disk := filepath.Join(work, "disk.img")
	for _, c := range [][]string{
		{"sh", "-c", `{ cat build/vm/base.cpio.gz; (cd "$0/root" && find . | cpio -o -H newc --quiet | gzip -1); } >"$0/initrd"`, work},
		{"truncate", "-s", "256M", disk},
		// Blocks as on a card; of itself mkfs makes smaller ones on so small a disk.
		{"mkfs.ext4", "-q", "-F", "-b", "4096", disk},
	} {
		if out, err := exec.Command(c[0], c[1:]...).CombinedOutput(); err != nil {
			return fmt.Errorf("%s: %w: %s", c[0], err, out)
		}
	}
	return nil
}
