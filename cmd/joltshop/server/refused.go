package server

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"

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
	// tooFast is for how long a vehicle is kept away that sends too fast.
	tooFast = 10 * time.Minute
)

// TooMuch is for how long one is kept away whose files that wait take too much.
const TooMuch = time.Hour

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

// weigh sends away those whose files that wait take more than they may.
func (s *Server) weigh(ctx context.Context, now time.Time) {
	heavy, err := Heavy(ctx, s.js, s.opt.Quota)
	if err != nil {
		s.opt.Logf("what waits of files: %v; it is looked again", err)
	}
	for vehicle, why := range heavy {
		s.sendAway(vehicle, why, now.Add(TooMuch))
	}
}

// Heavy says of which vehicles files wait that take more than a quota, or lie in too many
// pieces, and why they are kept away for that. Nothing is counted while all together
// take less.
func Heavy(ctx context.Context, js jetstream.JetStream, q Quota) (map[string]string, error) {
	q = q.filled()
	st, err := js.Stream(ctx, wire.PieceStream)
	if err != nil {
		return nil, err
	}
	if all := st.CachedInfo().State; all.Bytes <= q.WaitingBytes && all.Msgs <= maxPieces {
		return nil, nil
	}
	info, err := st.Info(ctx, jetstream.WithSubjectFilter(wire.PieceSubjects))
	if err != nil {
		return nil, err
	}
	pieces := map[string]uint64{}
	for subject, n := range info.State.Subjects {
		vehicle, _ := wire.PieceOf(subject)
		pieces[vehicle] += n
	}
	heavy := map[string]string{}
	for vehicle, n := range pieces {
		switch {
		case n > maxPieces:
			heavy[vehicle] = fmt.Sprintf("its files that wait lie in %d pieces; they may in %d", n, maxPieces)
		case n*maxPart > q.WaitingBytes:
			waits, err := bytesOf(ctx, st, vehicle, n)
			if err != nil {
				return heavy, err
			}
			if waits > q.WaitingBytes {
				heavy[vehicle] = fmt.Sprintf("its files that wait take %.1f MB; they may take %.1f", float64(waits)/1e6, float64(q.WaitingBytes)/1e6)
			}
		}
	}
	return heavy, nil
}

// bytesOf is what the first so many pieces of a vehicle take, by their headers alone.
func bytesOf(ctx context.Context, st jetstream.Stream, vehicle string, pieces uint64) (sum uint64, err error) {
	c, err := st.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{FilterSubjects: []string{wire.Pieces(vehicle, "*", "*")}, HeadersOnly: true})
	if err != nil {
		return 0, err
	}
	list, err := c.FetchNoWait(int(min(pieces, maxPieces)))
	if err != nil {
		return 0, err
	}
	for m := range list.Messages() {
		n, err := strconv.ParseUint(m.Headers().Get("Nats-Msg-Size"), 10, 64)
		if err != nil {
			return sum, err
		}
		sum += n
	}
	return sum, list.Error()
}

func (s *Server) sendAway(vehicle, why string, until time.Time) {
	s.opt.Logf("vehicle %s: kept away until %s: %s", vehicle, until.UTC().Format(time.RFC3339), why)
	if err := Refuse(s.opt.Dir, vehicle, why, time.Now(), until); err != nil {
		s.opt.Logf("vehicle %s: %v", vehicle, err)
	}
}
