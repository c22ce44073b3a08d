package wire

import (
	"fmt"
	"os"

	"joltwatch/storage"
)

// Stay is a store as a courier sees it.
type Stay struct {
	Dir string
	// ID identifies it: see StayOf.
	ID    string
	Files []storage.StoreFile
	// Head is the store's head; nil where there is none. It was read before the
	// files were listed, and so speaks of nothing that they lack.
	Head []byte

	store *storage.Store
	label string
}

// StayOf reads the store in dir, which a run may be writing to. Its identifier
// follows from the boot in which its first run began; a store begun anew has
// another. ok is false where nothing has been recorded yet.
func StayOf(dir string) (s *Stay, ok bool, err error) {
	head, err := storage.Head(dir)
	if err != nil {
		return nil, false, err
	}
	// Listed before it is read: a file that is finished then is finished in what is
	// read.
	files, err := storage.Files(dir)
	if err != nil {
		if os.IsNotExist(err) {
			return nil, false, nil
		}
		return nil, false, err
	}
	store, err := storage.Read(dir)
	if err != nil {
		return nil, false, err
	}
	boots := store.Boots()
	if len(boots) == 0 {
		return nil, false, nil
	}
	first, last := &boots[0], &boots[len(boots)-1]
	id := Identity(fmt.Appendf(nil, "%d %s", first.Number, first.ID))[:32]
	return &Stay{Dir: dir, ID: id, Files: files, Head: head, store: store, label: cut(last.Label, 200)}, true, nil
}

func cut(s string, most int) string { return s[:min(len(s), most)] }

// Keyed is a record and the key by which a courier remembers having sent it.
type Keyed struct {
	Key string
	Record
}

// Records returns what is to be known of the stay: its events, and the accounts
// of drives that have ended or were cut.
func (s *Stay) Records(vehicle string) []Keyed {
	base := Record{Version: recordVersion, Vehicle: vehicle, Stay: s.ID, Label: s.label}
	var out []Keyed
	for _, e := range s.store.Events() {
		r := base
		r.Kind, r.Run = KindEvent, e.Boot
		if at, ok := e.Wall(e.Finding.Start); ok {
			r.At = at.UnixMicro()
		}
		r.Event = &Event{ID: e.ID, StartUs: int64(e.Finding.Start), EndUs: int64(e.Finding.End), Finding: e.Finding, Percentiles: e.Percentiles, Evidence: e.Evidence}
		out = append(out, Keyed{"event " + e.ID, r})
	}
	boots := s.store.Boots()
	running := s.store.Health().Running
	for _, a := range s.store.Accounts() {
		if !a.Ended && running && a.Boot == boots[len(boots)-1].Number {
			continue
		}
		r := base
		r.Kind, r.Run = KindAccount, a.Boot
		if a.Clock.Known {
			r.At = int64(a.Clock.Zero + a.Start)
		}
		r.Account = &Account{a.Account}
		out = append(out, Keyed{fmt.Sprintf("account %d %d", a.Boot, a.Drive), r})
	}
	return out
}

// UnitRecord says how the unit fares at an instant, in microseconds since 1970
// UTC (0 where it does not know the time), with that much left to deliver.
func (s *Stay) UnitRecord(vehicle string, at int64, leftFiles int, leftBytes int64) (*Record, error) {
	free, err := storage.OS(s.Dir).Free()
	if err != nil {
		return nil, err
	}
	boots, health := s.store.Boots(), s.store.Health()
	last := boots[len(boots)-1]
	u := &Unit{Program: cut(last.Program, 100), QuotaBytes: last.Quota, FreeBytes: free, Runs: len(boots), Cut: health.Cut, LeftFiles: leftFiles, LeftBytes: leftBytes}
	const page = 4096
	for _, f := range s.Files {
		u.StoreBytes += (f.Size + page - 1) / page * page
	}
	const most = 10 // of the troubles, the latest
	for _, t := range health.Troubles[max(0, len(health.Troubles)-most):] {
		u.Troubles = append(u.Troubles, cut(t.What, 300))
	}
	return &Record{Version: recordVersion, Kind: KindUnit, Vehicle: vehicle, Stay: s.ID, Label: s.label, Run: last.Number, At: at, Unit: u}, nil
}
