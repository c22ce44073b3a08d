package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"joltwatch/cmd/develop/joltsim/drive"
)

// weekCmd writes a long stay without holding it in memory.
type weekCmd struct {
	Out     string  `arg:"" help:"Folder for drive.log, vehicle.toml, the definition files and truth.jsonl; the log goes to standard output with --log -."`
	Vehicle string  `default:"van" help:"One of the invented vehicles."`
	Seed    uint64  `default:"1" help:"One seed gives one stay."`
	Hours   float64 `default:"40" help:"Driving hours."`
	Keys    int     `default:"60" help:"Key cycles."`
	Log     string  `help:"Where the log goes instead of OUT/drive.log; - is standard output."`
}

// Run simulates and writes as it goes.
func (c *weekCmd) Run() (err error) {
	if c.Hours <= 0 || c.Keys < 1 {
		return fmt.Errorf("week: %g hours in %d key cycles is no stay; both must be above 0", c.Hours, c.Keys)
	}
	sc, err := drive.Week(c.Vehicle, c.Seed, c.Hours, c.Keys)
	if err != nil {
		return err
	}
	s, err := drive.New(sc)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(c.Out, 0o755); err != nil {
		return err
	}
	var w io.Writer = os.Stdout
	if c.Log != "-" {
		path := c.Log
		if path == "" {
			path = filepath.Join(c.Out, "drive.log")
		}
		f, err := os.Create(path)
		if err != nil {
			return err
		}
		defer func() {
			if e := f.Close(); err == nil {
				err = e
			}
		}()
		w = f
	}
	out := bufio.NewWriterSize(w, 1<<16)
	var line []byte
	frames := 0
	for {
		batch, ok := s.Next()
		if !ok {
			break
		}
		frames += len(batch)
		line = drive.AppendLog(line[:0], batch, s.Layout().Buses)
		if _, err := out.Write(line); err != nil {
			return err
		}
	}
	if err := out.Flush(); err != nil {
		return err
	}
	if err := c.writeRest(s); err != nil {
		return err
	}
	fmt.Fprintf(os.Stderr, "%s: %d frames, %d drives, %d faults\n", sc.Name, frames, len(s.Truth().Drives), len(s.Truth().Injected))
	return nil
}

func (c *weekCmd) writeRest(s *drive.Sim) error {
	l := s.Layout()
	v, err := drive.VehicleByName(c.Vehicle)
	if err != nil {
		return err
	}
	texts, names := l.DBC(v.Name)
	for i, text := range texts {
		if err := os.WriteFile(filepath.Join(c.Out, names[i]), []byte(text), 0o644); err != nil {
			return err
		}
	}
	if err := os.WriteFile(filepath.Join(c.Out, "vehicle.toml"), []byte(l.VehicleTOML(v, names)), 0o644); err != nil {
		return err
	}
	f, err := os.Create(filepath.Join(c.Out, "truth.jsonl"))
	if err != nil {
		return err
	}
	if err := s.Truth().WriteLines(f); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}
