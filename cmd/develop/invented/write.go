package invented

import (
	"fmt"
	"slices"

	"joltwatch/bus"
	"joltwatch/storage"
	"joltwatch/storage/review"
)

// Write writes a stay made by Week into a store, one run a drive, the way the
// monitor does: frames as they come, each event when it has ended.
func Write(s *review.Stay, dir string) error {
	for i := range s.Drives {
		d := &s.Drives[i]
		var events []*review.Event
		for j := range s.Events {
			if s.Events[j].Boot == d.Boot {
				events = append(events, &s.Events[j])
			}
		}
		slices.SortStableFunc(events, func(a, b *review.Event) int { return int((a.End - b.End) / 1000) })
		frames, err := s.Frames(d.Boot, 0, d.Account.End)
		if err != nil {
			return err
		}
		w, _, err := storage.Open(dir, storage.Options{Plan: s.Plan, Settings: []byte(s.Settings), Label: s.Label,
			Program: "joltwatch invented", Boot: fmt.Sprintf("boot-%d", d.Boot), Clock: d.Clock})
		if err != nil {
			return err
		}
		for k := range frames {
			w.Frame(&frames[k])
			for len(events) > 0 && frames[k].At > events[0].End+bus.Second {
				f := events[0].Finding
				if err := w.Event(&f, events[0].Percentiles); err != nil {
					return err
				}
				events = events[1:]
			}
		}
		for _, e := range events {
			f := e.Finding
			if err := w.Event(&f, e.Percentiles); err != nil {
				return err
			}
		}
		if err := w.Account(&d.Account); err != nil {
			return err
		}
		if err := w.Close(); err != nil {
			return err
		}
	}
	return nil
}

// Cut leaves only the first drives of a stay.
func Cut(s *review.Stay, drives int) {
	s.Drives = s.Drives[:drives]
	s.Events = slices.DeleteFunc(s.Events, func(e review.Event) bool { return e.Boot > uint32(drives) })
}
