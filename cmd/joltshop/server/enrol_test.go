package server

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
)

// vehicle is a board that enrols and connects with certificates.
type vehicle struct {
	key  *ecdsa.PrivateKey
	cert []byte // DER
	from string // the address that it asks from, where not the usual one
}

func newVehicle(t *testing.T) *vehicle {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return &vehicle{key: key}
}

// csr asks for a name that is not its to choose.
func (v *vehicle) csr(t *testing.T) string {
	t.Helper()
	der, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{Subject: pkix.Name{CommonName: "another"}, DNSNames: []string{"another"}}, v.key)
	if err != nil {
		t.Fatal(err)
	}
	return string(pemOf("CERTIFICATE REQUEST", der))
}

func (v *vehicle) pool(s *Server) *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(s.ca.certificate)
	return pool
}

func (v *vehicle) local() net.Addr {
	if v.from == "" {
		return nil
	}
	return &net.TCPAddr{IP: net.ParseIP(v.from)}
}

// ask posts to the enrolment listener.
func (v *vehicle) ask(t *testing.T, s *Server, body []byte) (status int, a enrolAnswer, why string) {
	t.Helper()
	client := http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true, DialContext: (&net.Dialer{LocalAddr: v.local()}).DialContext, TLSClientConfig: &tls.Config{RootCAs: v.pool(s)}}}
	r, err := client.Post(s.EnrolURL()+"/enrol", "application/json", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	var both struct {
		enrolAnswer
		enrolRefusal
	}
	if err := json.NewDecoder(r.Body).Decode(&both); err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, both.enrolAnswer, both.Error
}

func (v *vehicle) enrol(t *testing.T, s *Server, code string) (int, enrolAnswer) {
	t.Helper()
	body, err := json.Marshal(enrolRequest{code, v.csr(t)})
	if err != nil {
		t.Fatal(err)
	}
	status, a, _ := v.ask(t, s, body)
	if status == http.StatusOK {
		v.cert = derOf(t, a.Certificate)
	}
	return status, a
}

func (v *vehicle) tls(s *Server) nats.Option {
	c := &tls.Config{RootCAs: v.pool(s)}
	if v.cert != nil {
		c.Certificates = []tls.Certificate{{Certificate: [][]byte{v.cert}, PrivateKey: v.key}}
	}
	return nats.Secure(c)
}

func derOf(t *testing.T, text string) []byte {
	t.Helper()
	b, _ := pem.Decode([]byte(text))
	if b == nil {
		t.Fatal("no certificate")
	}
	return b.Bytes
}

func refused(t *testing.T, s *Server, what string, o ...nats.Option) {
	t.Helper()
	c, err := nats.Connect(s.URL(), append(o, nats.NoReconnect(), nats.Timeout(5*time.Second))...)
	if err == nil {
		// TLS 1.3 tells of a certificate's refusal after the handshake.
		err = c.FlushTimeout(5 * time.Second)
		c.Close()
	}
	if err == nil {
		t.Errorf("%s: connected", what)
	}
}

func TestEnrol(t *testing.T) {
	s := start(t, Options{TLS: true})
	dir, now := s.opt.Dir, time.Now()
	code, err := NewCode(dir, "van-1", CodeValid, now)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(codePath(dir, "van-1")); err != nil || bytes.Contains(b, []byte(code)) {
		t.Fatalf("the code itself is on disk: %s, %v", b, err)
	}
	v := newVehicle(t)
	status, a := v.enrol(t, s, strings.ToUpper(code))
	if status != http.StatusOK || a.Vehicle != "van-1" || a.Token != "" || a.CA != string(s.ca.pem) {
		t.Fatalf("%d %+v", status, a)
	}
	cert, err := x509.ParseCertificate(v.cert)
	if err != nil {
		t.Fatal(err)
	}
	if cert.Subject.CommonName != "van-1" || len(cert.DNSNames) > 0 || cert.IsCA || cert.NotAfter.After(now.AddDate(2, 0, 1)) ||
		len(cert.ExtKeyUsage) != 1 || cert.ExtKeyUsage[0] != x509.ExtKeyUsageClientAuth {
		t.Fatalf("certificate of %v for %v, until %v", cert.Subject, cert.ExtKeyUsage, cert.NotAfter)
	}
	delivers(t, dial(t, s, "van-1", v.tls(s)), "van-1")

	if status, _ := newVehicle(t).enrol(t, s, code); status != http.StatusForbidden {
		t.Errorf("the code again: %d", status)
	}
	if _, err := NewCode(dir, "van-1", CodeValid, now); err == nil {
		t.Error("a code for a name that is enrolled")
	}
	for _, name := range []string{"", "Van", "../x", "a.b", "-x", "*", strings.Repeat("a", 41)} {
		if _, err := NewCode(dir, name, CodeValid, now); err == nil {
			t.Errorf("a code for %q", name)
		}
	}
	over, err := NewCode(dir, "van-2", CodeValid, now.Add(-CodeValid))
	if err != nil {
		t.Fatal(err)
	}
	if status, _ := newVehicle(t).enrol(t, s, over); status != http.StatusForbidden {
		t.Errorf("a code that is over: %d", status)
	}
	// The same vehicle anew: its earlier certificate ends.
	renew, err := RenewCode(dir, "van-1", CodeValid, now)
	if err != nil {
		t.Fatal(err)
	}
	anew := newVehicle(t)
	if status, _ := anew.enrol(t, s, renew); status != http.StatusOK {
		t.Fatalf("renewed: %d", status)
	}
	refused(t, s, "the earlier certificate", v.tls(s))
	delivers(t, dial(t, s, "van-1", anew.tls(s)), "van-1")
}

func TestEnrolRefused(t *testing.T) {
	s := start(t, Options{})
	code, err := NewCode(s.opt.Dir, "van-1", CodeValid, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	v := newVehicle(t)
	request := func(code, csr string) []byte {
		b, _ := json.Marshal(enrolRequest{code, csr})
		return b
	}
	broken := []byte(v.csr(t))
	broken[len(broken)/2] ^= 1
	for what, body := range map[string][]byte{
		"nothing":          nil,
		"no JSON":          []byte("code=x"),
		"no request":       request(code, ""),
		"a broken request": request(code, string(broken)),
		"a wrong code":     request("abcde-abcde-abcde-abcde", v.csr(t)),
		"no code":          request("", v.csr(t)),
		"more than 16 KiB": request(code, v.csr(t)+strings.Repeat("\n", maxEnrolBody)),
		"a certificate":    request(code, string(s.ca.pem)),
	} {
		if status, _, why := v.ask(t, s, body); status < 400 || status >= 500 || why == "" {
			t.Errorf("%s: %d %q", what, status, why)
		}
	}
	// None of it used the code up. Without TLS the answer has a token.
	status, a := v.enrol(t, s, code)
	if status != http.StatusOK || a.Token == "" {
		t.Fatalf("%d %+v", status, a)
	}
	delivers(t, dial(t, s, "van-1", nats.UserInfo("van-1", a.Token)), "van-1")
	for i := range triesOfSource {
		if status, _, _ := v.ask(t, s, nil); status == http.StatusTooManyRequests {
			return
		} else if i == triesOfSource-1 {
			t.Errorf("the %dth within a minute: %d", 9+triesOfSource, status)
		}
	}
}

// While one address tries a thousand codes, a vehicle at another enrols.
func TestEnrolBesideAttack(t *testing.T) {
	s := start(t, Options{TLS: true})
	code, err := NewCode(s.opt.Dir, "van-1", CodeValid, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	hostile := &vehicle{key: newVehicle(t).key, from: "127.0.0.2"}
	csr := hostile.csr(t)
	tried, underWay := make(chan int), make(chan struct{})
	go func() {
		let := 0
		for i := range 1000 {
			if i == 2*triesOfSource {
				close(underWay)
			}
			body, _ := json.Marshal(enrolRequest{fmt.Sprintf("abcde-abcde-abcde-%05d", i), csr})
			if status, _, _ := hostile.ask(t, s, body); status == http.StatusForbidden {
				let++
			}
		}
		tried <- let
	}()
	<-underWay
	v := newVehicle(t)
	if status, a := v.enrol(t, s, code); status != http.StatusOK || a.Vehicle != "van-1" {
		t.Errorf("beside the attack: %d %+v", status, a)
	}
	// Within a minute an address has its tries, and what a slow machine adds.
	if let := <-tried; let > 10*triesOfSource {
		t.Errorf("%d of 1000 codes were looked up", let)
	}
	delivers(t, dial(t, s, "van-1", v.tls(s)), "van-1")
}

func TestLimits(t *testing.T) {
	l, now := newLimits(5), time.Now()
	of := func(who string) (n int) {
		for range 20 {
			if l.allow(who, now) {
				n++
			}
		}
		return n
	}
	if a, b := of("a"), of("b"); a != 5 || b != 5 {
		t.Errorf("%d and %d of 20, want 5 each", a, b)
	}
	for i := range 3 * maxLimited {
		l.allow(fmt.Sprint(i), now)
	}
	if len(l.of) > maxLimited {
		t.Errorf("%d are remembered", len(l.of))
	}
	now = now.Add(time.Minute)
	if n := of("a"); n != 5 {
		t.Errorf("%d of 20 a minute later", n)
	}
	for remote, want := range map[string]string{"192.0.2.7:1234": "192.0.2.7", "[::ffff:192.0.2.7]:1": "192.0.2.7", "[2001:db8:1:2:3::4]:5": "2001:db8:1:2::/64"} {
		if got := source(remote); got != want {
			t.Errorf("%s is %s, want %s", remote, got, want)
		}
	}
}

// A code ends at its time, is cleared away then, and a vehicle that was struck off
// or shows an earlier certificate is noted with the reason.
func TestEndsAndIsNoted(t *testing.T) {
	s := start(t, Options{TLS: true})
	dir, now := s.opt.Dir, time.Now()
	code, err := NewCode(dir, "van-1", time.Hour, now)
	if err != nil {
		t.Fatal(err)
	}
	h := &enroller{s: s}
	if c, err := h.find(code, now.Add(time.Hour-time.Millisecond)); err != nil || c.Vehicle != "van-1" {
		t.Errorf("before its end: %v", err)
	}
	if _, err := h.find(code, now.Add(time.Hour)); err == nil {
		t.Error("at its end it is valid")
	}
	if _, err := os.Stat(codePath(dir, "van-1")); !os.IsNotExist(err) {
		t.Errorf("it is still there: %v", err)
	}
	if code, err = NewCode(dir, "van-1", time.Hour, now); err != nil {
		t.Fatal(err)
	}
	v := newVehicle(t)
	if status, _ := v.enrol(t, s, code); status != http.StatusOK {
		t.Fatal(status)
	}
	if err := Revoke(dir, "van-1"); err != nil {
		t.Fatal(err)
	}
	refused(t, s, "struck off", v.tls(s))
	if list, err := RefusedIn(dir, now.Add(-time.Minute)); err != nil || len(list) != 1 || list[0].Vehicle != "van-1" || list[0].Why != "it was struck off" {
		t.Errorf("%+v, %v", list, err)
	}
}

func TestCertificates(t *testing.T) {
	s := start(t, Options{TLS: true, Listen: ":0", Names: []string{"127.0.0.1"}})
	dir := s.opt.Dir
	enrolled := func(s *Server, name string) *vehicle {
		code, err := NewCode(s.opt.Dir, name, CodeValid, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		v := newVehicle(t)
		if status, _ := v.enrol(t, s, code); status != http.StatusOK {
			t.Fatalf("%s: %d", name, status)
		}
		return v
	}
	honest, struck := enrolled(s, "honest"), enrolled(s, "struck")
	conn := dial(t, s, "honest", honest.tls(s))
	delivers(t, conn, "honest")

	refused(t, s, "no certificate", newVehicle(t).tls(s))
	token, err := Local(dir, "honest")
	if err != nil {
		t.Fatal(err)
	}
	refused(t, s, "a token in place of a certificate", newVehicle(t).tls(s), nats.UserInfo("honest", token))
	refused(t, s, "another's name", struck.tls(s), nats.UserInfo("honest", token))
	refused(t, s, "the shop's name", struck.tls(s), nats.UserInfo(shopUser, ""))

	other := start(t, Options{TLS: true})
	foreign := enrolled(other, "honest")
	refused(t, s, "a certificate of another authority", foreign.tls(s))

	// The server's own certificate is no vehicle's.
	own, err := s.ca.serverCertificate([]string{"honest"})
	if err != nil {
		t.Fatal(err)
	}
	refused(t, s, "a server's certificate", nats.Secure(&tls.Config{RootCAs: honest.pool(s), Certificates: []tls.Certificate{own}}))

	// One that this authority signed, but that is not the vehicle's one.
	stray := newVehicle(t)
	c, err := s.ca.vehicleCertificate("honest", stray.key.Public(), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	stray.cert = c.Raw
	refused(t, s, "a stray certificate", stray.tls(s))

	if err := Revoke(dir, "struck"); err != nil {
		t.Fatal(err)
	}
	refused(t, s, "struck off", struck.tls(s))
	if err := Revoke(dir, "struck"); err == nil {
		t.Error("struck off twice")
	}

	// No word in clear.
	raw, err := net.Dial("tcp", strings.TrimPrefix(s.URL(), "tls://"))
	if err != nil {
		t.Fatal(err)
	}
	defer raw.Close()
	raw.SetDeadline(time.Now().Add(15 * time.Second))
	fmt.Fprintf(raw, "CONNECT {\"user\":\"honest\",\"pass\":%q}\r\nPING\r\n", token)
	b := make([]byte, 64<<10)
	n := 0
	for n < len(b) {
		m, err := raw.Read(b[n:])
		n += m
		if err != nil {
			break
		}
	}
	if bytes.Contains(b[:n], []byte("PONG")) {
		t.Errorf("answered in clear: %q", b[:n])
	}
	delivers(t, conn, "honest")
}

func TestFolder(t *testing.T) {
	s := start(t, Options{})
	if _, err := Local(s.opt.Dir, "van-1"); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"", "ca-key.pem", "enrolled", "enrolled/van-1.json"} {
		info, err := os.Stat(filepath.Join(s.opt.Dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s: mode %v", name, info.Mode())
		}
	}
	a, err := AddressOf(s.opt.Dir)
	if err != nil || a.URL != s.URL() || a.Enrol != s.EnrolURL() || a.Fingerprint != s.CAFingerprint() {
		t.Errorf("%+v, %v", a, err)
	}
	if _, err := AddressOf(t.TempDir()); err == nil {
		t.Error("an address where there is no shop")
	}
}
