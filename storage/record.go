package storage

import (
	"encoding/json"
	"fmt"
	"strings"

	"joltwatch/bus"
	"joltwatch/detect"
)

// The records of the journal are JSON objects, in compact form where that is
// shorter. A reader passes over fields it does not know.

// runRecord begins each journal file.
type runRecord struct {
	Program string     `json:"program"`
	Label   string     `json:"label"`
	Clock   *bus.Clock `json:"clock,omitempty"`
	// AccountEvery is that of the Options.
	AccountEvery bus.Micros `json:"account_every_us"`
	LookBack     bus.Micros `json:"look_back_us"`
	LookOn       bus.Micros `json:"look_on_us"`
	RingBytes    int64      `json:"ring_bytes"`
	Quota        int64      `json:"quota_bytes"`
	FreeFloor    int64      `json:"free_floor_bytes"`
}

// clockRecord says what wall time instant 0 of a boot was. At is the instant
// at which that became known.
type clockRecord struct {
	Boot  string     `json:"boot,omitempty"` // in clock files
	At    bus.Micros `json:"at_us,omitempty"`
	Clock bus.Clock  `json:"clock"`
}

// eventRecord is a finding with what a finding leaves to storage.
type eventRecord struct {
	// N counts the events of the run from 1; ID is what version 1 has instead.
	N     int           `json:"n,omitempty"`
	ID    string        `json:"id,omitempty"`
	Start bus.Micros    `json:"start_us"`
	End   bus.Micros    `json:"end_us"`
	From  bus.Micros    `json:"from_us,omitempty"`
	To    bus.Micros    `json:"to_us,omitempty"`
	State EvidenceState `json:"evidence"`
	// Parts are the evidence files of the run that hold the frames.
	Parts       []uint32            `json:"parts,omitempty"`
	Finding     detect.Finding      `json:"finding"`
	Percentiles []detect.Percentile `json:"percentiles,omitempty"`
}

// UnmarshalJSON reads a record of any version: in version 1 the percentiles were
// called places.
func (r *eventRecord) UnmarshalJSON(b []byte) error {
	type plain eventRecord
	x := struct {
		*plain
		Places []detect.Percentile `json:"places"`
	}{plain: (*plain)(r)}
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	if x.Places != nil {
		r.Percentiles = x.Places
	}
	return nil
}

// EvidenceState says whether the frames around an event are kept.
type EvidenceState string

const (
	// EvidenceKept: the frames of [From, To] are on file.
	EvidenceKept EvidenceState = "kept"
	// EvidenceInPart: some of them are; the others were removed, or lost. It
	// is what a reader finds, and never on file.
	EvidenceInPart EvidenceState = "in-part"
	// EvidenceNotAsked: the finding did not ask for them.
	EvidenceNotAsked EvidenceState = "not-asked"
	// EvidenceNoRoom: they were not written, or were removed, to stay within
	// the quota and the floor of free space.
	EvidenceNoRoom EvidenceState = "no-room"
	// EvidenceDelivered: they were removed after a courier had delivered them;
	// the shop has them.
	EvidenceDelivered EvidenceState = "delivered"
	// EvidenceLost: they should be there and are not.
	EvidenceLost EvidenceState = "lost"
)

// droppedRecord says which evidence files were removed to make room.
type droppedRecord struct {
	Files []string `json:"files"`
	Bytes int64    `json:"bytes"`
}

// Repair says what Open found in the store and put right by itself.
type Repair struct {
	// Cut counts the files that ended in the middle of a block, as a power
	// cut leaves them; their unfinished ends were removed.
	Cut []Damage `json:"cut,omitempty"`
	// Damaged is what was found bad in the middle of files; it is left as it
	// is, and what is sound around it is read.
	Damaged []Damage `json:"damaged,omitempty"`
	// Unended are the runs that did not end in order, by number.
	Unended []uint32 `json:"unended,omitempty"`
	// Removed are files of which nothing was sound, and unfinished copies.
	Removed []string `json:"removed,omitempty"`
}

// Empty reports whether there was nothing to put right.
func (r *Repair) Empty() bool {
	return len(r.Cut) == 0 && len(r.Damaged) == 0 && len(r.Removed) == 0
}

// String says in one line what was dropped, or nothing.
func (r Repair) String() string {
	var parts []string
	if n := len(r.Cut); n > 0 {
		var bytes int64
		var names []string
		for _, d := range r.Cut {
			bytes += d.Length
			names = append(names, fmt.Sprintf("%s at offset %d", d.File, d.Offset))
		}
		parts = append(parts, fmt.Sprintf("the last run was cut: dropped %d unfinished bytes (%s); nothing that was acknowledged was in them", bytes, strings.Join(names, ", ")))
	}
	if len(r.Removed) > 0 {
		parts = append(parts, "removed files that held nothing sound: "+strings.Join(r.Removed, ", "))
	}
	for _, d := range r.Damaged {
		parts = append(parts, d.Error()+" (left as it is; the rest is read)")
	}
	return strings.Join(parts, "; ")
}

// Usage is what a run has asked of the medium. Counts are of what the program
// wrote, not of what the file system and the card make of it; on file they
// stand without the very writing that carries them.
type Usage struct {
	// Stored counts the events that were acknowledged as stored.
	Stored        uint64 `json:"events_stored"`
	BytesWritten  uint64 `json:"bytes_written"`
	EvidenceBytes uint64 `json:"evidence_bytes"`
	JournalBytes  uint64 `json:"journal_bytes"`
	Syncs         uint64 `json:"syncs"`
	FilesMade     uint64 `json:"files_made"`
	FilesRemoved  uint64 `json:"files_removed"`
	// Refused counts writes and syncs that failed.
	Refused uint64 `json:"refused"`
	// NotStored counts events that were seen and could not be stored for
	// lack of room or because the medium refused.
	NotStored uint64 `json:"events_not_stored"`
}

func (u *Usage) wroteJournal(n int) {
	u.BytesWritten += uint64(n)
	u.JournalBytes += uint64(n)
}

func (u *Usage) add(v Usage) {
	u.Stored += v.Stored
	u.BytesWritten += v.BytesWritten
	u.EvidenceBytes += v.EvidenceBytes
	u.JournalBytes += v.JournalBytes
	u.Syncs += v.Syncs
	u.FilesMade += v.FilesMade
	u.FilesRemoved += v.FilesRemoved
	u.Refused += v.Refused
	u.NotStored += v.NotStored
}

// Trouble is something that kept the store from storing.
type Trouble struct {
	At   bus.Micros `json:"at_us"`
	What string     `json:"what"`
	// Over is true where it has ended; on file What says so.
	Over bool `json:"-"`
}

// Asking says on which buses nothing is asked, as it stood at an instant; none are
// named where all are asked.
type Asking struct {
	At     bus.Micros  `json:"at_us"`
	Silent []SilentBus `json:"silent,omitempty"`
}

// SilentBus is a bus on which nothing has been asked since an instant, with the
// reason.
type SilentBus struct {
	Bus   string     `json:"bus"`
	Since bus.Micros `json:"since_us"`
	Why   string     `json:"why"`
}

// marshal is for records of our own types, which cannot fail but by a
// programming mistake; numbers that JSON lacks are the caller's.
func marshal(v any) ([]byte, error) { return json.Marshal(v) }
