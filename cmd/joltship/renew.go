package main

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"joltwatch/cmd/internal/durable"
	"joltwatch/cmd/joltship/courier"
)

// renewBefore is how long before its end a certificate is renewed.
const renewBefore = 90 * 24 * time.Hour

// Names in the folder of the vehicle's identity. A new key and certificate are written
// beside the old ones and then take their places, the certificate last; where next
// certificate is there and next key is not, the key has done so already. Unsaid is there
// while the shop has not been told that the new one has come.
const (
	certificateFile = "certificate.pem"
	keyFile         = "key.pem"
	next            = "next-"
	unsaidFile      = "unsaid"
	shopFile        = "shop.json"
)

// shopAddress is where the vehicle enrolled.
type shopAddress struct {
	URL         string `json:"url"`
	Fingerprint string `json:"ca_sha256"`
}

func writeShop(dir string, a shopAddress) error {
	b, err := json.Marshal(a)
	if err != nil {
		return err
	}
	return durable.WriteFile(filepath.Join(dir, shopFile), append(b, '\n'))
}

// renew renews a certificate that enrolling left and that ends soon, with the old one for
// proof, and returns until when the new one is valid; the zero time where none was due.
// The old one is good until the shop was told that the new one is here.
func renew(ctx context.Context, c *courier.Config, now time.Time) (until time.Time, err error) {
	dir := filepath.Join(c.State, "identity")
	if c.Certificate != filepath.Join(dir, certificateFile) || c.Key != filepath.Join(dir, keyFile) {
		return until, nil // none, or not of this program's making
	}
	b, err := os.ReadFile(filepath.Join(dir, shopFile))
	if errors.Is(err, fs.ErrNotExist) {
		return until, nil // enrolled by an earlier version, which did not keep where
	}
	if err != nil {
		return until, err
	}
	var shop shopAddress
	if err := json.Unmarshal(b, &shop); err != nil {
		return until, fmt.Errorf("%s: %w", filepath.Join(dir, shopFile), err)
	}
	if err := takeNext(dir); err != nil {
		return until, err
	}
	pair, err := tls.LoadX509KeyPair(c.Certificate, c.Key)
	if err != nil {
		return until, err
	}
	at, fingerprint, err := shop.parse("renew")
	if err != nil {
		return until, fmt.Errorf("%s: %w", shopFile, err)
	}
	if err := say(ctx, dir, at, fingerprint, pair); err != nil {
		return until, err
	}
	if pair.Leaf.NotAfter.Sub(now) > renewBefore {
		return until, nil
	}
	id, err := certify(ctx, at, map[string]string{}, fingerprint, pair)
	if err != nil {
		return until, err
	}
	if id.vehicle != c.Vehicle {
		return until, fmt.Errorf("the shop certified vehicle %s; expected %s", id.vehicle, c.Vehicle)
	}
	for _, f := range []struct {
		name string
		text []byte
	}{{unsaidFile, nil}, {next + keyFile, id.key}, {next + certificateFile, id.cert}} {
		if err := durable.WriteFile(filepath.Join(dir, f.name), f.text); err != nil {
			return until, err
		}
	}
	if err := takeNext(dir); err != nil {
		return until, err
	}
	if pair, err = tls.LoadX509KeyPair(c.Certificate, c.Key); err != nil {
		return until, err
	}
	return pair.Leaf.NotAfter, say(ctx, dir, at, fingerprint, pair)
}

// parse is where a thing is asked of the shop, and the fingerprint of its authority.
func (a shopAddress) parse(what string) (at string, fingerprint []byte, err error) {
	u, err := url.Parse(a.URL)
	if err != nil || u.Scheme != "https" || u.Host == "" || u.User != nil {
		return "", nil, fmt.Errorf("%.80q: expected https://HOST:PORT, as the shop gave it", a.URL)
	}
	fingerprint, err = hex.DecodeString(strings.ToLower(strings.ReplaceAll(strings.TrimSpace(a.Fingerprint), ":", "")))
	if err != nil || len(fingerprint) != sha256.Size {
		return "", nil, errors.New("the fingerprint: expected 64 hexadecimal digits, as the shop gave them")
	}
	return u.JoinPath(what).String(), fingerprint, nil
}

// say tells the shop that the new certificate has come, where it was not told.
func say(ctx context.Context, dir, at string, fingerprint []byte, pair tls.Certificate) error {
	unsaid := filepath.Join(dir, unsaidFile)
	if _, err := os.Stat(unsaid); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if _, err := askEnrolment(ctx, at, []byte("{}"), fingerprint, pair); err != nil {
		return err
	}
	return os.Remove(unsaid)
}

// takeNext puts a new key and certificate into their places, if both have come.
func takeNext(dir string) error {
	newCertificate, newKey := filepath.Join(dir, next+certificateFile), filepath.Join(dir, next+keyFile)
	if _, err := os.Stat(newCertificate); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err := os.Rename(newKey, filepath.Join(dir, keyFile)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := durable.SyncDir(dir); err != nil {
		return err
	}
	if err := os.Rename(newCertificate, filepath.Join(dir, certificateFile)); err != nil {
		return err
	}
	return durable.SyncDir(dir)
}
