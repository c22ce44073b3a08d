package server

import (
	"context"
	"crypto/subtle"
	"slices"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
)

// gate decides who may connect.
type gate struct{ s *Server }

// Check implements the server's authentication. With TLS the certificate says
// who it is, without it the name and the token.
func (g gate) Check(c natsserver.ClientAuthentication) bool {
	s, o := g.s, c.GetOpts()
	if c.Kind() != natsserver.CLIENT {
		return false
	}
	if o.Username == shopUser {
		if subtle.ConstantTimeCompare([]byte(o.Password), []byte(s.secret)) != 1 {
			return false
		}
		c.RegisterUser(&natsserver.User{Username: shopUser})
		return true
	}
	if !s.ready.Load() {
		return false // it comes again
	}
	who := caller{vehicle: o.Username, proof: hashed(o.Password)}
	if s.opt.TLS {
		state := c.GetTLSConnectionState()
		if state == nil || len(state.VerifiedChains) == 0 || len(state.PeerCertificates) == 0 {
			return false
		}
		leaf := state.PeerCertificates[0]
		if who.vehicle != "" && who.vehicle != leaf.Subject.CommonName {
			return false
		}
		who = caller{leaf.Subject.CommonName, serial(leaf)}
	}
	if keptAway(s.opt.Dir, who.vehicle, time.Now()) != "" {
		return false
	}
	if !s.knows(who) {
		s.note(who)
		return false
	}
	ctx, cancel := context.WithTimeout(context.Background(), 8*time.Second)
	defer cancel()
	if err := s.prepare(ctx, who.vehicle, o.Name); err != nil {
		s.opt.Logf("vehicle %s: %v", who.vehicle, err)
		return false
	}
	a, err := s.account(who.vehicle)
	if err != nil {
		s.opt.Logf("vehicle %s: %v", who.vehicle, err)
		return false
	}
	c.RegisterUser(&natsserver.User{Username: who.vehicle, Permissions: Permissions(who.vehicle), Account: a})
	s.mu.Lock()
	s.connected[c.GetID()] = who
	s.mu.Unlock()
	return true
}

// prepare prepares what a courier of that name needs.
func (s *Server) prepare(ctx context.Context, vehicle, courier string) error {
	if courier == vehicle { // one of before
		if err := EnsureBucket(ctx, s.js, vehicle, 1); err != nil {
			return err
		}
	}
	return PutHeld(ctx, s.js, s.opt.Dir, vehicle)
}

// caller is who connects, and the hash of the token or the serial of the
// certificate that it showed.
type caller struct{ vehicle, proof string }

func (s *Server) knows(who caller) bool {
	e, err := readEnrolled(s.opt.Dir, who.vehicle)
	if err != nil {
		return false
	}
	kept := []string{e.Token}
	if s.opt.TLS {
		kept = kept[:0]
		for _, c := range e.shows() {
			kept = append(kept, c.Serial)
		}
	}
	return slices.ContainsFunc(kept, func(k string) bool {
		return k != "" && subtle.ConstantTimeCompare([]byte(k), []byte(who.proof)) == 1
	})
}

// dismiss ends the connections of who may connect no more.
func (s *Server) dismiss() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for id, who := range s.connected {
		if s.nats.GetClient(id) == nil {
			delete(s.connected, id)
		} else if !s.knows(who) || keptAway(s.opt.Dir, who.vehicle, time.Now()) != "" {
			s.opt.Logf("vehicle %s: may connect no more, and is cut off", who.vehicle)
			if err := s.nats.DisconnectClientByID(id); err != nil {
				s.opt.Logf("vehicle %s: %v", who.vehicle, err)
			}
			delete(s.connected, id)
		}
	}
}
