package main

import (
	"bytes"
	"testing"
)

// A bounded form: what the whole one prints, of a few fleets.
func TestTable(t *testing.T) {
	var out bytes.Buffer
	if bad := table(&out, "", 12, 2); bad > 0 {
		t.Errorf("%d lines plainly miss an aim:\n%s", bad, out.String())
	}
}
