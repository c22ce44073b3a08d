package main

import (
	"encoding/json"
	"fmt"
	"time"

	"joltwatch/cmd/joltshop/server"
)

type enrolCmd struct {
	Name   string        `arg:"" help:"The vehicle's name: 1 to 40 of a-z, 0-9 and -."`
	Dir    string        `required:"" type:"existingdir" placeholder:"DIR" help:"The shop's folder."`
	Valid  time.Duration `default:"15m" help:"How long the code is valid, up to 168h."`
	Renew  bool          `xor:"what" help:"For a vehicle that is enrolled: it gets a new certificate, and its earlier one ends."`
	Revoke bool          `xor:"what" help:"Strike the vehicle off: it may connect no more. No code."`
	JSON   bool          `name:"json" help:"One JSON object."`
}

// Help implements kong's long help.
func (enrolCmd) Help() string {
	return `Makes a one-time code with which the vehicle of that name gets its certificate from the
running server. Give the code and the fingerprint to who stands at the vehicle, and to
nobody else: who has them within that time becomes that vehicle.`
}

// Run makes the code.
func (c *enrolCmd) Run(h *host) error {
	if c.Revoke {
		if err := server.Revoke(c.Dir, c.Name); err != nil {
			return err
		}
		_, err := fmt.Fprintf(h.stdout, "%s is struck off\n", c.Name)
		return err
	}
	a, err := server.AddressOf(c.Dir)
	if err != nil {
		return err
	}
	makeCode := server.NewCode
	if c.Renew {
		makeCode = server.RenewCode
	}
	now := time.Now()
	code, err := makeCode(c.Dir, c.Name, c.Valid, now)
	if err != nil {
		return err
	}
	until := now.Add(c.Valid).Truncate(time.Second)
	if c.JSON {
		return json.NewEncoder(h.stdout).Encode(struct {
			Vehicle string    `json:"vehicle"`
			Code    string    `json:"code"`
			Until   time.Time `json:"until"`
			server.Address
		}{c.Name, code, until.UTC(), a})
	}
	_, err = fmt.Fprintf(h.stdout, `code for %s: %s
valid once, until %s

In the courier's file:
  vehicle = "%s"
  servers = ["%s"]
and then, at the vehicle:
  joltship enrol --config FILE --shop %s --code %s --fingerprint %s
`, c.Name, code, until.Format(time.RFC1123), c.Name, a.URL, a.Enrol, code, a.Fingerprint)
	return err
}
