package courier

import (
	"crypto/tls"
	"net"
	"sync/atomic"
)

// meter counts what goes over the link, both ways, in bytes of TCP's payload.
type meter struct{ up, down atomic.Int64 }

func (m *meter) total() int64 { return m.up.Load() + m.down.Load() }

// Dial is as the client library wants it of a dialer.
func (m *meter) Dial(network, address string) (net.Conn, error) {
	c, err := net.DialTimeout(network, address, connectWait)
	if err != nil {
		return nil, err
	}
	return &metered{c, m}, nil
}

type metered struct {
	net.Conn
	m *meter
}

func (c *metered) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.m.down.Add(int64(n))
	return n, err
}

func (c *metered) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	c.m.up.Add(int64(n))
	return n, err
}

// short keeps sessions of TLS of which less is to be shown than a certificate: a ticket
// that holds the certificate itself costs more than it saves.
type short struct{ tls.ClientSessionCache }

const maxTicket = 64 // bytes

// Put is as tls.Config wants it of a cache.
func (s short) Put(key string, state *tls.ClientSessionState) {
	if state != nil {
		if ticket, _, err := state.ResumptionState(); err != nil || len(ticket) > maxTicket {
			return
		}
	}
	s.ClientSessionCache.Put(key, state)
}
