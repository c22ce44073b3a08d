package server

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/cmd/develop/wait"
	"joltwatch/storage/wire"
)

func start(t *testing.T, o Options) *Server {
	t.Helper()
	if o.Dir == "" {
		o.Dir = t.TempDir()
	}
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	o.Enrol = "127.0.0.1:0"
	s, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// local connects as a vehicle of this machine.
func local(t *testing.T, s *Server, vehicle string, o ...nats.Option) *nats.Conn {
	t.Helper()
	token, err := Local(s.opt.Dir, vehicle)
	if err != nil {
		t.Fatal(err)
	}
	return dial(t, s, vehicle, append(o, nats.UserInfo(vehicle, token))...)
}

func dial(t *testing.T, s *Server, vehicle string, o ...nats.Option) *nats.Conn {
	t.Helper()
	c, err := nats.Connect(s.URL(), append([]nats.Option{nats.Name(vehicle), nats.CustomInboxPrefix(wire.Inbox(vehicle)), nats.NoReconnect()}, o...)...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

func stream(t *testing.T, c *nats.Conn) jetstream.JetStream {
	t.Helper()
	js, err := jetstream.New(c, jetstream.WithDefaultTimeout(time.Until(wait.End(t))))
	if err != nil {
		t.Fatal(err)
	}
	return js
}

// delivers does what an honest courier does, also one of before.
func delivers(t *testing.T, c *nats.Conn, vehicle string) {
	t.Helper()
	const each = time.Minute // on a busy machine
	ctx, cancel := context.WithDeadline(context.Background(), wait.End(t))
	defer cancel()
	js, err := jetstream.New(c, jetstream.WithDefaultTimeout(each))
	if err != nil {
		t.Fatal(err)
	}
	// On a cluster the node that a vehicle is at may not have heard yet that a
	// stream was made: nobody answers then, and the courier tries again.
	heard := jetstream.WithRetryAttempts(int(each / jetstream.DefaultPubRetryWait))
	body := fmt.Appendf(nil, "a record of %s at %d", vehicle, time.Now().UnixNano())
	for i, again := range []bool{false, true} {
		ack, err := js.Publish(ctx, wire.Subject(vehicle, wire.KindUnit), body, jetstream.WithMsgID(wire.Identity(body)), heard)
		if err != nil {
			t.Fatal(err)
		}
		if ack.Stream != wire.Stream || ack.Duplicate != again {
			t.Fatalf("delivery %d: %+v", i, ack)
		}
	}
	bucket, err := js.ObjectStore(ctx, wire.Bucket(vehicle))
	if err != nil {
		t.Fatal(err)
	}
	name := wire.PartName(wire.Identity(body), 0, 1)
	if _, err := bucket.GetInfo(ctx, name); !errors.Is(err, jetstream.ErrObjectNotFound) {
		t.Fatalf("before: %v", err)
	}
	part := bytes.Repeat([]byte(vehicle), wire.PartSize/len(vehicle))
	put := func() error {
		// A part that finds nobody waits for an answer to a purge it may not ask for.
		once, cancel := context.WithTimeout(ctx, each/4)
		defer cancel()
		_, err := bucket.PutBytes(once, name, part)
		return err
	}
	for err = put(); err != nil; err = put() {
		if ctx.Err() != nil || !errors.Is(err, jetstream.ErrNoStreamResponse) {
			t.Fatal(err)
		}
	}
	if info, err := bucket.GetInfo(ctx, name); err != nil || info.Size != uint64(len(part)) {
		t.Fatalf("after: %+v, %v", info, err)
	}
	if ack, err := js.Publish(ctx, wire.Piece(vehicle, "upload", 0), body); err != nil || ack.Stream != wire.PieceStream {
		t.Fatalf("a piece: %+v, %v", ack, err)
	}
	if ack, err := js.Publish(ctx, wire.EarlierPieces(vehicle, "upload", "0"), body); err != nil || ack.Stream != "OBJ_"+wire.Bucket(vehicle) {
		t.Fatalf("a piece of before: %+v, %v", ack, err)
	}
	m, err := c.RequestWithContext(ctx, wire.AskHeld(wire.HeldHeadOf(vehicle)), nil)
	if err != nil || m.Header.Get("Status") != "404" {
		t.Fatalf("what it is told: %+v, %v", m, err)
	}
}

func TestHonestVehicle(t *testing.T) {
	s := start(t, Options{})
	delivers(t, local(t, s, "van-1"), "van-1")
	own, err := s.Connect()
	if err != nil {
		t.Fatal(err)
	}
	defer own.Close()
	js := stream(t, own)
	ctx := context.Background()
	st, err := js.Stream(ctx, wire.Stream)
	if err != nil {
		t.Fatal(err)
	}
	if n := st.CachedInfo().State.Msgs; n != 1 {
		t.Fatalf("%d records; the same one twice is one", n)
	}
	bucket, err := js.ObjectStore(ctx, wire.Bucket("van-1"))
	if err != nil {
		t.Fatal(err)
	}
	list, err := bucket.List(ctx)
	if err != nil || len(list) != 1 {
		t.Fatalf("%v, %v", list, err)
	}
	if b, err := bucket.GetBytes(ctx, list[0].Name); err != nil || len(b) != int(list[0].Size) {
		t.Fatalf("%d bytes, %v", len(b), err)
	}
}

// What is confirmed is there after a start anew, and the vehicle is known.
func TestRestart(t *testing.T) {
	dir := t.TempDir()
	s := start(t, Options{Dir: dir})
	token, err := Local(dir, "van-1")
	if err != nil {
		t.Fatal(err)
	}
	c := dial(t, s, "van-1", nats.UserInfo("van-1", token))
	delivers(t, c, "van-1")
	fingerprint := s.CAFingerprint()
	if _, err := Start(Options{Dir: dir, Listen: "127.0.0.1:0", Enrol: "127.0.0.1:0"}); err == nil || !strings.Contains(err.Error(), "another server") {
		t.Fatalf("a second server in one folder: %v", err)
	}
	s.Close()
	s = start(t, Options{Dir: dir})
	if s.CAFingerprint() != fingerprint {
		t.Fatal("another authority")
	}
	c = dial(t, s, "van-1", nats.UserInfo("van-1", token))
	delivers(t, c, "van-1")
	st, err := s.js.Stream(context.Background(), wire.Stream)
	if err != nil || st.CachedInfo().State.Msgs != 2 {
		t.Fatalf("%+v, %v", st, err)
	}
}

// A vehicle that comes while the server starts is refused until it can be served.
func TestComesTooEarly(t *testing.T) {
	dir := t.TempDir()
	token, err := Local(dir, "van-1")
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := l.Addr().String()
	l.Close()
	done := make(chan *nats.Conn)
	go func() {
		for end := wait.End(t); time.Now().Before(end); {
			if c, err := nats.Connect("nats://"+at, nats.UserInfo("van-1", token), nats.Name("van-1"), nats.CustomInboxPrefix(wire.Inbox("van-1")), nats.NoReconnect()); err == nil {
				done <- c
				return
			}
		}
		done <- nil
	}()
	start(t, Options{Dir: dir, Listen: at})
	c := <-done
	if c == nil {
		t.Fatal("never let in")
	}
	defer c.Close()
	delivers(t, c, "van-1")
}

func TestListensBeyond(t *testing.T) {
	for _, o := range []Options{{Listen: "0.0.0.0:0"}, {Listen: ":0"}, {Enrol: "[::]:0"}, {Listen: "shop.example:4422"}, {Listen: "nonsense"}} {
		o.Dir = t.TempDir()
		s, err := Start(o)
		if err == nil {
			s.Close()
			t.Fatalf("%+v started", o)
		}
		if !strings.Contains(err.Error(), "needs --tls") && !strings.Contains(err.Error(), "expected HOST:PORT") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

func TestConnectRefused(t *testing.T) {
	s := start(t, Options{})
	honest := local(t, s, "van-1")
	token, err := Local(s.opt.Dir, "van-2")
	if err != nil {
		t.Fatal(err)
	}
	for name, o := range map[string]nats.Option{
		"no name":               nats.Name("x"),
		"another's name":        nats.UserInfo("van-1", token),
		"no password":           nats.UserInfo("van-1", ""),
		"the hash for password": nats.UserInfo("van-2", hashed(token)),
		"the shop itself":       nats.UserInfo(shopUser, token),
		"never enrolled":        nats.UserInfo("van-3", token),
		"a path for a name":     nats.UserInfo("../codes/van-1", token),
	} {
		if c, err := nats.Connect(s.URL(), o, nats.NoReconnect()); err == nil {
			c.Close()
			t.Errorf("%s: connected", name)
		}
	}
	if err := Revoke(s.opt.Dir, "van-2"); err != nil {
		t.Fatal(err)
	}
	if c, err := nats.Connect(s.URL(), nats.UserInfo("van-2", token), nats.NoReconnect()); err == nil {
		c.Close()
		t.Error("struck off: connected")
	}
	delivers(t, honest, "van-1")
}

// A hostile vehicle that is enrolled.
func TestHostile(t *testing.T) {
	s := start(t, Options{})
	honest := local(t, s, "honest")
	delivers(t, honest, "honest")
	var denied atomic.Int32
	hostile := local(t, s, "hostile", nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
		if errors.Is(err, nats.ErrPermissionViolation) {
			denied.Add(1)
		}
	}))
	// The refusal is told beside the answers, so it may come a little later.
	settle := func(want int, of string) {
		t.Helper()
		if err := hostile.FlushTimeout(time.Until(wait.End(t))); err != nil {
			t.Fatal(err)
		}
		wait.Until(t, "refusal of "+of, func() bool { return int(denied.Load()) >= want })
	}
	state := func(name string) string {
		st, err := s.js.Stream(context.Background(), name)
		if err != nil {
			return err.Error()
		}
		b, _ := json.Marshal(st.CachedInfo().State)
		return string(b)
	}
	theirs := "OBJ_" + wire.Bucket("honest")
	all := func() string {
		return state(wire.Stream) + state(wire.PieceStream) + state(wire.HeldStream) + state(theirs)
	}
	before := all()
	publish := []string{
		wire.Subject("honest", wire.KindUnit), "jolt.hostile", "jolt.hostile.a.b", "jolt.x", "$O.evidence-honest.M.x", "$O.evidence-honest.C.x",
		wire.Inbox("honest") + ".x", "$SYS.REQ.SERVER.PING", "$JS.API.INFO", "$JS.API.STREAM.LIST", "$JS.API.STREAM.NAMES",
		"$JS.API.STREAM.CREATE.X", "$JS.API.STREAM.UPDATE." + wire.Stream, "$JS.API.STREAM.DELETE." + wire.Stream,
		"$JS.API.STREAM.PURGE." + wire.Stream, "$JS.API.STREAM.MSG.GET." + wire.Stream, "$JS.API.STREAM.MSG.DELETE." + wire.Stream,
		"$JS.API.STREAM.INFO." + wire.Stream, "$JS.API.CONSUMER.CREATE." + wire.Stream, "$JS.API.DIRECT.GET." + wire.Stream,
		"$JS.API.STREAM.MSG.GET." + theirs, "$JS.API.STREAM.INFO." + theirs, "$JS.API.DIRECT.GET." + theirs + ".$O.evidence-honest.M.x",
		"$JS.API.STREAM.DELETE." + theirs, "$JS.API.STREAM.PURGE." + theirs, "$JS.API.CONSUMER.CREATE." + theirs,
		"$JS.API.STREAM.DELETE.OBJ_evidence-hostile", "$JS.API.STREAM.PURGE.OBJ_evidence-hostile", "$JS.ACK.JOLT.x.1.1.1.1.0",
		wire.Piece("honest", "upload", 0), wire.EarlierPieces("honest", "upload", "0"), "p.hostile.x", "p.hostile.x.0.0",
		wire.HeldHeadOf("honest"), wire.HeldHeadOf("hostile"), wire.HeldPart("hostile", "x", "0"),
		wire.AskHeld(wire.HeldHeadOf("honest")), wire.AskHeld(wire.HeldPart("honest", "x", "0")), "$JS.API.DIRECT.GET." + wire.HeldStream,
		"$JS.API.STREAM.MSG.GET." + wire.HeldStream, "$JS.API.STREAM.MSG.GET." + wire.PieceStream, "$JS.API.STREAM.INFO." + wire.PieceStream,
		"$JS.API.DIRECT.GET." + wire.PieceStream, "$JS.API.DIRECT.GET." + wire.PieceStream + "." + wire.Piece("hostile", "x", 0),
		"$JS.API.STREAM.PURGE." + wire.PieceStream, "$JS.API.CONSUMER.CREATE." + wire.PieceStream,
	}
	for i, subject := range publish {
		if err := hostile.PublishRequest(subject, wire.Inbox("hostile")+".y", nil); err != nil {
			t.Fatal(err)
		}
		settle(i+1, subject)
		if n := denied.Load(); int(n) != i+1 {
			t.Errorf("publish to %s: not refused", subject)
			denied.Store(int32(i + 1))
		}
	}
	denied.Store(0)
	subscribe := []string{">", "jolt.>", "jolt.hostile.>", "$O.>", "_INBOX.>", "_INBOX_*.>", wire.Inbox("honest") + ".>", wire.Answers("honest") + ".>", "i.>", "$JS.>", "$SYS.>"}
	for i, subject := range subscribe {
		if _, err := hostile.SubscribeSync(subject); err != nil {
			t.Fatal(err)
		}
		settle(i+1, subject)
		if n := denied.Load(); int(n) != i+1 {
			t.Errorf("subscribe to %s: not refused", subject)
			denied.Store(int32(i + 1))
		}
	}
	if after := all(); after != before {
		t.Errorf("changed: %s, was %s", after, before)
	}
	delivers(t, hostile, "hostile") // what it may do, it still may
	delivers(t, honest, "honest")
}

// A full medium refuses; what it confirmed it has, and it takes in again when
// there is room.
func TestFull(t *testing.T) {
	s := start(t, Options{MaxBytes: 2 << 20})
	c := local(t, s, "van-1")
	js := stream(t, c)
	ctx := context.Background()
	confirmed := 0
	var err error
	for i := range 30 {
		body := append(bytes.Repeat([]byte{'x'}, 200<<10), fmt.Sprint(i)...)
		if _, err = js.Publish(ctx, wire.Subject("van-1", wire.KindUnit), body, jetstream.WithMsgID(wire.Identity(body)), jetstream.WithRetryAttempts(0)); err != nil {
			break
		}
		confirmed++
	}
	if err == nil || confirmed < 5 {
		t.Fatalf("%d confirmed, then %v", confirmed, err)
	}
	st, err := s.js.Stream(ctx, wire.Stream)
	if err != nil || st.CachedInfo().State.Msgs != uint64(confirmed) {
		t.Fatalf("%d confirmed, %+v, %v", confirmed, st, err)
	}
	if err := st.Purge(ctx); err != nil {
		t.Fatal(err)
	}
	delivers(t, c, "van-1")
}

func TestDismiss(t *testing.T) {
	s := start(t, Options{})
	gone := make(chan struct{})
	struck := local(t, s, "struck", nats.ClosedHandler(func(*nats.Conn) { close(gone) }))
	honest := local(t, s, "honest")
	s.dismiss()
	delivers(t, struck, "struck")
	if err := Revoke(s.opt.Dir, "struck"); err != nil {
		t.Fatal(err)
	}
	s.dismiss()
	<-gone
	delivers(t, honest, "honest")
}

// JetStream stops itself where the medium fails; the server says so.
func TestFailed(t *testing.T) {
	s := start(t, Options{})
	select {
	case <-s.Failed():
		t.Fatal("failed from the start")
	default:
	}
	if err := s.nats.DisableJetStream(); err != nil {
		t.Fatal(err)
	}
	<-s.Failed()
}

func TestOversized(t *testing.T) {
	s := start(t, Options{})
	c := local(t, s, "van-1")
	if got := c.MaxPayload(); got != maxMessage {
		t.Fatalf("payload of %d", got)
	}
	if err := c.Publish(wire.Subject("van-1", wire.KindUnit), make([]byte, maxMessage+1)); !errors.Is(err, nats.ErrMaxPayload) {
		t.Fatalf("%v", err)
	}
	// One that does not hold to what its library knows.
	raw := rawClient(t, s, "van-2")
	fmt.Fprintf(raw, "PUB jolt.van-2.unit %d\r\n", maxMessage+1)
	if b, _ := io.ReadAll(raw); !bytes.Contains(b, []byte("Maximum Payload")) {
		t.Fatalf("answered %q", b)
	}
	delivers(t, c, "van-1")
}
