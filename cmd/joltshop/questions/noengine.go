//go:build !(cgo && engine)

package questions

import "context"

// Ask returns ErrNoEngine: this build has no query engine.
func Ask(context.Context, string, Asked) (*Answers, error) { return nil, ErrNoEngine }
