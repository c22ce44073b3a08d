package server

import (
	"context"
	"crypto/subtle"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
)

// gate decides who may connect.
type gate struct{ s *Server }

// visit bounds one connection, so that who is struck off does not stay.
const visit = 6 * time.Hour

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
	vehicle, ok := o.Username, false
	if s.opt.TLS {
		state := c.GetTLSConnectionState()
		if state == nil || len(state.VerifiedChains) == 0 || len(state.PeerCertificates) == 0 {
			return false
		}
		leaf := state.PeerCertificates[0]
		if vehicle != "" && vehicle != leaf.Subject.CommonName {
			return false
		}
		vehicle = leaf.Subject.CommonName
		e, err := readEnrolled(s.opt.Dir, vehicle)
		ok = err == nil && e.Serial != "" && e.Serial == serial(leaf)
	} else {
		e, err := readEnrolled(s.opt.Dir, vehicle)
		ok = err == nil && e.Token != "" && subtle.ConstantTimeCompare([]byte(e.Token), []byte(hashed(o.Password))) == 1
	}
	if !ok {
		return false
	}
	ctx, cancel := context.WithTimeout(context.Background(), 8*time.Second)
	defer cancel()
	if err := s.ensureBucket(ctx, vehicle); err != nil {
		s.opt.Logf("vehicle %s: %v", vehicle, err)
		return false
	}
	c.RegisterUser(&natsserver.User{Username: vehicle, Permissions: Permissions(vehicle), ConnectionDeadline: time.Now().Add(visit)})
	return true
}
