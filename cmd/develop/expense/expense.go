// Package expense is what tests of a bound measure: the memory and the processor time that
// something takes.
package expense

import (
	"encoding/json"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// By is the memory that do has in use at most, as far as looking once a millisecond
// tells, and its processor time; with a collector that is seldom at work (percent of
// growth, as in debug.SetGCPercent) the time counts, with one that often is the memory.
func By(collector int, do func()) (peak uint64, cpu time.Duration) {
	defer debug.SetGCPercent(debug.SetGCPercent(collector))
	runtime.GC()
	look := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	heap := func() uint64 {
		metrics.Read(look) // which stops nothing, and so costs next to no time
		return look[0].Value.Uint64()
	}
	before := heap()
	var wait sync.WaitGroup
	stop := make(chan bool)
	wait.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(time.Millisecond):
				peak = max(peak, heap())
			}
		}
	})
	began := processor()
	do()
	cpu = processor() - began
	close(stop)
	wait.Wait()
	return max(peak, before) - before, cpu
}

func processor() time.Duration {
	var u unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// TooLong reports whether do, which took so much processor time, takes more than most on
// a quiet machine. A busy one has the same work take more: what seems to take too long is
// done again beside work that is known, a quarter of a second of it.
func TooLong(do func(), cpu, most time.Duration) bool {
	if cpu <= most {
		return false
	}
	body := []byte("[" + strings.Repeat(`{"of":"speed_kmh","label":"12","from":12,"to":13,"closed":1.5,"open":2.25},`, 100) + `{}]`)
	_, again := By(20, do)
	_, known := By(20, func() {
		var rows []struct {
			Of, Label              string
			From, To, Closed, Open float64
		}
		for n := 0; n < 12<<20; n += len(body) {
			json.Unmarshal(body, &rows) //nolint:errcheck // it is as it should be
		}
	})
	return again > most*known/(250*time.Millisecond)
}
