package server

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"maps"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/cmd/develop/wait"
	"joltwatch/storage/wire"
)

// genuine builds the server's own program, as a shop would install it.
func genuine(t *testing.T) string {
	t.Helper()
	program := filepath.Join(t.TempDir(), "nats-server")
	if out, err := exec.Command("go", "build", "-o", program, "github.com/nats-io/nats-server/v2").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return program
}

// freePorts are ports that were free a moment ago.
func freePorts(t *testing.T, n int) (ports []int) {
	t.Helper()
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	return ports
}

// threeServers starts three processes of a cluster with the rights of the shop in
// dir, as the manual says they are configured, and returns their addresses, the
// processes, and what has them read the rights of now.
func threeServers(t *testing.T, dir string, ca *authority) (urls string, nodes []*os.Process, reread func()) {
	t.Helper()
	program := genuine(t)
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
	ports := freePorts(t, 6)
	var routes, all []string
	for i := range 3 {
		routes = append(routes, fmt.Sprintf("nats-route://127.0.0.1:%d", ports[3+i]))
		all = append(all, fmt.Sprintf("tls://127.0.0.1:%d", ports[i]))
	}
	var files []string
	for i := range 3 {
		conf := t.TempDir()
		at := func(name string) string { return filepath.Join(conf, name) }
		for name, text := range map[string]string{
			"cert.pem": string(pemOf("CERTIFICATE", node.Certificate[0])), "key.pem": string(pemOf("PRIVATE KEY", der)), "rights.conf": rights,
			"server.conf": fmt.Sprintf("server_name: node-%d\nhost: 127.0.0.1\nport: %d\njetstream { store_dir: %q, strict: false }\n"+
				"tls { cert_file: %q, key_file: %q, ca_file: %q, verify_and_map: true }\n"+
				"cluster { name: shop, host: 127.0.0.1, port: %d, routes: [%s] }\ninclude rights.conf\n",
				i, ports[i], at("js"), at("cert.pem"), at("key.pem"), filepath.Join(dir, "ca.pem"), ports[3+i], strings.Join(routes, ", ")),
		} {
			if err := os.WriteFile(at(name), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		p := exec.Command(program, "-c", at("server.conf"), "-l", at("log"))
		if err := p.Start(); err != nil {
			t.Fatal(err)
		}
		nodes, files = append(nodes, p.Process), append(files, at("rights.conf"))
		t.Cleanup(func() {
			p.Process.Kill() //nolint:errcheck // it may have ended
			p.Wait()         //nolint:errcheck // killed
			if b, err := os.ReadFile(at("log")); t.Failed() && err == nil {
				t.Logf("node %d: %s", i, b[max(0, len(b)-2000):])
			}
		})
	}
	return strings.Join(all, ","), nodes, func() {
		t.Helper()
		rights, err := Rights(dir)
		for i, n := range nodes {
			err = errors.Join(err, os.WriteFile(files[i], []byte(rights), 0o600), n.Signal(syscall.SIGHUP))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// certify enrols a vehicle with a new certificate, in place of an earlier one, and
// returns how it shows that.
func certify(t *testing.T, dir string, ca *authority, vehicle string) nats.Option {
	t.Helper()
	shown, cert := signed(t, ca, vehicle)
	if err := writeJSON(enrolledPath(dir, vehicle), enrolled{Vehicle: vehicle, certified: certifiedBy(cert), Since: time.Now()}); err != nil {
		t.Fatal(err)
	}
	return shown
}

// signed is a certificate of the authority that nobody has enrolled.
func signed(t *testing.T, ca *authority, vehicle string) (nats.Option, *x509.Certificate) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := ca.vehicleCertificate(vehicle, key.Public(), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(ca.certificate)
	return nats.Secure(&tls.Config{RootCAs: roots, Certificates: []tls.Certificate{{Certificate: [][]byte{cert.Raw}, PrivateKey: key}}}), cert
}

// forCluster makes the folder of a shop with its authority; a test that takes a cluster is
// not run with -short.
func forCluster(t *testing.T) (dir string, ca *authority) {
	t.Helper()
	if testing.Short() {
		t.Skip("a cluster takes some seconds: not run with -short")
	}
	dir = t.TempDir()
	if err := prepareDir(dir); err != nil {
		t.Fatal(err)
	}
	ca, err := openAuthority(dir)
	if err != nil {
		t.Fatal(err)
	}
	return dir, ca
}

// The rights as NATS servers read them from their configuration, on three genuine
// servers, each a process of its own and not of the strict kind: what is said of the
// embedded server holds there, the certificate saying who it is.
func TestRights(t *testing.T) {
	dir, ca := forCluster(t)
	shows := map[string]nats.Option{}
	for _, v := range []string{"honest", "hostile"} {
		shows[v] = certify(t, dir, ca, v)
	}
	urls, _, reread := threeServers(t, dir, ca)
	secured, err := IntakeTLS(dir, "")
	if err != nil {
		t.Fatal(err)
	}
	own, err := nats.Connect(urls, nats.Secure(secured), nats.RetryOnFailedConnect(true), nats.MaxReconnects(-1), nats.ReconnectWait(200*time.Millisecond))
	if err != nil {
		t.Fatal(err)
	}
	defer own.Close()
	js, err := jetstream.New(own, jetstream.WithDefaultTimeout(5*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	// Without a leader the servers answer nothing.
	wait.Until(t, "a leader", func() bool { return EnsureStreams(ctx, js, 3) == nil })
	for _, v := range []string{"honest", "hostile"} {
		if err := EnsureBucket(ctx, js, v, 3); err != nil {
			t.Fatal(err)
		}
	}
	as := func(vehicle string) *nats.Conn {
		c, err := nats.Connect(urls, nats.CustomInboxPrefix(wire.Inbox(vehicle)), nats.NoReconnect(), nats.PermissionErrOnSubscribe(true), shows[vehicle],
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
	hjs, err := jetstream.New(hostile, jetstream.WithDefaultTimeout(time.Second))
	if err != nil {
		t.Fatal(err)
	}
	before := stateOf(t, js)
	for _, subject := range []string{wire.Subject("honest", wire.KindEvent), "$O.evidence-honest.M.x", wire.Piece("honest", "x", 0), wire.HeldHeadOf("hostile")} {
		if _, err := hjs.Publish(ctx, subject, []byte("x"), jetstream.WithRetryAttempts(0)); err == nil {
			t.Errorf("%s: taken", subject)
		}
	}
	if m, err := hostile.Request(wire.AskHeld(wire.HeldHeadOf("honest")), nil, time.Second); err == nil {
		t.Errorf("what another is told: %+v", m)
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
		if _, err := sub.NextMsg(time.Until(wait.End(t))); !errors.Is(err, nats.ErrPermissionViolation) {
			t.Errorf("subscribe to %s: %v", subject, err)
		}
	}
	if after := stateOf(t, js); after != before {
		t.Errorf("changed: %s, was %s", after, before)
	}
	reflects(t, js, as("honest"), as)
	// One that the shop has not enrolled has a certificate of its authority all the same,
	// and so has another by a name that is enrolled.
	letIn := func(shown nats.Option) bool { return letInBy(urls, shown) > 0 }
	for _, name := range []string{"stray", "honest"} {
		shown, _ := signed(t, ca, name)
		if letIn(shown) {
			t.Errorf("a certificate of nobody, by the name %s, was let in", name)
		}
	}

	// Renewed and struck off, the earlier certificates end, with their connections.
	old, stolen, earlier := as("honest"), as("hostile"), shows["honest"]
	shows["honest"] = certify(t, dir, ca, "honest")
	if err := Revoke(dir, "hostile"); err != nil {
		t.Fatal(err)
	}
	reread()
	// Each node reads its rights when it comes to it.
	for end := wait.End(t); !old.IsClosed() || !stolen.IsClosed() || letIn(earlier) || letIn(shows["hostile"]); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("renewed: closed %v, let in %v; struck off: closed %v, let in %v", old.IsClosed(), letIn(earlier), stolen.IsClosed(), letIn(shows["hostile"]))
		}
	}
	delivers(t, as("honest"), "honest")
}

// letInBy is by how many of the servers who shows that is let in.
func letInBy(urls string, shown nats.Option) (n int) {
	for node := range strings.SplitSeq(urls, ",") {
		if c, err := nats.Connect(node, nats.NoReconnect(), nats.Timeout(time.Minute), shown); err == nil {
			c.Close()
			n++
		}
	}
	return n
}

// What the rights of many cost: their size, and on each of three genuine servers, which
// have two processors or so together, the start with them, and a reread of all after one
// was renewed and one struck off. Logged, README has it of ten thousand; what is tested
// is that the earlier certificates end.
func TestRightsOfMany(t *testing.T) {
	dir, ca := forCluster(t)
	renewed, stolen := certify(t, dir, ca, "van-1"), certify(t, dir, ca, "van-2")
	for n := 3; n <= *manyVans; n++ {
		name := fmt.Sprint("van-", n)
		text := fmt.Appendf(nil, `{"vehicle":%q,"serial":"%d","key":%q}`, name, n, hashed(name)[:32])
		if err := os.WriteFile(enrolledPath(dir, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	before := processorTime(t)
	text, err := Rights(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("rights of %d vehicles: %.1f MB, printed in %v of processor time", *manyVans, float64(len(text))/1e6, processorTime(t)-before)
	began := time.Now()
	urls, nodes, reread := threeServers(t, dir, ca)
	until := func(what string, done func() bool) {
		t.Helper()
		wait.Until(t, what, done)
		t.Logf("%s after %v; processor time of each server so far: %v", what, time.Since(began).Round(10*time.Millisecond), processorTimes(t, nodes))
	}
	until("started", func() bool { return letInBy(urls, renewed) == 3 })
	fresh := certify(t, dir, ca, "van-1")
	if err := Revoke(dir, "van-2"); err != nil {
		t.Fatal(err)
	}
	began = time.Now()
	reread()
	until("reread", func() bool { return letInBy(urls, fresh) == 3 && letInBy(urls, renewed)+letInBy(urls, stolen) == 0 })
}

// processorTimes are those of other processes so far, as the kernel counts them, in
// hundredths of a second (proc(5), utime and stime of stat).
func processorTimes(t *testing.T, list []*os.Process) (used []time.Duration) {
	t.Helper()
	for _, p := range list {
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.Pid))
		if err != nil {
			t.Fatal(err)
		}
		f := strings.Fields(string(b[bytes.LastIndexByte(b, ')')+1:]))
		user, err1 := strconv.Atoi(f[11])
		system, err2 := strconv.Atoi(f[12])
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		used = append(used, time.Duration(user+system)*10*time.Millisecond)
	}
	return used
}

// stateOf is what the shop holds of the vehicle honest, and how its streams are set.
func stateOf(t *testing.T, js jetstream.JetStream) string {
	t.Helper()
	all := ""
	for _, name := range []string{wire.Stream, wire.PieceStream, wire.HeldStream, "OBJ_" + wire.Bucket("honest")} {
		st, err := js.Stream(context.Background(), name)
		if err != nil {
			t.Fatal(err)
		}
		x, err := st.Info(context.Background(), jetstream.WithSubjectFilter(">"))
		if err != nil {
			t.Fatal(err)
		}
		for _, subject := range slices.Sorted(maps.Keys(x.State.Subjects)) {
			if !strings.Contains(subject, "hostile") {
				all += fmt.Sprintf("%s: %d; ", subject, x.State.Subjects[subject])
			}
		}
		if name == wire.PieceStream {
			x.State.FirstSeq = 0 // the first may be anybody's
		}
		all += fmt.Sprintf("%s from %d, %+v; ", name, x.State.FirstSeq, x.Config)
	}
	return all
}
