package server

import (
	"fmt"
	"net"
	"strings"
	"testing"

	"joltwatch/cmd/develop/wait"
)

// rawClient speaks the protocol without a library.
func rawClient(t *testing.T, s *Server, vehicle string) net.Conn {
	t.Helper()
	token, err := Local(s.opt.Dir, vehicle)
	if err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("tcp", strings.TrimPrefix(s.URL(), "nats://"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	c.SetDeadline(wait.End(t))
	fmt.Fprintf(c, "CONNECT {\"verbose\":false,\"user\":%q,\"pass\":%q}\r\nPING\r\n", vehicle, token)
	return c
}
