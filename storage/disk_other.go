//go:build !linux

package storage

import "math"

// The unit runs Linux. Elsewhere stores are only read.

func (o osFS) Lock() (func() error, error) { return func() error { return nil }, nil }

func (o osFS) locked() bool { return false }

func (o osFS) Free() (int64, error) { return math.MaxInt64, nil }
