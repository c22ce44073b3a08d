package invented

import (
	"fmt"

	"joltwatch/bus"
	"joltwatch/storage"
	"joltwatch/stream"
)

// Store writes the whole stay of vehicle i into a new store, as the program in
// the vehicle does it: a run a drive, each event when it has ended. There are no
// frames in it, and so no traces.
func (f *Fleet) Store(i int, dir string) error {
	for day := range f.Days {
		for _, d := range f.Day(i, day) {
			if err := f.writeRun(dir, i, &d); err != nil {
				return fmt.Errorf("%s: %w", f.Name(i), err)
			}
		}
	}
	return nil
}

func (f *Fleet) writeRun(dir string, i int, d *Drive) error {
	o := storage.Options{Plan: &stream.Plan{Vehicle: f.Name(i), Buses: []string{"powertrain"}}, Label: "van (invented)", Program: "invented",
		Boot: fmt.Sprintf("invented-%d-%d", i, d.Run), Clock: bus.Clock{Known: true, Zero: bus.Micros(d.Start.UnixMicro())}, RingBytes: 1 << 20}
	w, _, err := storage.Open(dir, o)
	if err != nil {
		return err
	}
	for k := range d.Findings {
		x := d.Findings[k]
		if err := w.Tick(x.End + bus.Second); err != nil {
			return err
		}
		if err := w.Event(&x, nil); err != nil {
			return err
		}
	}
	if err := w.Account(&d.Account); err != nil {
		return err
	}
	return w.Close()
}
