package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"joltwatch/storage"
)

// haltFile lies in a stay into which a recording was replayed in part.
const haltFile = "halted.json"

// halt says how far an interrupted replay came. The detectors' state is not
// kept: it is made again from the frames before, whose findings are in the stay.
type halt struct {
	Boot   string `json:"recording"`
	Frames uint64 `json:"frames"`
	// History is what the stay had learned before the recording.
	History []byte `json:"history"`
}

// readHalt returns how far the recording in came, if it was interrupted.
func readHalt(dir, boot string) (halt, error) {
	var x halt
	text, err := os.ReadFile(filepath.Join(dir, haltFile))
	if errors.Is(err, os.ErrNotExist) {
		return halt{}, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &x)
	}
	if err != nil {
		return halt{}, fmt.Errorf("%s: %w", filepath.Join(dir, haltFile), err)
	}
	if x.Boot != boot {
		return halt{}, nil
	}
	return x, nil
}

// write puts it into the stay.
func (x *halt) write(dir string) error {
	text, err := json.Marshal(x)
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, haltFile), append(text, '\n'), 0o600)
}

// interrupted is an end before the end of the work.
type interrupted struct{ error }

// ExitCode is what a shell gives a program that an interrupt ended.
func (interrupted) ExitCode() int { return 130 }

// errInterrupted is what pump returns when it was told to stop.
var errInterrupted = errors.New("interrupted")

// stop ends a replay in the middle: what is under way stays open, so that it is
// found whole when the recording is run again.
func (c *runCmd) stop(l *line, x halt) error {
	if err := l.store.Close(); err != nil {
		return err
	}
	x.Frames = l.pushed
	if err := x.write(c.Store); err != nil {
		return err
	}
	return interrupted{fmt.Errorf("interrupted after %d frames, %.0f s of the recording; run the same again to go on from there", l.pushed, (l.last - l.first).Seconds())}
}

// resume prepares the line for going on after x, or for a recording from its
// start, where the stay must not hold it yet.
func (c *runCmd) resume(in *input, l *line) (halt, error) {
	if in.live {
		return halt{}, nil
	}
	x, err := readHalt(c.Store, in.boot)
	if err != nil {
		return x, err
	}
	if x.Boot != "" {
		l.muted, l.before = x.Frames, x.History
		return x, nil
	}
	if err := refuseRepeat(c.Store, in); err != nil {
		return x, err
	}
	x.Boot = in.boot
	history, err := storage.ReadHistory(c.Store)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return x, err
	}
	x.History = history
	return x, nil
}
