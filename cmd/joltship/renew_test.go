package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"joltwatch/cmd/develop/wait"
	"joltwatch/cmd/joltship/courier"
	"joltwatch/cmd/joltshop/server"
	"joltwatch/storage/wire"
)

// letIn reports whether the shop lets the vehicle in with a pair of files.
func letIn(t *testing.T, s *server.Server, dir, certificate, key string) bool {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(filepath.Join(dir, certificate), filepath.Join(dir, key))
	if err != nil {
		t.Fatal(err)
	}
	ca, err := os.ReadFile(filepath.Join(dir, "ca.pem"))
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(ca)
	c, err := nats.Connect(s.URL(), nats.Secure(&tls.Config{RootCAs: roots, Certificates: []tls.Certificate{pair}}), nats.NoReconnect(), nats.CustomInboxPrefix(wire.Inbox("van-1")))
	if err != nil {
		return false
	}
	defer c.Close()
	return c.FlushTimeout(time.Until(wait.End(t))) == nil
}

// A certificate renews itself when it ends within 90 days and not before, the old one
// ends then, and a courier that is stopped in between goes on where it was.
func TestRenews(t *testing.T) {
	s, shopDir := shop(t)
	code, err := server.NewCode(shopDir, "van-1", time.Hour, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	home := t.TempDir()
	config, dir := filepath.Join(home, "c.toml"), filepath.Join(home, "state", "identity")
	text := fmt.Sprintf("vehicle = \"van-1\"\nservers = [%q]\nstore = %q\nstate = %q\n", s.URL(), filepath.Join(home, "stay"), filepath.Join(home, "state"))
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := run(t, "enrol", "--config", config, "--shop", s.EnrolURL(), "--code", code, "--fingerprint", s.CAFingerprint()); code != 0 {
		t.Fatal(errs)
	}
	c, err := courier.Load(config)
	if err != nil {
		t.Fatal(err)
	}
	read := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	write := func(name string, b []byte) {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	first, firstKey := read(certificateFile), read(keyFile)
	write("old.pem", first)
	write("old-key.pem", firstKey)
	ctx, day := context.Background(), 24*time.Hour
	end := time.Now().AddDate(2, 0, 0)
	if until, err := renew(ctx, c, end.Add(-91*day)); err != nil || !until.IsZero() || !bytes.Equal(read(certificateFile), first) {
		t.Errorf("91 days before: %v, %v", until, err)
	}
	until, err := renew(ctx, c, end.Add(-89*day))
	if err != nil || until.Before(end.Add(-day)) || bytes.Equal(read(certificateFile), first) || bytes.Equal(read(keyFile), firstKey) {
		t.Fatalf("89 days before: %v, %v", until, err)
	}
	if !letIn(t, s, dir, certificateFile, keyFile) || letIn(t, s, dir, "old.pem", "old-key.pem") {
		t.Error("the new certificate is not let in, or the old one is")
	}

	// Stopped at each step of putting the new ones into their places.
	second, secondKey := read(certificateFile), read(keyFile)
	write("old.pem", second)
	write("old-key.pem", secondKey)
	if _, err := renew(ctx, c, end.Add(-89*day)); err != nil {
		t.Fatal(err)
	}
	third, thirdKey := read(certificateFile), read(keyFile)
	for _, stopped := range []struct {
		what string
		left map[string][]byte
		want []byte
	}{
		{"before the certificate came", map[string][]byte{next + keyFile: thirdKey, certificateFile: second, keyFile: secondKey}, second},
		{"before any had its place", map[string][]byte{next + keyFile: thirdKey, next + certificateFile: third, certificateFile: second, keyFile: secondKey}, third},
		{"between the two", map[string][]byte{next + certificateFile: third, certificateFile: second, keyFile: thirdKey}, third},
	} {
		for _, name := range []string{next + keyFile, next + certificateFile} {
			os.Remove(filepath.Join(dir, name))
		}
		for name, b := range stopped.left {
			write(name, b)
		}
		if _, err := renew(ctx, c, end.Add(-91*day)); err != nil {
			t.Errorf("stopped %s: %v", stopped.what, err)
		}
		if _, err := tls.LoadX509KeyPair(c.Certificate, c.Key); err != nil || !bytes.Equal(read(certificateFile), stopped.want) {
			t.Errorf("stopped %s: %v", stopped.what, err)
		}
	}

	// The shop was not told that it has come: the old one is let in until it is.
	write(unsaidFile, nil)
	away := shopAddress{"https://127.0.0.1:1", s.CAFingerprint()}
	here := shopAddress{s.EnrolURL(), s.CAFingerprint()}
	if err := writeShop(dir, away); err != nil {
		t.Fatal(err)
	}
	if _, err := renew(ctx, c, end.Add(-91*day)); err == nil {
		t.Error("nobody was told, and that is no error")
	}
	if err := writeShop(dir, here); err != nil {
		t.Fatal(err)
	}
	if _, err := renew(ctx, c, end.Add(-91*day)); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(dir, unsaidFile)); err == nil {
		t.Error("it goes on telling")
	}
}
