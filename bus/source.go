package bus

import (
	"errors"
	"io"
	"iter"
)

// Source is where frames come from. Read and Close may be called from
// different goroutines, and Close ends a Read that waits; the other methods may
// be called at any time.
type Source interface {
	// Read fills batch with what there is and returns how many frames that
	// is: 0 without an error where nothing came for a while. After io.EOF
	// there is nothing more; a live source does not end by itself.
	Read(batch []Frame) (int, error)
	Clock() Clock
	Stats() Stats
	Close() error
}

// Frames are all frames of a source up to its end, each only until the next; what ends it
// early comes last, with a nil frame.
func Frames(s Source) iter.Seq2[*Frame, error] {
	return func(yield func(*Frame, error) bool) {
		batch := make([]Frame, 256)
		for {
			n, err := s.Read(batch)
			for i := range batch[:n] {
				if !yield(&batch[i], nil) {
					return
				}
			}
			if err != nil {
				if err != io.EOF {
					yield(nil, err)
				}
				return
			}
		}
	}
}

// Errors of opening a source that a caller may want to tell apart; the error's
// text says what to do.
var (
	ErrMissing    = errors.New("there is no such device")
	ErrPermission = errors.New("not permitted")
)
