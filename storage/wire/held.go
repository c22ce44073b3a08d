package wire

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
)

// MaxHeld bounds an encoded Held, in bytes: some million records. HeldPartBytes is how
// large its parts are but the last.
const (
	MaxHeld       = 16 << 20
	HeldPartBytes = 128 << 10
)

// HeldName is the object, in a vehicle's bucket, in which it is for a courier of before.
const HeldName = "held"

// HeldHead says, once the parts are there, that a shop was put back from a backup and
// what it has of the vehicle: a list, as Encode made it. The courier sends again what is
// not in it.
type HeldHead struct {
	// List is the SHA-256 of the list, in hexadecimal, and its name; it has so many
	// parts, from 0.
	List  string `json:"list"`
	Parts int    `json:"parts"`
}

// Held is what a shop has of a vehicle, by identity.
type Held struct {
	Version int `json:"version"`
	// Number tells one such list of a vehicle from the next; it is when the list was
	// made, in microseconds since 1970 UTC.
	Number int64 `json:"number"`
	// Stays are by identifier; of one that is not here the shop has nothing.
	Stays map[string]*HeldStay `json:"stays"`
}

// HeldStay is what of a stay.
type HeldStay struct {
	// Records are the first heldBytes of each record's identity, in order.
	Records []byte `json:"records,omitempty"`
	// Files are the SHA-256 of the files, by name.
	Files map[string]string `json:"files,omitempty"`
}

// heldBytes of an identity: of a thousand records that are missing in a million, less
// than one in 250,000 lists takes one for held.
const heldBytes = 6

// Stay is what is held of a stay, made where there is none yet.
func (h *Held) Stay(id string) *HeldStay {
	if h.Stays == nil {
		h.Stays = map[string]*HeldStay{}
	}
	if h.Stays[id] == nil {
		h.Stays[id] = &HeldStay{Files: map[string]string{}}
	}
	return h.Stays[id]
}

// Add adds a record by its identity; Encode puts them into order.
func (s *HeldStay) Add(id string) error {
	b, err := hex.DecodeString(id)
	if err != nil || len(b) < heldBytes {
		return fmt.Errorf("an identity of %.80q; expected hexadecimal digits", id)
	}
	s.Records = append(s.Records, b[:heldBytes]...)
	return nil
}

// Has reports whether a record of that identity is held. A nil stay has none.
func (s *HeldStay) Has(id string) bool {
	b, err := hex.DecodeString(id)
	if s == nil || err != nil || len(b) < heldBytes {
		return false
	}
	n := len(s.Records) / heldBytes
	i := sort.Search(n, func(i int) bool { return bytes.Compare(s.at(i), b[:heldBytes]) >= 0 })
	return i < n && bytes.Equal(s.at(i), b[:heldBytes])
}

// File is the SHA-256 of a file that is held, "" where it is not.
func (s *HeldStay) File(name string) string {
	if s == nil {
		return ""
	}
	return s.Files[name]
}

func (s *HeldStay) at(i int) []byte { return s.Records[heldBytes*i : heldBytes*(i+1)] }

// Encode returns the list's bytes.
func (h *Held) Encode() ([]byte, error) {
	h.Version = 1
	for _, s := range h.Stays {
		all := slices.Collect(slices.Chunk(s.Records, heldBytes))
		slices.SortFunc(all, bytes.Compare)
		s.Records = bytes.Join(all, nil)
	}
	b, err := json.Marshal(h)
	if err == nil && len(b) > MaxHeld {
		return nil, fmt.Errorf("a list of %d bytes of what is held; at most %d", len(b), MaxHeld)
	}
	return b, err
}

// DecodeHeld reads what Encode returned.
func DecodeHeld(b []byte) (*Held, error) {
	h := new(Held)
	if err := json.Unmarshal(b, h); err != nil {
		return nil, fmt.Errorf("no list of what is held: %w", err)
	}
	if h.Version != 1 {
		return nil, fmt.Errorf("a list of what is held of version %d; this program reads version 1", h.Version)
	}
	return h, nil
}
