package server

import (
	"context"
	"flag"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

var reflected = flag.Int("reflected", 5000, "how many requests a hostile vehicle sends whose answers it has sent elsewhere")

// A server answers to whatever subject the asker names, with its own rights. Here a
// vehicle names the subjects of another, of the shop's administration and of the
// server's insides.
func TestReflected(t *testing.T) {
	s := start(t, Options{Quota: Quota{MessagesPerSecond: 1e9}})
	reflects(t, s.js, local(t, s, "honest"), func(vehicle string) *nats.Conn {
		return local(t, s, vehicle, nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	})
}

// elsewhere are the kinds of subjects that an answer could do harm at.
var elsewhere = []string{
	wire.Subject("honest", wire.KindUnit), wire.Subject("honest", wire.KindFile), "$O.evidence-honest.M.x", "$O.evidence-honest.C.x", wire.Piece("honest", "x", 0), wire.Inbox("honest") + ".x",
	"$JS.API.STREAM.DELETE." + wire.Stream, "$JS.API.STREAM.PURGE." + wire.Stream, "$JS.API.STREAM.UPDATE." + wire.Stream, "$JS.API.STREAM.MSG.DELETE." + wire.Stream,
	wire.HeldHeadOf("honest"), "$JS.API.STREAM.DELETE." + wire.PieceStream, "$JS.API.STREAM.PURGE." + wire.PieceStream,
	"$JS.API.STREAM.DELETE.OBJ_evidence-honest", "$JS.API.STREAM.PURGE.OBJ_evidence-honest", "$JS.API.CONSUMER.DELETE." + wire.Stream + ".intake",
	"$JS.ACK." + wire.Stream + ".intake.1.1.1.1.0", "$SYS.REQ.SERVER.PING",
}

// reflects attacks from the vehicle hostile, while the vehicle honest delivers.
func reflects(t *testing.T, js jetstream.JetStream, honest *nats.Conn, as func(vehicle string) *nats.Conn) {
	t.Helper()
	ctx := context.Background()
	hostile := as("hostile")
	forged := wire.Record{Version: 1, Kind: wire.KindUnit, Vehicle: "honest", Stay: "x", Unit: &wire.Unit{}}
	body, _, err := forged.Encode()
	if err != nil {
		t.Fatal(err)
	}
	const mine = "$O.evidence-hostile.M.x"
	if _, err := stream(t, hostile).Publish(ctx, mine, body); err != nil {
		t.Fatal(err)
	}
	delivers(t, honest, "honest")
	before := stateOf(t, js)
	get := fmt.Appendf(nil, `{"last_by_subj":%q}`, mine)
	for i := range *reflected {
		target := elsewhere[i/10%len(elsewhere)]
		m := []*nats.Msg{
			{Subject: "$JS.API.STREAM.MSG.GET.OBJ_evidence-hostile", Reply: target, Data: get},
			{Subject: "$JS.API.STREAM.MSG.GET.OBJ_evidence-hostile", Reply: target, Data: []byte("nonsense")},
			{Subject: "$JS.API.STREAM.INFO.OBJ_evidence-hostile", Reply: target},
			{Subject: mine, Reply: target, Data: body, Header: nats.Header{"Nats-Rollup": {"sub"}}},
			{Subject: mine, Reply: target, Header: nats.Header{"Nats-Expected-Last-Sequence": {"x"}}},
			{Subject: wire.Subject("hostile", wire.KindUnit), Reply: target, Header: nats.Header{"Nats-Msg-Id": {"x"}}},
			{Subject: "$JS.API.DIRECT.GET.OBJ_evidence-hostile", Reply: target, Data: get},
			{Subject: "$JS.API.STREAM.MSG.GET.OBJ_evidence-hostile", Reply: target + ".$O.evidence-hostile.M.x", Data: get},
			{Subject: wire.AskHeld(wire.HeldHeadOf("hostile")), Reply: target},
			{Subject: wire.Piece("hostile", "x", 0), Reply: target, Data: body},
		}[i%10]
		if err := hostile.PublishMsg(m); err != nil {
			t.Fatal(err)
		}
		// Slow enough that each is answered, so that each can do its harm.
		if i%100 == 99 {
			if _, err := stream(t, hostile).Stream(ctx, "OBJ_evidence-hostile"); err != nil {
				time.Sleep(10 * time.Millisecond)
			}
		}
	}
	// What stands in the queues behind it has been worked off once these are done, which
	// on a busy machine takes its time.
	delivers(t, hostile, "hostile")
	if after := stateOf(t, js); after != before {
		t.Errorf("the vehicle that did nothing:\n%s\nwas\n%s", after, before)
	}
	delivers(t, honest, "honest")
}

// One that sends faster than the server can answer is sent away, and the others
// deliver meanwhile; one whose files that wait take too much is, too.
func TestSentAway(t *testing.T) {
	s := start(t, Options{Quota: Quota{MessagesPerSecond: 2000, WaitingBytes: 1 << 20}})
	honest := local(t, s, "honest")
	away := make(chan struct{})
	hostile := local(t, s, "hostile", nats.ClosedHandler(func(*nats.Conn) { close(away) }))
	flood := func() bool {
		for i := range 1000 {
			if hostile.PublishRequest("$JS.API.STREAM.INFO.OBJ_evidence-hostile", elsewhere[i%len(elsewhere)], nil) != nil {
				return false
			}
		}
		select {
		case <-away:
			return false
		default:
		}
		return true
	}
	for flood() {
	}
	delivers(t, honest, "honest")
	list, err := RefusedIn(s.opt.Dir, time.Now().Add(-time.Minute))
	if err != nil || len(list) != 1 || list[0].Vehicle != "hostile" || !strings.Contains(list[0].Why, "a second") || !list[0].Until.After(time.Now()) {
		t.Fatalf("%+v, %v", list, err)
	}
	token, err := Local(s.opt.Dir, "hostile")
	if err != nil {
		t.Fatal(err)
	}
	refused(t, s, "kept away", nats.UserInfo("hostile", token))
	heavy := local(t, s, "heavy")
	for i := range int64(9) {
		if _, err := stream(t, heavy).Publish(context.Background(), wire.Piece("heavy", "upload", i*wire.MostPiece), make([]byte, wire.MostPiece)); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := Heavy(context.Background(), s.js, Quota{WaitingBytes: 2 << 20}); err != nil || len(got) != 0 {
		t.Errorf("below the quota: %v, %v", got, err)
	}
	s.weigh(context.Background(), time.Now())
	s.dismiss()
	if why := keptAway(s.opt.Dir, "heavy", time.Now()); !strings.Contains(why, "they may take 1.0") {
		t.Errorf("%q", why)
	}
	delivers(t, honest, "honest")
}
