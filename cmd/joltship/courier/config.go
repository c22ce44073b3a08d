package courier

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"joltwatch/storage/wire"
)

// Config is the courier's own file. It is read from disk at the start and from
// nowhere else: nothing that comes from the network changes it, or anything of
// the program in the vehicle.
type Config struct {
	// Vehicle is the name under which the vehicle is enrolled.
	Vehicle string `toml:"vehicle"`
	// Store is the folder of the stay, which is only read.
	Store string `toml:"store"`
	// State is the courier's own folder: what has been delivered, and its
	// identity.
	State string `toml:"state"`
	// Servers are tls://HOST:PORT of the shop's server, or of several of its
	// cluster; nats://HOST:PORT only on this machine.
	Servers []string `toml:"servers"`
	// Certificate, Key and CA are PEM files, by default those that enrolling
	// left in State.
	Certificate string `toml:"certificate"`
	Key         string `toml:"key"`
	CA          string `toml:"ca"`
	// Token is a file with the word that a server on this machine knows the
	// vehicle by, where it has no certificates.
	Token string `toml:"token"`
	// BudgetMB is the most that goes over the link on one day, both ways and all
	// counted, in megabytes; 0 means no bound.
	BudgetMB float64 `toml:"budget_mb_per_day"`
	// Hours is when to send, by the board's local time, such as
	// "20:00-06:00"; empty means at any time.
	Hours string `toml:"hours"`
	// EveryMin is how often to look for something to send, in minutes.
	EveryMin float64 `toml:"every_min"`
	// RemoveDelivered lets the evidence of the store go once the server has it
	// on its medium. By default it stays.
	RemoveDelivered bool `toml:"remove_delivered"`

	hours hours
}

// Load reads a configuration and checks it.
func Load(path string) (*Config, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%w; expected the courier's file, see joltship --help", err)
	}
	defer f.Close()
	c := &Config{State: "/var/lib/joltship", Store: "/var/lib/joltwatch/stay", EveryMin: 15}
	if err := toml.NewDecoder(f).DisallowUnknownFields().Decode(c); err != nil {
		var strict *toml.StrictMissingError
		var decode *toml.DecodeError
		switch {
		case errors.As(err, &strict) && len(strict.Errors) > 0:
			row, column := strict.Errors[0].Position()
			return nil, fmt.Errorf("%s:%d:%d: unknown key %s; expected one of %s", path, row, column, strings.Join(strict.Errors[0].Key(), "."), configKeys)
		case errors.As(err, &decode):
			row, column := decode.Position()
			return nil, fmt.Errorf("%s:%d:%d: %s", path, row, column, decode.Error())
		}
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if err := c.Check(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return c, nil
}

// leastBudgetMB is room for connecting, the unit's report and some pieces of a file, in
// megabytes.
const leastBudgetMB = 0.05

const configKeys = "vehicle, store, state, servers, certificate, key, ca, token, budget_mb_per_day, hours, every_min, remove_delivered"

// Check says what is wrong with a configuration and fills in what follows from
// the rest.
func (c *Config) Check() (err error) {
	if !wire.VehicleName(c.Vehicle) {
		return fmt.Errorf("vehicle %.60q: expected the name it is enrolled under, 1 to 40 of a-z, 0-9 and -", c.Vehicle)
	}
	if c.hours, err = parseHours(c.Hours); err != nil {
		return err
	}
	if !(c.BudgetMB >= 0) {
		return fmt.Errorf("budget_mb_per_day %v: expected megabytes, or 0 for no bound", c.BudgetMB)
	}
	if c.BudgetMB > 0 && c.BudgetMB < leastBudgetMB {
		return fmt.Errorf("budget_mb_per_day %v: less than connecting and some pieces of a file take; the smallest that works is %v", c.BudgetMB, leastBudgetMB)
	}
	if !(c.EveryMin >= 0.1 && c.EveryMin <= 7*24*60) {
		return fmt.Errorf("every_min %v: expected minutes, 0.1 to a week", c.EveryMin)
	}
	if c.Store == "" || c.State == "" {
		return errors.New("store and state: expected folders")
	}
	if len(c.Servers) == 0 {
		return errors.New(`servers: expected at least one, such as ["tls://shop.example:4422"]`)
	}
	secure := false
	for _, s := range c.Servers {
		u, err := url.Parse(s)
		if err != nil || u.Host == "" || u.Scheme != "tls" && u.Scheme != "nats" || u.User != nil {
			return fmt.Errorf("server %.80q: expected tls://HOST:PORT, or nats://127.0.0.1:PORT on this machine", s)
		}
		if u.Scheme == "nats" && !loopback(u.Hostname()) {
			return fmt.Errorf("server %s is not on this machine: expected tls://, or what is sent could be read on the way", s)
		}
		secure = secure || u.Scheme == "tls"
	}
	identity := filepath.Join(c.State, "identity")
	if token := filepath.Join(identity, "token"); !secure && c.Token == "" {
		if _, err := os.Stat(token); err == nil {
			c.Token = token
		}
	}
	if secure {
		for _, x := range []struct {
			file *string
			name string
		}{{&c.Certificate, "certificate.pem"}, {&c.Key, "key.pem"}, {&c.CA, "ca.pem"}} {
			if *x.file == "" {
				*x.file = filepath.Join(identity, x.name)
			}
		}
	}
	return nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// hours is a stretch of the day, in minutes since midnight; it may pass midnight.
// With from and to the same it is the whole day.
type hours struct{ from, to int }

func parseHours(s string) (h hours, err error) {
	if s == "" {
		return hours{}, nil
	}
	var a, b time.Time
	from, to, ok := strings.Cut(s, "-")
	if ok {
		if a, err = time.Parse("15:04", from); err == nil {
			b, err = time.Parse("15:04", to)
		}
	}
	if !ok || err != nil {
		return hours{}, fmt.Errorf("hours %.40q: expected such as \"20:00-06:00\"", s)
	}
	return hours{a.Hour()*60 + a.Minute(), b.Hour()*60 + b.Minute()}, nil
}

// allow says whether it is time to send.
func (h hours) allow(t time.Time) bool {
	m := t.Hour()*60 + t.Minute()
	switch {
	case h.from == h.to:
		return true
	case h.from < h.to:
		return m >= h.from && m < h.to
	}
	return m >= h.from || m < h.to
}
