package server

import (
	"fmt"
	"strings"

	natsserver "github.com/nats-io/nats-server/v2/server"

	"joltwatch/storage/wire"
)

// Each vehicle is in an account of its own, which has nothing in it but what the
// shop's account serves to that vehicle. An answer goes back to the account that
// asked: whatever subject a vehicle names for it, it reaches nothing of the shop's
// and nothing of another vehicle.

// services are the subjects at which the shop serves a vehicle.
func services(vehicle string) []string {
	b := wire.Bucket(vehicle)
	return []string{
		wire.Subject(vehicle, "*"),
		wire.Pieces(vehicle, "*", "*"),
		wire.AskHeld(wire.HeldHeadOf(vehicle)), wire.AskHeld(wire.HeldPart(vehicle, "*", "*")),
		// Those of a courier of before.
		wire.EarlierPieces(vehicle, "*", "*"),
		"$O." + b + ".C.*", "$O." + b + ".M.*",
		"$JS.API.STREAM.INFO.OBJ_" + b,
		"$JS.API.STREAM.MSG.GET.OBJ_" + b,
	}
}

// exported are the subjects at which the shop serves any vehicle, those of services with
// any name in them. An account reaches of them what it imports, and what it imports the
// shop alone says. They are not told apart by vehicle, as a server looks through all of
// them for each that is added.
func exported() []string {
	list := services("*")
	for i, subject := range list {
		tokens := strings.Split(subject, ".")
		for j, t := range tokens {
			if strings.Contains(t, "*") {
				tokens[j] = "*"
			}
		}
		list[i] = strings.Join(tokens, ".")
	}
	return list
}

// Permissions are all that a vehicle may do in its own account.
func Permissions(vehicle string) *natsserver.Permissions {
	return &natsserver.Permissions{
		Publish:   &natsserver.SubjectPermission{Allow: services(vehicle)},
		Subscribe: &natsserver.SubjectPermission{Allow: []string{wire.Inbox(vehicle) + ".>", wire.Answers(vehicle) + ".>"}},
	}
}

// account is the account of a vehicle, made where there is none yet.
func (s *Server) account(vehicle string) (*natsserver.Account, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if a := s.accounts[vehicle]; a != nil {
		return a, nil
	}
	a, _ := s.nats.LookupOrRegisterAccount(vehicle)
	shop := s.nats.GlobalAccount()
	for _, subject := range services(vehicle) {
		if err := a.AddServiceImport(shop, subject, subject); err != nil {
			return nil, fmt.Errorf("what vehicle %s is served at %s: %w", vehicle, subject, err)
		}
	}
	s.accounts[vehicle] = a
	return a, nil
}
