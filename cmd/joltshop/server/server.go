// Package server is the shop's own server, in one process: an embedded NATS
// server with JetStream that takes in what couriers deliver, and a listener at
// which a vehicle enrols with a one-time code. A vehicle may write its own
// subjects and read nothing of others. Beyond one machine the same streams are
// prepared in any NATS cluster, by EnsureStreams and EnsureBucket.
package server

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

// Options of the server.
type Options struct {
	// Dir is the shop's folder, for nobody else to read: jetstream/, the
	// authority's ca.pem and ca-key.pem, enrolled/ and codes/.
	Dir string
	// Listen and Enrol are HOST:PORT of the NATS listener and of the HTTPS
	// listener for enrolling. Port 0 or -1 is any free one.
	Listen, Enrol string
	// TLS demands certificates of the shop's authority on both sides. It is
	// needed where a listener is reached from beyond this machine.
	TLS bool
	// Names are DNS names and addresses for the server's certificate, besides
	// this machine's own; the first is what vehicles are told.
	Names []string
	// Quota bounds what one vehicle may do.
	Quota Quota
	// MaxBytes bounds JetStream's disk, in bytes; 0 is no bound.
	MaxBytes int64
	// Logf is told what goes wrong; nil for nobody.
	Logf func(string, ...any)
}

// Default listeners, both on this machine only.
const (
	defaultListen = "127.0.0.1:4422"
	defaultEnrol  = "127.0.0.1:4423"
)

// Server is a running server.
type Server struct {
	opt    Options
	nats   *natsserver.Server
	ca     *authority
	secret string // that the shop itself connects with; new at every start
	own    *nats.Conn
	js     jetstream.JetStream
	enrol  *http.Server
	port   int // of the enrolment listener
	unlock func()

	stop    chan struct{}
	stopped sync.WaitGroup
	failed  chan struct{}

	// ready is set once vehicles may come: the listener is open before the
	// stream is prepared.
	ready     atomic.Bool
	mu        sync.Mutex
	accounts  map[string]*natsserver.Account
	connected map[uint64]caller  // by the connection's number
	traffic   map[uint64]traffic // of the watch alone
}

// shopUser is no vehicle's name.
const shopUser = "SHOP"

// Start starts the server and prepares its streams, which all vehicles share. What
// the server has confirmed is on the medium.
func Start(opt Options) (s *Server, err error) {
	if opt.Listen == "" {
		opt.Listen = defaultListen
	}
	if opt.Enrol == "" {
		opt.Enrol = defaultEnrol
	}
	opt.Quota = opt.Quota.filled()
	if opt.Logf == nil {
		opt.Logf = func(string, ...any) {}
	}
	host, port, err := listener(opt.Listen, opt.TLS)
	if err != nil {
		return nil, err
	}
	enrolHost, enrolPort, err := listener(opt.Enrol, opt.TLS)
	if err != nil {
		return nil, err
	}
	if err := prepareDir(opt.Dir); err != nil {
		return nil, err
	}
	s = &Server{opt: opt, secret: rand.Text(), accounts: map[string]*natsserver.Account{}, connected: map[uint64]caller{}, stop: make(chan struct{}), failed: make(chan struct{})}
	defer func() {
		if err != nil {
			s.Close()
		}
	}()
	if s.unlock, err = Lock(opt.Dir); err != nil {
		return s, err
	}
	if s.ca, err = openAuthority(opt.Dir); err != nil {
		return s, err
	}
	certificate, err := s.ca.serverCertificate(append([]string{host, enrolHost}, opt.Names...))
	if err != nil {
		return s, err
	}
	if err := s.startNATS(host, port, certificate); err != nil {
		return s, err
	}
	if s.own, err = s.Connect(); err != nil {
		return s, err
	}
	if s.js, err = jetstream.New(s.own, jetstream.WithDefaultTimeout(10*time.Second)); err != nil {
		return s, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	if err := EnsureStreams(ctx, s.js, 1); err != nil {
		return s, err
	}
	s.ready.Store(true)
	if err := s.startEnrolment(enrolHost, enrolPort, certificate); err != nil {
		return s, err
	}
	s.stopped.Add(1)
	go s.watch()
	return s, s.writeAddress()
}

// watchEvery is how often the server looks who was struck off or does too much, and
// at itself.
const watchEvery = 2 * time.Second

// weighEvery is after how many of those the files that wait are weighed.
const weighEvery = 5

func (s *Server) watch() {
	defer s.stopped.Done()
	t := time.NewTicker(watchEvery)
	defer t.Stop()
	for rounds := 1; ; rounds++ {
		select {
		case <-s.stop:
			return
		case <-t.C:
		}
		s.measure(time.Now())
		if rounds%weighEvery == 0 {
			ctx, cancel := context.WithTimeout(context.Background(), watchEvery)
			s.weigh(ctx, time.Now())
			cancel()
		}
		s.dismiss()
		// A medium that is full or broken makes JetStream stop itself.
		if !s.nats.JetStreamEnabled() {
			close(s.failed)
			return
		}
	}
}

// Failed is closed when the medium is full or broken and nothing more can be
// taken in until the server is started anew.
func (s *Server) Failed() <-chan struct{} { return s.failed }

// startWait is how long the start may take: after a crash, what waits is looked through
// before the server listens, and the buckets of couriers of before.
const startWait = 15 * time.Minute

// listener reads HOST:PORT and refuses what is not safe.
func listener(at string, secured bool) (host string, port int, err error) {
	host, p, err := net.SplitHostPort(at)
	if err == nil {
		port, err = strconv.Atoi(p)
	}
	if err != nil || port < -1 || port > 65535 {
		return "", 0, fmt.Errorf("listener %.80q: expected HOST:PORT", at)
	}
	if !secured && !loopback(host) {
		return "", 0, fmt.Errorf("%s listens beyond this machine: that needs --tls, or anybody near could write and read the shop's records", at)
	}
	return host, max(port, 0), nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func (s *Server) startNATS(host string, port int, certificate tls.Certificate) error {
	o := &natsserver.Options{
		ServerName: "jolt-shop", Host: host, Port: port,
		JetStream: true, StoreDir: s.opt.Dir, JetStreamMaxStore: s.opt.MaxBytes, SyncAlways: true,
		MaxPayload: maxMessage, MaxSubs: 100, MaxTracedMsgLen: 0,
		// So many requests that a vehicle is sent away for do not push out others'.
		JetStreamRequestQueueLimit: 200_000, JetStreamInfoQueueLimit: 200_000,
		NoSigs: true, AuthTimeout: 10, TLSTimeout: 10,
		CustomClientAuthentication: gate{s},
	}
	if host == "" {
		o.Host = "0.0.0.0"
	}
	if port == 0 {
		o.Port = natsserver.RANDOM_PORT
	}
	if s.opt.TLS {
		pool := x509.NewCertPool()
		pool.AddCert(s.ca.certificate)
		o.TLS, o.TLSVerify = true, true
		o.TLSConfig = &tls.Config{Certificates: []tls.Certificate{certificate}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool, MinVersion: tls.VersionTLS13}
		resumable(o.TLSConfig)
	}
	// The server says nothing of a port that is taken until its time is up.
	if port > 0 {
		l, err := net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(port)))
		if err != nil {
			return err
		}
		l.Close()
	}
	ns, err := natsserver.NewServer(o)
	if err != nil {
		return err
	}
	s.nats = ns
	for _, subject := range exported() {
		if err := ns.GlobalAccount().AddServiceExport(subject, nil); err != nil {
			return fmt.Errorf("what vehicles are served at %s: %w", subject, err)
		}
	}
	ns.SetLogger(logger{s.opt.Logf}, false, false)
	go ns.Start()
	if !ns.ReadyForConnections(startWait) {
		return fmt.Errorf("the server does not listen at %s within %v", s.opt.Listen, startWait)
	}
	if !ns.JetStreamEnabled() {
		return fmt.Errorf("%s: JetStream does not start", s.opt.Dir)
	}
	return nil
}

// logger passes on what goes wrong.
type logger struct{ logf func(string, ...any) }

func (l logger) Noticef(string, ...any)         {}
func (l logger) Debugf(string, ...any)          {}
func (l logger) Tracef(string, ...any)          {}
func (l logger) Warnf(format string, v ...any)  { l.logf("server: "+format, v...) }
func (l logger) Errorf(format string, v ...any) { l.logf("server: "+format, v...) }
func (l logger) Fatalf(format string, v ...any) { l.logf("server: "+format, v...) }

// URL is where couriers connect.
func (s *Server) URL() string {
	scheme := "nats"
	if s.opt.TLS {
		scheme = "tls"
	}
	a, ok := s.nats.Addr().(*net.TCPAddr)
	if !ok {
		return ""
	}
	return scheme + "://" + s.told(s.opt.Listen, a.Port)
}

// EnrolURL is where vehicles enrol.
func (s *Server) EnrolURL() string { return "https://" + s.told(s.opt.Enrol, s.port) }

// told is the address that vehicles are told for a listener.
func (s *Server) told(listen string, port int) string {
	host, _, _ := net.SplitHostPort(listen)
	ip := net.ParseIP(host)
	if !loopback(host) && len(s.opt.Names) > 0 {
		host = s.opt.Names[0]
	} else if host == "" || ip != nil && ip.IsUnspecified() {
		if name, err := os.Hostname(); err == nil {
			host = name
		}
	}
	return net.JoinHostPort(host, strconv.Itoa(port))
}

// CAFingerprint is the SHA-256 of the authority's certificate, in hexadecimal.
func (s *Server) CAFingerprint() string { return s.ca.fingerprint() }

// Connect connects the shop itself, in this process and with all rights.
func (s *Server) Connect() (*nats.Conn, error) {
	return nats.Connect("", nats.InProcessServer(s.nats), nats.UserInfo(shopUser, s.secret), nats.MaxReconnects(-1), nats.Name("shop"))
}

// Close stops everything. What was confirmed stays.
func (s *Server) Close() {
	if s.stop != nil {
		close(s.stop)
		s.stopped.Wait()
		s.stop = nil
	}
	if s.enrol != nil {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		if s.enrol.Shutdown(ctx) != nil {
			s.enrol.Close()
		}
		cancel()
	}
	if s.own != nil {
		s.own.Close()
	}
	if s.nats != nil {
		s.nats.Shutdown()
		s.nats.WaitForShutdown()
	}
	if s.unlock != nil {
		s.unlock()
		s.unlock = nil
	}
}

// Address is how a running server is reached; it lies in the shop's folder for
// commands beside it.
type Address struct {
	URL         string `json:"url"`
	Enrol       string `json:"enrol"`
	Fingerprint string `json:"ca_sha256"`
}

func (s *Server) writeAddress() error {
	return writeJSON(filepath.Join(s.opt.Dir, "address.json"), Address{s.URL(), s.EnrolURL(), s.CAFingerprint()})
}

// AddressOf reads the address that the shop's server last had.
func AddressOf(dir string) (a Address, err error) {
	b, err := os.ReadFile(filepath.Join(dir, "address.json"))
	if errors.Is(err, os.ErrNotExist) {
		return a, fmt.Errorf("%s: no shop has been served here; start joltshop serve first", dir)
	}
	if err == nil {
		err = json.Unmarshal(b, &a)
	}
	return a, err
}

// distinct is names in order, without repetition and empty ones.
func distinct(names []string) []string {
	names = slices.DeleteFunc(slices.Clone(names), func(s string) bool { return strings.TrimSpace(s) == "" })
	slices.Sort(names)
	return slices.Compact(names)
}

// maxMessage bounds one message: a record, or a part of a file, with its headers.
const maxMessage = wire.MaxRecord + 4<<10
