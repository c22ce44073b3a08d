package intake

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/cmd/develop/wait"
	"joltwatch/cmd/joltshop/server"
	"joltwatch/storage/wire"
)

type nothing struct{}

func (nothing) Add(*wire.Record, string, time.Time) error { return nil }
func (nothing) Flush(context.Context) error               { return nil }

func prepare(t *testing.T, vehicles ...string) (*nats.Conn, jetstream.JetStream) {
	t.Helper()
	s, err := natsserver.NewServer(&natsserver.Options{Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(time.Until(wait.End(t))) {
		t.Fatal("the server does not start")
	}
	conn, err := nats.Connect(s.ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	if err := server.EnsureStreams(context.Background(), js, 1); err != nil {
		t.Fatal(err)
	}
	for _, v := range vehicles {
		if err := server.EnsureBucket(context.Background(), js, v, 1); err != nil {
			t.Fatal(err)
		}
	}
	return conn, js
}

func announce(t *testing.T, js jetstream.JetStream, vehicle, name string, body []byte) *wire.File {
	t.Helper()
	f := &wire.File{Name: name, Size: int64(len(body)), SHA256: wire.Identity(body), Parts: wire.PartCount(int64(len(body)), wire.PartSize)}
	r := wire.Record{Version: 1, Kind: wire.KindFile, Vehicle: vehicle, Stay: "stay", File: f}
	b, id, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(context.Background(), wire.Subject(vehicle, wire.KindFile), b, jetstream.WithMsgID(id)); err != nil {
		t.Fatal(err)
	}
	return f
}

// inPieces sends the pieces of a file, and returns what announces it.
func inPieces(t *testing.T, js jetstream.JetStream, vehicle, name string, pieces ...string) *wire.Record {
	t.Helper()
	body := strings.Join(pieces, "")
	r := &wire.Record{Version: wire.FileVersion, Kind: wire.KindFile, Vehicle: vehicle, Stay: "stay", File: &wire.File{Name: name, Size: int64(len(body)), SHA256: wire.Identity([]byte(body))}}
	at := int64(0)
	for _, p := range pieces {
		if _, err := js.Publish(context.Background(), wire.Piece(vehicle, r.Upload(), at), []byte(p)); err != nil {
			t.Fatal(err)
		}
		at += int64(len(p))
	}
	return r
}

func send(t *testing.T, js jetstream.JetStream, r *wire.Record) {
	t.Helper()
	b, _, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(context.Background(), wire.Subject(r.Vehicle, wire.KindFile), b); err != nil {
		t.Fatal(err)
	}
}

// Parts that are not what their names say are set aside, and hold up nobody: the
// names are of the vehicle's own making, and may promise bytes that never come.
func TestHostileParts(t *testing.T) {
	conn, js := prepare(t, "bad", "good")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	for i, info := range []jetstream.ObjectInfo{
		{NUID: "nothing", Chunks: 1}, // no bytes
		{NUID: "*", Chunks: 1},
		{NUID: ">", Chunks: 1},
		{NUID: "", Chunks: 1},
		{NUID: "other", Chunks: 1},
		{NUID: "long", Chunks: 1},
		{NUID: "pieces", Chunks: 1 << 30},
		{NUID: "link", Chunks: 1, ObjectMeta: jetstream.ObjectMeta{Opts: &jetstream.ObjectMetaOptions{Link: &jetstream.ObjectLink{Bucket: "evidence-good", Name: "x"}}}},
		{NUID: "nochunks"},
	} {
		body := fmt.Appendf(nil, "hostile %d", i)
		info.Name = wire.PartName(wire.Identity(body), 0, 1)
		info.Bucket = wire.Bucket("bad")
		info.Size = uint64(len(body))
		meta, err := json.Marshal(info)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := js.Publish(ctx, "$O."+info.Bucket+".M."+base64.URLEncoding.EncodeToString([]byte(info.Name)), meta); err != nil {
			t.Fatal(err)
		}
		if there := map[string]string{"other": "otherwise", "long": "much longer"}[info.NUID]; there != "" {
			if _, err := js.Publish(ctx, "$O."+info.Bucket+".C."+info.NUID, []byte(there)); err != nil {
				t.Fatal(err)
			}
		}
		announce(t, js, "bad", fmt.Sprintf("000001-%03d.evidence", i+1), body)
	}
	bucket, err := js.ObjectStore(ctx, wire.Bucket("good"))
	if err != nil {
		t.Fatal(err)
	}
	body := bytes.Repeat([]byte("good"), wire.PartSize/3)
	for i := range wire.PartCount(int64(len(body)), wire.PartSize) {
		part := body[i*wire.PartSize : min((i+1)*wire.PartSize, len(body))]
		if _, err := bucket.PutBytes(ctx, wire.PartName(wire.Identity(body), i, wire.PartCount(int64(len(body)), wire.PartSize)), part); err != nil {
			t.Fatal(err)
		}
	}
	announce(t, js, "good", "000001-001.evidence", body)

	// Pieces that leave a gap are no file after some tries; here, those that promise more
	// than was announced, or nothing.
	for i, pieces := range [][]string{{"longer than"}, {"", "x"}, {"sho", "rter but"}} {
		r := inPieces(t, js, "bad", fmt.Sprintf("000002-%03d.evidence", i+1), pieces...)
		r.File.Size = 8
		send(t, js, r)
	}
	// Of a courier of before.
	before := &wire.Record{Version: wire.EarlierFileVersion, Kind: wire.KindFile, Vehicle: "good", Stay: "stay"}
	text := "of a courier of before"
	before.File = &wire.File{Name: "000001-003.evidence", Size: int64(len(text)), SHA256: wire.Identity([]byte(text))}
	for at, b := range map[string]string{"0": text[:10], "a": text[10:]} {
		if _, err := js.Publish(ctx, wire.EarlierPieces("good", before.Upload(), at), []byte(b)); err != nil {
			t.Fatal(err)
		}
	}
	send(t, js, before)
	// Cut again in the middle, otherwise, as after a break; and one of before the break
	// comes late, and ends where none begins.
	again := inPieces(t, js, "good", "000001-002.evidence", "01234", "56789", "abc")
	for _, x := range []struct {
		at int64
		b  string
	}{{5, "567"}, {8, "89a"}, {11, "bc"}, {5, "5678"}} {
		if _, err := js.Publish(ctx, wire.Piece("good", again.Upload(), x.at), []byte(x.b)); err != nil {
			t.Fatal(err)
		}
	}
	send(t, js, again)

	dir := t.TempDir()
	done := make(chan error)
	go func() { done <- Run(ctx, Options{Conn: conn, Dir: dir, Dataset: nothing{}, Logf: t.Logf}) }()
	began := time.Now()
	arrived, state := time.Duration(0), ""
	for time.Now().Before(wait.End(t)) {
		time.Sleep(20 * time.Millisecond)
		if got, err := os.ReadFile(filepath.Join(dir, "vehicles", "good", "stay", "000001-001.evidence")); err == nil && bytes.Equal(got, body) && arrived == 0 {
			arrived = time.Since(began)
		}
		c, err := js.Consumer(ctx, wire.Stream, "intake")
		if err != nil {
			continue
		}
		info, err := c.Info(ctx)
		if err != nil {
			t.Fatal(err)
		}
		state = fmt.Sprintf("%d pending, %d not confirmed", info.NumPending, info.NumAckPending)
		if info.NumPending == 0 && info.NumAckPending == 0 {
			break
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if arrived == 0 || !strings.HasPrefix(state, "0 pending, 0 not") {
		t.Errorf("the honest file came after %v; %s", arrived, state)
	}
	parked, err := os.ReadDir(filepath.Join(dir, "parked", "bad"))
	if err != nil || len(parked) != 12 {
		t.Errorf("%d set aside, want 12; %v", len(parked), err)
	}
	if got, err := os.ReadFile(filepath.Join(dir, "vehicles", "good", "stay", "000001-002.evidence")); err != nil || string(got) != "0123456789abc" {
		t.Errorf("cut again: %q, %v", got, err)
	}
	if names, err := os.ReadDir(filepath.Join(dir, "vehicles", "bad", "stay")); err == nil && len(names) > 0 {
		t.Errorf("of the hostile vehicle remain %v", names)
	}
	if got, err := os.ReadFile(filepath.Join(dir, "vehicles", "good", "stay", "000001-003.evidence")); err != nil || string(got) != "of a courier of before" {
		t.Errorf("in pieces of before: %q, %v", got, err)
	}
	// Nothing remains on the server of a file that was taken in, not even names, nor the
	// bucket of a vehicle that sends without one now.
	st, err := js.Stream(context.Background(), wire.PieceStream)
	if err != nil {
		t.Fatal(err)
	}
	x, err := st.Info(context.Background(), jetstream.WithSubjectFilter(wire.Pieces("good", "*", "*")))
	if err != nil || len(x.State.Subjects) != 0 {
		t.Errorf("%v remain of what was taken in; %v", x.State.Subjects, err)
	}
	if _, err := js.Stream(context.Background(), "OBJ_evidence-good"); !errors.Is(err, jetstream.ErrStreamNotFound) {
		t.Errorf("the bucket of a vehicle that has outgrown it: %v", err)
	}
	if _, err := js.Stream(context.Background(), "OBJ_evidence-bad"); err != nil {
		t.Errorf("a bucket in which something lies: %v", err)
	}
}

func messages(t *testing.T, js jetstream.JetStream, name string) uint64 {
	t.Helper()
	st, err := js.Stream(context.Background(), name)
	if err != nil {
		t.Fatal(err)
	}
	return st.CachedInfo().State.Msgs
}

// What broke off while it was sent goes after a day; what has a name stays as long as
// it was said, and while a file waits to be taken in; what the shop itself tells stays.
func TestSweep(t *testing.T) {
	conn, js := prepare(t, "van-1")
	ctx := context.Background()
	in := &intake{Options: Options{Conn: conn, Dir: t.TempDir(), SweepEvery: time.Minute, KeepParts: 40 * 24 * time.Hour}, js: js, homes: map[string]*home{}}
	b, err := in.bucket(ctx, "van-1")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.PutBytes(ctx, "whole", []byte("whole")); err != nil {
		t.Fatal(err)
	}
	if _, err := b.PutBytes(ctx, wire.HeldName, []byte("of the shop's own")); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if _, err := js.Publish(ctx, wire.ChunksSubject(b.vehicle, "broken"), []byte("bytes")); err != nil {
			t.Fatal(err)
		}
	}
	inPieces(t, js, "van-1", "000001-001.evidence", "never", "announced")
	inPieces(t, js, "van-2", "000001-001.evidence", "of another")
	if _, err := js.Publish(ctx, wire.EarlierPieces("van-1", "upload", "0"), []byte("of a courier of before")); err != nil {
		t.Fatal(err)
	}
	count := func() uint64 { return messages(t, js, "OBJ_"+wire.Bucket("van-1")) + messages(t, js, wire.PieceStream) }
	announced, err := js.Publish(ctx, wire.Subject("van-1", wire.KindFile), []byte("that waits"))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	if err := in.sweepNext(ctx, now.Add(50*24*time.Hour)); err != nil || count() != 11 {
		t.Errorf("%d messages while a file waits, want 11; %v", count(), err)
	}
	in.sweeper = sweeper{}
	st, err := js.Stream(ctx, wire.Stream)
	if err == nil {
		err = st.DeleteMsg(ctx, announced.Sequence)
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at   time.Duration
		want uint64
	}{{time.Hour, 11}, {orphanAge + time.Hour, 8}, {39 * 24 * time.Hour, 8}, {41 * 24 * time.Hour, 2}} {
		if c.want == 2 {
			if got, err := b.GetBytes(ctx, "whole"); err != nil || string(got) != "whole" {
				t.Errorf("%q, %v", got, err)
			}
		}
		for range 2 { // vehicles
			if err := in.sweepNext(ctx, now.Add(c.at)); err != nil {
				t.Fatal(err)
			}
		}
		if n := count(); n != c.want {
			t.Errorf("%v later %d messages, want %d", c.at, n, c.want)
		}
	}
}

// A stay goes as a whole once nothing has come to it for as long as was said, and not
// while a file of its vehicle waits; what an earlier removal left goes too.
func TestStaysAreLetGo(t *testing.T) {
	_, js := prepare(t, "van-1")
	ctx, now, dir := context.Background(), time.Now(), t.TempDir()
	in := &intake{Options: Options{Dir: dir, SweepEvery: time.Hour, KeepParts: partsKept, KeepStays: 100 * 24 * time.Hour, Logf: t.Logf}, js: js, homes: map[string]*home{}}
	home := filepath.Join(dir, "vehicles", "van-1")
	for name, days := range map[string]int{"old": 101, "new": 99, letGone + "older": 1} {
		stay := filepath.Join(home, name)
		if err := os.MkdirAll(stay, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(stay, "000001-001.journal"), make([]byte, 1000), 0o600); err != nil {
			t.Fatal(err)
		}
		at := now.AddDate(0, 0, -days)
		if err := os.Chtimes(stay, at, at); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(home, "old"+incomplete), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	// A vehicle of which there are only files has its turn too.
	if err := os.MkdirAll(filepath.Join(dir, "vehicles", "gone-van"), 0o700); err != nil {
		t.Fatal(err)
	}
	left := func() (names []string) {
		in.sweeper = sweeper{}
		for range 2 {
			if err := in.sweepNext(ctx, now); err != nil {
				t.Fatal(err)
			}
		}
		entries, err := os.ReadDir(home)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			names = append(names, e.Name())
		}
		return names
	}
	if _, err := js.Publish(ctx, wire.Subject("van-1", wire.KindFile), []byte("that waits")); err != nil {
		t.Fatal(err)
	}
	if got := left(); len(got) != 4 {
		t.Errorf("while a file waits: %v", got)
	}
	st, err := js.Stream(ctx, wire.Stream)
	if err == nil {
		err = st.Purge(ctx)
	}
	if err != nil {
		t.Fatal(err)
	}
	h, err := in.home("van-1")
	if err != nil || h.used < 3000 {
		t.Fatalf("%+v, %v", h, err)
	}
	if got := left(); !slices.Equal(got, []string{"new"}) {
		t.Errorf("left: %v", got)
	}
	if h, err = in.home("van-1"); err != nil || h.used > 2000 {
		t.Errorf("%+v is counted, %v", h, err)
	}
}

// One vehicle's day does not count against another's, and its excess is told once.
func TestLedger(t *testing.T) {
	var l ledger
	day := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	q := Quota{Records: 3, Bytes: 1000}
	said := 0
	for range 10 {
		if l.add(q, "many", 1, day) != "" {
			said++
		}
	}
	if said != 1 {
		t.Errorf("told %d times", said)
	}
	if l.add(q, "other", 1, day) != "" || l.add(q, "large", 1001, day) == "" {
		t.Error("one too many or one too few")
	}
	if l.add(q, "many", 1, day.Add(24*time.Hour)) != "" {
		t.Error("yesterday counts today")
	}
}

// What is set aside of one vehicle pushes out nothing of another.
func TestSetAside(t *testing.T) {
	dir := t.TempDir()
	p := &parking{dir: filepath.Join(dir, "parked")}
	if err := p.park("jolt.quiet.event", []byte("x"), errors.New("odd")); err != nil {
		t.Fatal(err)
	}
	for i := range maxParked + 20 {
		if err := p.park("jolt.loud.event", fmt.Append(nil, i), errors.New("junk")); err != nil {
			t.Fatal(err)
		}
	}
	list, err := SetAsideIn(dir, time.Now().Add(-time.Hour))
	if err != nil || len(list) != 2 || list[0].Vehicle != "loud" || list[0].Count != maxParked || list[1].Vehicle != "quiet" || list[1].Count != 1 || list[1].Reason != "odd" {
		t.Errorf("%+v, %v", list, err)
	}
}

// What an intake was putting together when it was stopped goes: at once where no other
// may be at it, and otherwise after a while.
func TestClearsUnfinished(t *testing.T) {
	for _, alone := range []bool{false, true} {
		_, js := prepare(t, "van-1")
		in := &intake{Options: Options{Dir: t.TempDir(), Alone: alone}, js: js, homes: map[string]*home{}}
		stay := filepath.Join(in.Dir, "vehicles", "van-1", "stay")
		if err := os.MkdirAll(stay, 0o700); err != nil {
			t.Fatal(err)
		}
		for name, age := range map[string]time.Duration{"new": time.Minute, "old": unfinishedFor + time.Minute} {
			path := filepath.Join(stay, incoming+name)
			at := time.Now().Add(-age)
			if err := errors.Join(os.WriteFile(path, nil, 0o600), os.Chtimes(path, at, at)); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := in.home("van-1"); err != nil {
			t.Fatal(err)
		}
		left, err := filepath.Glob(filepath.Join(stay, incoming+"*"))
		if want := map[bool]int{false: 1, true: 0}[alone]; err != nil || len(left) != want {
			t.Errorf("alone %v: %d left, want %d; %v", alone, len(left), want, err)
		}
	}
}
