package server

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"

	"joltwatch/storage/wire"
)

// Refused is a vehicle that the shop did not let in, or sent away, and why.
type Refused struct {
	Vehicle string `json:"vehicle"`
	Why     string `json:"why"`
	// At is when it last was.
	At time.Time `json:"at"`
	// Until is until when it is not let in, whatever it shows; the zero time where
	// it may come again at once.
	Until time.Time `json:"until,omitzero"`
}

func refusedPath(dir, vehicle string) string { return filepath.Join(dir, "refused", vehicle+".json") }

// Refuse keeps a vehicle away until a time; the zero time only notes that it was
// refused. A server that runs in dir knows it within seconds.
func Refuse(dir, vehicle, why string, now, until time.Time) error {
	if !wire.VehicleName(vehicle) {
		return nameError(vehicle)
	}
	if err := os.MkdirAll(filepath.Join(dir, "refused"), 0o700); err != nil {
		return err
	}
	return writeJSON(refusedPath(dir, vehicle), Refused{vehicle, why, now.UTC().Truncate(time.Second), until.UTC()})
}

// RefusedIn are the vehicles that were refused since a time, in order of their names.
func RefusedIn(dir string, since time.Time) (list []Refused, err error) {
	names, err := listed(filepath.Join(dir, "refused"))
	for _, name := range names {
		var r Refused
		if readJSON(refusedPath(dir, name), &r) == nil && r.Vehicle == name && !r.At.Before(since) {
			list = append(list, r)
		}
	}
	return list, err
}

// keptAway says why a vehicle is not let in now, "" where it is.
func keptAway(dir, vehicle string, now time.Time) string {
	var r Refused
	if err := readJSON(refusedPath(dir, vehicle), &r); err != nil || !now.Before(r.Until) {
		return ""
	}
	return r.Why
}

// note notes that a vehicle was refused; a name that was never enrolled here is not
// worth a file.
func (s *Server) note(who caller) {
	why := "it showed a token that is not its own"
	if s.opt.TLS {
		why = "it showed a certificate that is not its latest: it was renewed since, or another has its key"
	}
	if _, err := readEnrolled(s.opt.Dir, who.vehicle); errors.Is(err, os.ErrNotExist) {
		if why = "it was struck off"; !s.opt.TLS {
			return // anybody can say a name
		}
	} else if err != nil {
		return
	}
	s.opt.Logf("vehicle %s: refused: %s", who.vehicle, why)
	now := time.Now()
	var r Refused
	if readJSON(refusedPath(s.opt.Dir, who.vehicle), &r) == nil && now.Sub(r.At) < time.Minute {
		return // one that tries without end writes no more
	}
	if err := Refuse(s.opt.Dir, who.vehicle, why, now, time.Time{}); err != nil {
		s.opt.Logf("vehicle %s: %v", who.vehicle, err)
	}
}

// Quota bounds what one vehicle may do; zero is the default.
type Quota struct {
	// MessagesPerSecond that it sends, over a few seconds. A courier waits for each
	// answer and sends hundreds.
	MessagesPerSecond float64
	// WaitingBytes of its files that lie on the server until they are taken in. Its
	// messages are bounded besides.
	WaitingBytes uint64
}

const (
	defaultMessagesPerSecond = 5000
	defaultWaitingBytes      = 2 << 30
	// tooFast and tooMuch are for how long a vehicle is kept away.
	tooFast = 10 * time.Minute
	tooMuch = time.Hour
)

func (q Quota) filled() Quota {
	if q.MessagesPerSecond == 0 {
		q.MessagesPerSecond = defaultMessagesPerSecond
	}
	if q.WaitingBytes == 0 {
		q.WaitingBytes = defaultWaitingBytes
	}
	return q
}

// traffic is what a connection has sent by a time.
type traffic struct {
	at       time.Time
	messages int64
}

// measure sends away who sends more than an honest vehicle can.
func (s *Server) measure(now time.Time) {
	z, err := s.nats.Connz(&natsserver.ConnzOptions{Limit: 1 << 20})
	if err != nil {
		return
	}
	seen := make(map[uint64]traffic, len(z.Conns))
	for _, c := range z.Conns {
		seen[c.Cid] = traffic{now, c.InMsgs}
		before, ok := s.traffic[c.Cid]
		if !ok {
			before = traffic{at: c.Start}
		}
		most := s.opt.Quota.MessagesPerSecond * max(now.Sub(before.at).Seconds(), 1)
		s.mu.Lock()
		who, vehicle := s.connected[c.Cid]
		s.mu.Unlock()
		if sent := c.InMsgs - before.messages; vehicle && float64(sent) > most {
			s.sendAway(who.vehicle, fmt.Sprintf("it sent %d messages in %.0f s; a vehicle may send %.0f a second", sent, now.Sub(before.at).Seconds(), s.opt.Quota.MessagesPerSecond), now.Add(tooFast))
		}
	}
	s.traffic = seen
}

// weigh sends away those who are connected and whose files that wait take more than
// they may.
func (s *Server) weigh(ctx context.Context, now time.Time) {
	s.mu.Lock()
	vehicles := map[string]bool{}
	for _, who := range s.connected {
		vehicles[who.vehicle] = true
	}
	s.mu.Unlock()
	for vehicle := range vehicles {
		st, err := s.js.Stream(ctx, "OBJ_"+wire.Bucket(vehicle))
		if err != nil {
			continue
		}
		if waits := st.CachedInfo().State.Bytes; waits > s.opt.Quota.WaitingBytes {
			s.sendAway(vehicle, fmt.Sprintf("its files that wait take %.1f MB; they may take %.1f", float64(waits)/1e6, float64(s.opt.Quota.WaitingBytes)/1e6), now.Add(tooMuch))
		}
	}
}

func (s *Server) sendAway(vehicle, why string, until time.Time) {
	s.opt.Logf("vehicle %s: kept away until %s: %s", vehicle, until.UTC().Format(time.RFC3339), why)
	if err := Refuse(s.opt.Dir, vehicle, why, time.Now(), until); err != nil {
		s.opt.Logf("vehicle %s: %v", vehicle, err)
	}
}
