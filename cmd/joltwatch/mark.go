package main

import (
	"fmt"
	"os"

	"joltwatch/bus"
)

type markCmd struct {
	At string `placeholder:"SOCKET" help:"The socket of the running stay; that of the service, or of a stay that you started yourself, otherwise."`
}

func (c *markCmd) Help() string {
	return `Keeps the look-back of this moment, whatever the detectors thought. Only when it
is safe: a passenger types, never the driver.`
}

// serviceMark is the socket of the stay that the service runs.
const serviceMark = "/run/joltwatch/mark"

func (c *markCmd) Run(h *host) error {
	path := c.At
	if path == "" {
		path = markPath()
		if _, err := os.Stat(path); path == "" || err != nil {
			path = serviceMark
		}
	}
	if err := bus.SendMark(path); err != nil {
		return err
	}
	fmt.Fprintln(h.stdout, "kept: the look-back of this moment goes on file")
	return nil
}
