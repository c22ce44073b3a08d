package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"encoding/pem"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"joltwatch/cmd/develop/wait"
	"joltwatch/cmd/joltshop/server"
	"joltwatch/storage/wire"
)

func shop(t *testing.T) (*server.Server, string) {
	t.Helper()
	dir := t.TempDir()
	s, err := server.Start(server.Options{Dir: dir, Listen: "127.0.0.1:0", Enrol: "127.0.0.1:0", TLS: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s, dir
}

func TestEnrolWith(t *testing.T) {
	s, dir := shop(t)
	ctx := context.Background()
	code, err := server.NewCode(dir, "van-1", time.Hour, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	other, _ := shop(t)
	_, port, _ := net.SplitHostPort(strings.TrimPrefix(s.EnrolURL(), "https://"))
	for _, x := range []struct{ at, code, fingerprint, want string }{
		{"http://127.0.0.1:1", code, s.CAFingerprint(), "expected https://"},
		{s.EnrolURL(), code, "ab", "64 hexadecimal"},
		{s.EnrolURL(), code, other.CAFingerprint(), "another fingerprint"},
		{other.EnrolURL(), code, s.CAFingerprint(), "another fingerprint"},
		// The right authority, for another address than this one.
		{"https://127.0.0.2:" + port, code, s.CAFingerprint(), "127.0.0.2"},
		{s.EnrolURL(), "abcde-abcde-abcde-abcde", s.CAFingerprint(), "not valid"},
	} {
		_, err := enrolWith(ctx, shopAddress{x.at, x.fingerprint}, x.code)
		if err == nil || !strings.Contains(err.Error(), x.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s with %s: %v; expected %q", x.at, x.fingerprint, err, x.want)
		}
	}
	id, err := enrolWith(ctx, shopAddress{s.EnrolURL(), strings.ToUpper(s.CAFingerprint())}, code)
	if err != nil {
		t.Fatal(err)
	}
	pair, err := tls.X509KeyPair(id.cert, id.key)
	if err != nil || id.vehicle != "van-1" {
		t.Fatalf("%q, %v", id.vehicle, err)
	}
	c, err := nats.Connect(s.URL(), nats.Secure(&tls.Config{Certificates: []tls.Certificate{pair}, InsecureSkipVerify: true}), nats.CustomInboxPrefix(wire.Inbox("van-1")))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := c.FlushTimeout(time.Until(wait.End(t))); err != nil {
		t.Fatal(err)
	}
}

// What a server answers is checked before it is kept.
func TestEnrolAnswer(t *testing.T) {
	s, dir := shop(t)
	code, err := server.NewCode(dir, "van-1", time.Hour, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	id, err := enrolWith(context.Background(), shopAddress{s.EnrolURL(), s.CAFingerprint()}, code)
	if err != nil {
		t.Fatal(err)
	}
	for what, answer := range map[string]http.HandlerFunc{
		"elsewhere": func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, s.EnrolURL(), http.StatusTemporaryRedirect)
		},
		"no answer": func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte("<html>")) },
		"too long": func(w http.ResponseWriter, _ *http.Request) {
			w.Write([]byte(strings.Repeat(" ", 2*maxEnrolAnswer) + "{}"))
		},
		"nothing": func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte("{}")) },
	} {
		// Its certificate is its own authority, so that the fingerprint fits.
		h := httptest.NewTLSServer(answer)
		key := newKey(t)
		print := sha256.Sum256(h.Certificate().Raw)
		got, err := askEnrolment(context.Background(), h.URL, []byte("{}"), print[:])
		if err == nil {
			_, err = got.identity(key, nil, print[:])
		}
		if err == nil || strings.Contains(err.Error(), "fingerprint") {
			t.Errorf("%s: %v", what, err)
		}
		h.Close()
	}
	a := enrolAnswer{Vehicle: "van-1", Certificate: string(id.cert), CA: string(id.ca)}
	if _, err := a.identity(newKey(t), nil, sum(t, id.ca)); err == nil || !strings.Contains(err.Error(), "another vehicle or key") {
		t.Errorf("a certificate for another key: %v", err)
	}
	if _, err := a.identity(newKey(t), nil, make([]byte, 32)); err == nil || !strings.Contains(err.Error(), "another authority") {
		t.Errorf("another authority: %v", err)
	}
	a.Vehicle = "../van"
	if _, err := a.identity(newKey(t), nil, sum(t, id.ca)); err == nil {
		t.Error("a name that is none")
	}
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func sum(t *testing.T, text []byte) []byte {
	t.Helper()
	b, _ := pem.Decode(text)
	if b == nil {
		t.Fatal("no PEM")
	}
	s := sha256.Sum256(b.Bytes)
	return s[:]
}
