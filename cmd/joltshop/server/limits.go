package server

import (
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// limits allows each of many so many tries a minute.
type limits struct {
	aMinute int
	mu      sync.Mutex
	of      map[string]*rate.Limiter
}

// maxLimited bounds how many are remembered.
const maxLimited = 10_000

func newLimits(aMinute int) *limits { return &limits{aMinute: aMinute, of: map[string]*rate.Limiter{}} }

func (l *limits) allow(who string, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	one := l.of[who]
	if one == nil {
		if len(l.of) >= maxLimited {
			l.forget(now)
		}
		one = rate.NewLimiter(rate.Every(time.Minute/time.Duration(l.aMinute)), l.aMinute)
		l.of[who] = one
	}
	return one.AllowN(now, 1)
}

// forget forgets those who have not tried for a minute; where that is none, all.
func (l *limits) forget(now time.Time) {
	for who, one := range l.of {
		if one.TokensAt(now) >= float64(l.aMinute) {
			delete(l.of, who)
		}
	}
	if len(l.of) >= maxLimited {
		clear(l.of)
	}
}

// source is who an address is taken for: one of IPv4, and the network of 64 bits
// that a subscriber has of IPv6 (RFC 6177).
func source(remote string) string {
	at, err := netip.ParseAddrPort(remote)
	if err != nil {
		return remote
	}
	a := at.Addr().Unmap()
	if a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}
