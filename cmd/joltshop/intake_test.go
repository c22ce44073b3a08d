package main

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/cmd/develop/wait"
	"joltwatch/cmd/joltshop/server"
	"joltwatch/detect"
	"joltwatch/storage/wire"
)

// Three servers that know nothing of the shop but what the command sets up.
func TestShopIntake(t *testing.T) {
	if testing.Short() {
		t.Skip("a cluster takes some seconds: not run with -short")
	}
	dir := t.TempDir()
	if _, err := server.Local(dir, "van-1"); err != nil {
		t.Fatal(err)
	}
	// The ports are chosen before, since each names the others.
	var routes []*url.URL
	var ports []int
	for range 3 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
		routes = append(routes, &url.URL{Scheme: "nats-route", Host: l.Addr().String()})
		l.Close()
	}
	var urls []string
	for i := range 3 {
		o := &natsserver.Options{ServerName: fmt.Sprint("node-", i), Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true, Routes: routes}
		o.Cluster.Name, o.Cluster.Host, o.Cluster.Port = "shop", "127.0.0.1", ports[i]
		s, err := natsserver.NewServer(o)
		if err != nil {
			t.Fatal(err)
		}
		s.Start()
		t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
		urls = append(urls, s.ClientURL())
	}
	conn, err := nats.Connect(strings.Join(urls, ","))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn, jetstream.WithDefaultTimeout(2*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	// Without a leader the servers answer nothing.
	wait.Until(t, "the cluster", func() bool { _, err := js.AccountInfo(ctx); return err == nil })

	var out, log bytes.Buffer
	done := make(chan error, 1)
	c := &intakeCmd{Dir: dir, Server: urls, Replicas: 3, fileKeep: fileKeep{Parts: 30}}
	go func() { done <- c.Run(&host{ctx: ctx, stdout: &out, stderr: &log}) }()
	r := wire.Record{Version: 1, Kind: wire.KindEvent, Vehicle: "van-1", Stay: "stay", Run: 1, Event: &wire.Event{ID: "1-1", Finding: detect.Finding{Kind: detect.KindMark}}}
	body, id, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	wait.Until(t, "the stream", func() bool {
		_, err := js.Publish(ctx, wire.Subject("van-1", wire.KindEvent), body, jetstream.WithMsgID(id))
		return err == nil
	})
	rows := func() (n int) {
		filepath.WalkDir(filepath.Join(dir, "dataset", "events"), func(path string, _ fs.DirEntry, err error) error {
			if err == nil && strings.HasSuffix(path, ".parquet") {
				n++
			}
			return nil
		})
		return n
	}
	wait.Until(t, "the record in the dataset", func() bool { return rows() == 1 })
	// What a vehicle is to be told is told while it runs.
	if err := server.WriteHeld(dir, "van-1", &wire.Held{Number: 1}); err != nil {
		t.Fatal(err)
	}
	wait.Until(t, "what the vehicle is told", func() bool {
		m, err := conn.Request(wire.AskHeld(wire.HeldHeadOf("van-1")), nil, time.Second)
		return err == nil && len(m.Data) > 0
	})
	for _, name := range []string{wire.Stream, wire.PieceStream, wire.HeldStream} {
		st, err := js.Stream(ctx, name)
		if err != nil {
			t.Fatal(err)
		}
		if n := st.CachedInfo().Config.Replicas; n != 3 {
			t.Errorf("%s: %d replicas", name, n)
		}
	}
	stop()
	if err := <-done; err != nil {
		t.Errorf("%v; %s", err, log.String())
	}
}

// What is for a shop's folder leaves another as it is.
func TestNoShop(t *testing.T) {
	dir := t.TempDir()
	for _, args := range [][]string{{"reconcile", dir}, {"intake", "--dir", dir, "--rights"}, {"intake", "--dir", dir, "--server", "nats://127.0.0.1:1"}, {"backup", "--dir", dir, "--to", dir + "-copy"}} {
		var out, errs bytes.Buffer
		if code := Main(args, &out, &errs); code != 1 || !strings.Contains(errs.String(), "no shop's folder") || strings.Count(errs.String(), "\n") != 1 {
			t.Errorf("%v: %d %s", args, code, errs.String())
		}
		if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
			t.Errorf("%v: leaves %v, %v", args, left, err)
		}
	}
}

func TestShopIntakeRefused(t *testing.T) {
	dir := t.TempDir()
	if _, err := server.Local(dir, "van-1"); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		args []string
		code int
		say  string
	}{
		{nil, 2, "expected --server"},
		{[]string{"--server", "nats://shop.example:4222"}, 2, "expected tls://"},
		{[]string{"--server", "tls://u:p@shop.example:4222"}, 2, "expected tls://"},
		{[]string{"--server", "nats://127.0.0.1:1", "--replicas", "6"}, 2, "1 to 5"},
		{[]string{"--server", "nats://127.0.0.1:1"}, 1, "no servers"},
	} {
		var out, log bytes.Buffer
		code := Main(append([]string{"intake", "--dir", dir}, x.args...), &out, &log)
		if code != x.code || !strings.Contains(log.String(), x.say) || strings.Count(log.String(), "\n") != 1 {
			t.Errorf("%v: %d %q", x.args, code, log.String())
		}
	}
	var out, log bytes.Buffer
	if code := Main([]string{"intake", "--dir", dir, "--rights"}, &out, &log); code != 0 || !strings.Contains(out.String(), `"CN=van-1"`) {
		t.Errorf("--rights: %d %q %q", code, out.String(), log.String())
	}
}
