package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"joltwatch/cmd/develop/wait"
)

func TestShopServeAndEnrol(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "shop")
	run := func(args ...string) (int, string, string) {
		var out, err bytes.Buffer
		code := Main(args, &out, &err)
		return code, out.String(), err.String()
	}
	code, _, why := run("serve", "--dir", dir, "--listen", "0.0.0.0:0")
	if code != 1 || !strings.Contains(why, "that needs --tls") || strings.Count(why, "\n") != 1 {
		t.Errorf("beyond this machine: %d %q", code, why)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	code, _, why = run("enrol", "van-1", "--dir", dir)
	if code != 1 || !strings.Contains(why, "no shop has been served here") {
		t.Errorf("no shop: %d %q", code, why)
	}

	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	done := make(chan error, 1)
	go func() {
		c := &serveCmd{Dir: dir, Listen: "127.0.0.1:0", Enrol: "127.0.0.1:0", fileKeep: fileKeep{Parts: 30}}
		done <- c.Run(&host{ctx: ctx, stdout: io.Discard, stderr: io.Discard})
	}()
	wait.Until(t, "the server", func() bool { _, err := os.Stat(filepath.Join(dir, "address.json")); return err == nil })
	code, out, why := run("enrol", "van-1", "--dir", dir)
	if code != 0 || !strings.Contains(out, "joltship enrol --config FILE --shop https://127.0.0.1:") {
		t.Errorf("enrol: %d %q %q", code, out, why)
	}
	code, out, why = run("enrol", "van-2", "--dir", dir, "--json")
	var x struct{ Vehicle, Code, URL string }
	if err := json.Unmarshal([]byte(out), &x); err != nil || code != 0 || x.Vehicle != "van-2" || x.Code == "" || !strings.HasPrefix(x.URL, "nats://127.0.0.1:") {
		t.Errorf("enrol --json: %d %q %q %v", code, out, why, err)
	}
	for _, args := range [][]string{{"Van_1"}, {"van-1", "--revoke"}, {"van-1", "--valid", "0s"}} {
		code, _, why := run(append([]string{"enrol", "--dir", dir}, args...)...)
		if code != 1 || strings.Count(why, "\n") != 1 {
			t.Errorf("%v: %d %q", args, code, why)
		}
	}
	stop()
	if err := <-done; err != nil {
		t.Errorf("stopped: %v", err)
	}
}
