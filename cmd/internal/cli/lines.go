package cli

import (
	"encoding/json"
	"io"
	"math"
)

// Lines writes a JSON object a line, until the first error.
type Lines struct {
	to  *json.Encoder
	err error
}

// NewLines writes to w.
func NewLines(w io.Writer) *Lines {
	l := &Lines{to: json.NewEncoder(w)}
	l.to.SetEscapeHTML(false)
	return l
}

// Add writes one object.
func (l *Lines) Add(v any) {
	if l.err == nil {
		l.err = l.to.Encode(v)
	}
}

// Err is the first error.
func (l *Lines) Err() error { return l.err }

// Finite is nil for what JSON has no number for.
func Finite(v float64) *float64 {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return nil
	}
	return &v
}
