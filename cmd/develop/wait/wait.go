// Package wait is how tests wait for another goroutine, process or server: as long as
// the test itself may take (go test -timeout), for a bound of its own would be a guess
// at how busy the machine is.
package wait

import (
	"testing"
	"time"
)

// End is when to give up: so long before the test is stopped that it can still say for
// what it waited.
func End(t testing.TB) time.Time {
	if t, ok := t.(interface{ Deadline() (time.Time, bool) }); ok {
		if end, ok := t.Deadline(); ok {
			return end.Add(-10 * time.Second)
		}
	}
	return time.Now().AddDate(1, 0, 0)
}

// Until waits until is says so.
func Until(t testing.TB, what string, is func() bool) {
	t.Helper()
	for end := End(t); !is(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}
