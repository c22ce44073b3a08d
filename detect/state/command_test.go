package state

import (
	"testing"

	"joltwatch/stream"
)

// What is taken for a command is what has a rank.
func TestCommandRolesHaveARank(t *testing.T) {
	for r := range stream.NumRoles {
		if taken := commandRoles>>r&1 == 1; taken != (commandRank(r) > 0) {
			t.Errorf("%v: taken %v, rank %d", r, taken, commandRank(r))
		}
	}
}
