package courier

import (
	"bufio"
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	shop "joltwatch/cmd/joltshop/server"
)

// byKind counts the bytes that a courier sent over one connection without TLS, by what
// they were for.
func byKind(sent []byte, count map[string]int) {
	in := bufio.NewReader(bytes.NewReader(sent))
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			count["begun and cut off"] += len(line)
			return
		}
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		switch words[0] {
		case "PUB", "HPUB":
			n, header := 0, 0
			fmt.Sscan(words[len(words)-1], &n)
			if words[0] == "HPUB" {
				fmt.Sscan(words[len(words)-2], &header)
			}
			got, _ := io.CopyN(io.Discard, in, int64(n+2))
			if got < int64(n+2) {
				count["begun and cut off"] += len(line) + int(got)
				return
			}
			switch {
			case strings.HasPrefix(words[1], "p."):
				count["bytes of files"] += n - header
				count["their lines"] += len(line) + header + 2
			case strings.HasPrefix(words[1], "$JS.API"):
				count["questions to the server"] += len(line) + n + 2
			default:
				count["records"] += len(line) + n + 2
			}
		case "CONNECT":
			count["connecting"] += len(line)
		default:
			count["subscriptions and pings"] += len(line)
		}
	}
}

func kindsText(count map[string]int) (s string) {
	for _, k := range slices.Sorted(maps.Keys(count)) {
		s += fmt.Sprintf("\n  %-26s %9d", k, count[k])
	}
	return s
}

// secured is a shop to which van-1 may send, with certificates where that is asked for,
// and what its courier's file says of them.
func secured(t *testing.T, shopDir string, secure bool) (conn *nats.Conn, url string, c Config) {
	t.Helper()
	if !secure {
		conn, url = shopFor(t, shopDir, newSink())
		return conn, url, c
	}
	s, err := shop.Start(shop.Options{Dir: shopDir, Listen: "127.0.0.1:0", Enrol: "127.0.0.1:0", TLS: true, Logf: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	conn, err = s.Connect()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	takeIn(t, conn, shopDir, newSink())
	code, err := shop.NewCode(shopDir, "van-1", time.Hour, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	c = Config{CA: filepath.Join(dir, "ca"), Certificate: filepath.Join(dir, "certificate"), Key: filepath.Join(dir, "key")}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	csr, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, key)
	if err != nil {
		t.Fatal(err)
	}
	text := func(kind string, der []byte) string {
		return string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}))
	}
	question, err := json.Marshal(map[string]string{"code": code, "csr": text("CERTIFICATE REQUEST", csr)})
	if err != nil {
		t.Fatal(err)
	}
	// The shop is in this process: no one else can answer.
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
	r, err := client.Post(s.EnrolURL()+"/enrol", "application/json", bytes.NewReader(question))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	var answer struct{ Certificate, CA string }
	if err := json.NewDecoder(r.Body).Decode(&answer); err != nil {
		t.Fatal(err)
	}
	for at, text := range map[string]string{c.CA: answer.CA, c.Certificate: answer.Certificate, c.Key: text("PRIVATE KEY", der)} {
		if err := os.WriteFile(at, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return conn, s.URL(), c
}
