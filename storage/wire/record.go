// Package wire states what of a stay travels from a vehicle to a shop: records
// of events, of accounts and of the unit itself, and finished files of the store.
// It knows no network. A courier packs, a shop checks and unpacks; both hold to
// what is written here, and neither trusts the other.
package wire

import (
	"bytes"
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"joltwatch/detect"
	"joltwatch/storage"
)

// Version is the newest form of a record that is read here. A reader takes records of
// its own version and older ones, ignores fields that it does not know, and parks newer
// ones. Each kind says the version in which its form last changed, so that a record that
// is sent again by a later program is the same one.
const Version = 4

const (
	// recordVersion is that of events, accounts and units.
	recordVersion = 2
	// FileVersion is that of files: since then the pieces lie in PieceStream.
	FileVersion = 4
	// EarlierFileVersion is since when a file comes in pieces, which lay in the
	// vehicle's Bucket.
	EarlierFileVersion = 3
)

// MaxRecord bounds one encoded record, in bytes.
const MaxRecord = 256 << 10

// Kind says which part of a Record is filled.
type Kind string

const (
	KindEvent   Kind = "event"
	KindAccount Kind = "account"
	KindUnit    Kind = "unit"
	// KindFile announces a file of the store, whose bytes lie in the vehicle's
	// object store already.
	KindFile Kind = "file"
)

// Record is one message of the stream. Exactly one of Event, Account, Unit and
// File is set, as Kind says.
type Record struct {
	Version int  `json:"version"`
	Kind    Kind `json:"kind"`
	// Vehicle is the name under which the vehicle was enrolled. The shop holds
	// it against the name that it knows the sender by.
	Vehicle string `json:"vehicle"`
	// Stay identifies the store: see StayOf.
	Stay string `json:"stay"`
	// Label is the user's own name for the stay; it may be anything.
	Label string `json:"label,omitempty"`
	// Run is the number of the program's start within the stay, from 1.
	Run uint32 `json:"run"`
	// At is the wall time of the event's start, the drive's start or the unit's
	// report, in microseconds since 1970 UTC; 0 where the unit never learned
	// the time.
	At int64 `json:"at_us,omitempty"`
	// Sent is what the unit's clock said when this was sent, like At; 0 where that
	// is not known. It travels beside the record, in the header SentHeader, so that
	// a record that is sent again is the same one.
	Sent int64 `json:"-"`

	Event   *Event   `json:"event,omitempty"`
	Account *Account `json:"account,omitempty"`
	Unit    *Unit    `json:"unit,omitempty"`
	File    *File    `json:"file,omitempty"`
}

// Event is a finding on file. StartUs and EndUs are on the clock of its run.
type Event struct {
	ID          string                `json:"id"`
	StartUs     int64                 `json:"start_us"`
	EndUs       int64                 `json:"end_us"`
	Finding     detect.Finding        `json:"finding"`
	Percentiles []detect.Percentile   `json:"percentiles,omitempty"`
	Evidence    storage.EvidenceState `json:"evidence"`
}

// UnmarshalJSON reads an event of any version: in version 1 the percentiles were
// called places.
func (e *Event) UnmarshalJSON(b []byte) error {
	type plain Event
	x := struct {
		*plain
		Places []detect.Percentile `json:"places"`
	}{plain: (*plain)(e)}
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	if x.Places != nil {
		e.Percentiles = x.Places
	}
	return nil
}

// Account is the latest account of one drive. A later one of the same stay, run
// and drive (by End) replaces an earlier one.
type Account struct {
	detect.Account
}

// Unit is how the unit itself fares. Bytes are as the file system counts them.
type Unit struct {
	Program    string `json:"program"`
	StoreBytes int64  `json:"store_bytes"`
	QuotaBytes int64  `json:"quota_bytes,omitempty"`
	FreeBytes  int64  `json:"free_bytes"`
	// Runs and Cut count the starts of the program and those that a cut of the
	// power ended.
	Runs int `json:"runs"`
	Cut  int `json:"cut"`
	// Troubles are what kept the store from storing, a line each.
	Troubles []string `json:"troubles,omitempty"`
	// Left counts the files and bytes that wait to be delivered.
	LeftFiles int   `json:"left_files"`
	LeftBytes int64 `json:"left_bytes"`
}

// File is a file of the store, whose bytes came before it: see Piece. Up to version 2
// they are the objects PartName(SHA256, i, Parts), one after the other, and newer ones
// have no parts.
type File struct {
	Name   string `json:"name"`
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
	Parts  int    `json:"parts,omitempty"`
	// PartBytes is the size of all parts but the last, in bytes; 0 is PartSize.
	PartBytes int64 `json:"part_bytes,omitempty"`
}

// SumOf is the SHA-256 of a file on disk, as File has it, and the file's size in bytes.
func SumOf(path string) (sum string, size int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), size, err
}

// Upload is what the pieces of a file are filed under: it tells files of a vehicle
// apart, also those with the same bytes. r is a record of a file.
func (r *Record) Upload() string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %s %s", r.Stay, r.File.Name, r.File.SHA256))
	return strings.ToLower(base32.StdEncoding.EncodeToString(sum[:5]))[:6]
}

// PartAt is how many bytes part i of the file has, and where they begin.
func (f *File) PartAt(i int) (from, bytes int64) {
	size := f.partBytes()
	from = int64(i) * size
	return from, min(size, f.Size-from)
}

func (f *File) partBytes() int64 {
	if f.PartBytes == 0 {
		return PartSize
	}
	return f.PartBytes
}

const (
	// LeastPiece and MostPiece bound a piece of a file but its last one, in bytes.
	LeastPiece = 1 << 10
	MostPiece  = 128 << 10
	// MaxPieces bounds the pieces of a file.
	MaxPieces = 16 << 10
	// PartSize was the size of the parts of a file on a good link, in bytes, and
	// LeastPart that on a bad one.
	PartSize  = 256 << 10
	LeastPart = 8 << 10
	// MaxFile bounds a file, in bytes.
	MaxFile = storage.MaxFile
)

// MostClockOff is how far a unit's clock may be off when it sends a record, for the
// record's own time to count; a wrong zone is less.
const MostClockOff = 15 * time.Hour

// PartName is the name of part i, from 0, of n of the file with that identity.
func PartName(sha256 string, i, n int) string { return fmt.Sprintf("%s.%d.%d", sha256, i, n) }

// PartCount is the number of parts of a file of that size in parts of that size, in
// bytes.
func PartCount(size, part int64) int { return int((size + part - 1) / part) }

// Encode returns the record's bytes and its identity. The same record has the
// same bytes and so the same identity, whenever it is encoded.
func (r *Record) Encode() (body []byte, id string, err error) {
	if err := r.Check(); err != nil {
		return nil, "", err
	}
	if body, err = json.Marshal(r); err != nil {
		return nil, "", err
	}
	if len(body) > MaxRecord {
		return nil, "", fmt.Errorf("a record of %d bytes; at most %d", len(body), MaxRecord)
	}
	return body, Identity(body), nil
}

// Identity is the SHA-256 (FIPS 180-4) of a body, in hexadecimal.
func Identity(body []byte) string {
	sum := sha256.Sum256(body)
	return hex.EncodeToString(sum[:])
}

// NewerError is a record in a form that is newer than this program.
type NewerError struct{ Version int }

func (e *NewerError) Error() string {
	return fmt.Sprintf("a record of version %d; this program reads up to %d", e.Version, Version)
}

// Decode reads and checks one record from a sender that is not trusted. The
// error is a NewerError where the record is from a later version.
func Decode(body []byte) (*Record, error) {
	if len(body) > MaxRecord {
		return nil, fmt.Errorf("a record of %d bytes; at most %d", len(body), MaxRecord)
	}
	var v struct {
		Version int `json:"version"`
	}
	if err := json.Unmarshal(body, &v); err != nil {
		return nil, fmt.Errorf("no record: %w", err)
	}
	if v.Version > Version {
		return nil, &NewerError{v.Version}
	}
	r := new(Record)
	if err := json.NewDecoder(bytes.NewReader(body)).Decode(r); err != nil {
		return nil, fmt.Errorf("no record: %w", err)
	}
	if err := r.Check(); err != nil {
		return nil, err
	}
	return r, nil
}

// Check says what is wrong with a record, by itself.
func (r *Record) Check() error {
	parts := 0
	for _, there := range []bool{r.Event != nil, r.Account != nil, r.Unit != nil, r.File != nil} {
		if there {
			parts++
		}
	}
	switch {
	case r.Version < 1:
		return errors.New("a record without a version")
	case !VehicleName(r.Vehicle):
		return fmt.Errorf("a record of vehicle %.40q; a name is 1 to 40 of a-z, 0-9 and -", r.Vehicle)
	case !token(r.Stay, 64):
		return fmt.Errorf("a record of stay %.80q; an identifier is 1 to 64 of a-z, 0-9 and -", r.Stay)
	case len(r.Label) > 200:
		return errors.New("a label of more than 200 bytes")
	case parts != 1,
		r.Kind == KindEvent && r.Event == nil,
		r.Kind == KindAccount && r.Account == nil,
		r.Kind == KindUnit && r.Unit == nil,
		r.Kind == KindFile && r.File == nil:
		return fmt.Errorf("a record of kind %.20q whose parts do not fit it", r.Kind)
	case r.Kind != KindEvent && r.Kind != KindAccount && r.Kind != KindUnit && r.Kind != KindFile:
		return fmt.Errorf("a record of unknown kind %.20q", r.Kind)
	case r.longest() > maxList:
		return fmt.Errorf("a record with a list of %d; at most %d", r.longest(), maxList)
	case r.Event != nil && (r.Event.ID == "" || r.Event.Finding.Kind == "" || r.Event.EndUs < r.Event.StartUs):
		return errors.New("an event without identifier or kind, or that ends before it starts")
	case r.Account != nil && r.Account.End < r.Account.Start:
		return errors.New("an account that ends before it starts")
	case r.File != nil:
		return r.File.check(r.Version)
	}
	return nil
}

// maxList bounds each list of a record, as a short element may unfold to a long row.
const maxList = 1000

func (r *Record) longest() (n int) {
	if e := r.Event; e != nil {
		f := &e.Finding
		n = max(n, len(e.Percentiles), len(f.Measures), len(f.Instants), len(f.MissingInputs), len(f.Codes))
	}
	if a := r.Account; a != nil {
		n = max(n, len(a.Opportunities), len(a.Bands), len(a.Roles))
	}
	if r.Unit != nil {
		n = max(n, len(r.Unit.Troubles))
	}
	return n
}

func (f *File) check(version int) error {
	if err := storage.CheckFileName(f.Name); err != nil {
		return err
	}
	parts := 0 // in pieces
	if version < EarlierFileVersion {
		parts = PartCount(f.Size, f.partBytes())
	}
	if f.PartBytes != 0 && (f.PartBytes < LeastPart || f.PartBytes > PartSize) {
		return fmt.Errorf("file %s in parts of %d bytes; expected %d to %d", f.Name, f.PartBytes, LeastPart, PartSize)
	}
	if f.Size < 0 || f.Size > MaxFile || f.Parts != parts {
		return fmt.Errorf("file %s of %d bytes in %d parts; expected up to %d bytes, in %d", f.Name, f.Size, f.Parts, MaxFile, parts)
	}
	if b, err := hex.DecodeString(f.SHA256); err != nil || len(b) != sha256.Size || hex.EncodeToString(b) != f.SHA256 {
		return fmt.Errorf("file %s: %.80q is no SHA-256", f.Name, f.SHA256)
	}
	return nil
}

// VehicleName reports whether s can be the enrolled name of a vehicle: 1 to 40
// of a-z, 0-9 and -, not beginning with -. It is a token of a subject and the
// name of a folder as it is.
func VehicleName(s string) bool { return token(s, 40) }

func token(s string, most int) bool {
	if len(s) == 0 || len(s) > most || s[0] == '-' {
		return false
	}
	for i := range len(s) {
		if c := s[i]; (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}
