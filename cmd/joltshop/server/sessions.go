package server

import (
	"crypto/rand"
	"crypto/tls"
	"sync"
)

// sessions are those of TLS that a vehicle may take up again. They are kept here, and
// what a vehicle shows of one is its number: the usual ticket holds all of it, with the
// certificates, and is longer than what it saves on a slow link. Who may connect is
// asked each time all the same.
type sessions struct {
	mu sync.Mutex
	of map[string]*tls.SessionState
}

// maxSessions bounds them; any goes for a new one.
const maxSessions = 20_000

// resumable lets the clients of a configuration take up their sessions.
func resumable(c *tls.Config) {
	s := &sessions{of: map[string]*tls.SessionState{}}
	c.WrapSession = func(_ tls.ConnectionState, state *tls.SessionState) ([]byte, error) { return s.keep(state), nil }
	c.UnwrapSession = func(number []byte, _ tls.ConnectionState) (*tls.SessionState, error) {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.of[string(number)], nil
	}
}

func (s *sessions) keep(state *tls.SessionState) []byte {
	number := make([]byte, 16)
	rand.Read(number) //nolint:errcheck // it never fails
	s.mu.Lock()
	defer s.mu.Unlock()
	for k := range s.of {
		if len(s.of) < maxSessions {
			break
		}
		delete(s.of, k)
	}
	s.of[string(number)] = state
	return number
}
