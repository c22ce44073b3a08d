package server

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

// The rights as a NATS server reads them from its configuration: what is said of
// the embedded server holds there, the certificate saying who it is.
func TestRights(t *testing.T) {
	dir := t.TempDir()
	for _, v := range []string{"honest", "hostile"} {
		if _, err := Local(dir, v); err != nil {
			t.Fatal(err)
		}
	}
	ca, err := openAuthority(dir)
	if err != nil {
		t.Fatal(err)
	}
	rights, err := Rights(dir)
	if err != nil {
		t.Fatal(err)
	}
	node, err := ca.serverCertificate([]string{"127.0.0.1"})
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(node.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	conf := t.TempDir()
	for name, text := range map[string]string{
		"cert.pem": string(pemOf("CERTIFICATE", node.Certificate[0])), "key.pem": string(pemOf("PRIVATE KEY", der)), "rights.conf": rights,
		"server.conf": fmt.Sprintf("host: 127.0.0.1\nport: -1\njetstream { store_dir: %q }\ntls { cert_file: %q, key_file: %q, ca_file: %q, verify_and_map: true }\ninclude rights.conf\n",
			filepath.Join(conf, "js"), filepath.Join(conf, "cert.pem"), filepath.Join(conf, "key.pem"), filepath.Join(dir, "ca.pem")),
	} {
		if err := os.WriteFile(filepath.Join(conf, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	o, err := natsserver.ProcessConfigFile(filepath.Join(conf, "server.conf"))
	if err != nil {
		t.Fatal(err)
	}
	o.NoSigs, o.NoLog = true, true
	s, err := natsserver.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the server does not start")
	}

	secured, err := IntakeTLS(dir, "")
	if err != nil {
		t.Fatal(err)
	}
	own, err := nats.Connect(s.ClientURL(), nats.Secure(secured))
	if err != nil {
		t.Fatal(err)
	}
	defer own.Close()
	js := stream(t, own)
	ctx := context.Background()
	if err := EnsureStreams(ctx, js, 1); err != nil {
		t.Fatal(err)
	}
	for _, v := range []string{"honest", "hostile"} {
		if err := EnsureBucket(ctx, js, v, 1); err != nil {
			t.Fatal(err)
		}
	}
	as := func(vehicle string) *nats.Conn {
		key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		cert, err := ca.vehicleCertificate(vehicle, key.Public(), time.Now())
		if err != nil {
			t.Fatal(err)
		}
		c, err := nats.Connect(s.ClientURL(), nats.CustomInboxPrefix(wire.Inbox(vehicle)), nats.NoReconnect(), nats.PermissionErrOnSubscribe(true),
			nats.Secure(&tls.Config{RootCAs: secured.RootCAs, Certificates: []tls.Certificate{{Certificate: [][]byte{cert.Raw}, PrivateKey: key}}}),
			nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(c.Close)
		return c
	}
	delivers(t, as("honest"), "honest")
	hostile := as("hostile")
	delivers(t, hostile, "hostile")
	hjs := stream(t, hostile)
	before := stateOf(t, js)
	for _, subject := range []string{wire.Subject("honest", wire.KindEvent), "$O.evidence-honest.M.x"} {
		if _, err := hjs.Publish(ctx, subject, []byte("x"), jetstream.WithRetryAttempts(0)); err == nil {
			t.Errorf("%s: taken", subject)
		}
	}
	if _, err := hjs.ObjectStore(ctx, wire.Bucket("honest")); err == nil {
		t.Error("another's bucket was opened")
	}
	if err := hjs.DeleteStream(ctx, wire.Stream); err == nil {
		t.Error("the stream was deleted")
	}
	for _, subject := range []string{">", "jolt.>", wire.Inbox("honest") + ".>"} {
		sub, err := hostile.SubscribeSync(subject)
		if err != nil {
			t.Fatal(err)
		}
		if err := hostile.Flush(); err != nil {
			t.Fatal(err)
		}
		if _, err := sub.NextMsg(time.Second); !errors.Is(err, nats.ErrPermissionViolation) {
			t.Errorf("subscribe to %s: %v", subject, err)
		}
	}
	if after := stateOf(t, js); after != before {
		t.Errorf("changed: %s, was %s", after, before)
	}
	// One that the shop has not enrolled has a certificate of its authority all
	// the same, as one that was struck off has.
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := ca.vehicleCertificate("struck-off", key.Public(), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if c, err := nats.Connect(s.ClientURL(), nats.NoReconnect(), nats.Secure(&tls.Config{RootCAs: secured.RootCAs, Certificates: []tls.Certificate{{Certificate: [][]byte{cert.Raw}, PrivateKey: key}}})); err == nil {
		c.Close()
		t.Error("one that is struck off was let in")
	}
}

func stateOf(t *testing.T, js jetstream.JetStream) string {
	t.Helper()
	all := ""
	for _, name := range []string{wire.Stream, "OBJ_" + wire.Bucket("honest")} {
		st, err := js.Stream(context.Background(), name)
		if err != nil {
			t.Fatal(err)
		}
		x := st.CachedInfo().State
		all += fmt.Sprintf("%s: %d messages, %d to %d; ", name, x.Msgs, x.FirstSeq, x.LastSeq)
	}
	return all
}
