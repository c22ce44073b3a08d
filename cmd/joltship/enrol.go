package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"joltwatch/cmd/joltship/courier"
	"joltwatch/storage/wire"
)

type enrolCmd struct {
	configFlag
	Shop        string `required:"" placeholder:"URL" help:"Where the shop enrols: https://HOST:PORT."`
	Code        string `required:"" help:"The one-time code that the shop gave."`
	Fingerprint string `required:"" placeholder:"HEX" help:"SHA-256 of the shop's own certificate, as the shop gave it with the code."`
}

// Run makes a key, has the shop certify it, and keeps both.
func (e *enrolCmd) Run(h *host) error {
	c, err := courier.Load(e.Config)
	if err != nil {
		return err
	}
	shop := shopAddress{e.Shop, e.Fingerprint}
	id, err := enrolWith(h.ctx, shop, e.Code)
	if err != nil {
		return err
	}
	if id.vehicle != c.Vehicle {
		return fmt.Errorf("the code is for vehicle %s, but %s says %s: put that right and ask the shop for another code", id.vehicle, e.Config, c.Vehicle)
	}
	dir := filepath.Join(c.State, "identity")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	// What is left of a renewal is of the identity before.
	for _, name := range []string{next + certificateFile, next + keyFile, unsaidFile} {
		if err := os.Remove(filepath.Join(dir, name)); err != nil && !os.IsNotExist(err) {
			return err
		}
	}
	for _, f := range []struct {
		name string
		text []byte
	}{{certificateFile, id.cert}, {keyFile, id.key}, {"ca.pem", id.ca}, {"token", []byte(id.token)}} {
		if len(f.text) == 0 {
			continue
		}
		if err := os.WriteFile(filepath.Join(dir, f.name), f.text, 0o600); err != nil {
			return err
		}
	}
	if err := writeShop(dir, shop); err != nil {
		return err
	}
	_, err = fmt.Fprintf(h.stdout, "enrolled as %s; its certificate is in %s\n", id.vehicle, dir)
	return err
}

// identity is what the vehicle shows the shop's server, in PEM. The key was made
// here and never left this machine.
type identity struct {
	vehicle       string
	cert, key, ca []byte
	// token is there where the server has no TLS.
	token string
}

const maxEnrolAnswer = 64 << 10

// enrolWith turns a one-time code into an identity. The code is told to nobody
// but a server of the authority whose certificate has that fingerprint (SHA-256,
// hexadecimal).
func enrolWith(ctx context.Context, shop shopAddress, code string) (identity, error) {
	at, fingerprint, err := shop.parse("enrol")
	if err != nil {
		return identity{}, err
	}
	return certify(ctx, at, map[string]string{"code": strings.TrimSpace(code)}, fingerprint)
}

// certify makes a key and has the shop certify it; ask is what is said besides, and
// shown are the certificates that are shown.
func certify(ctx context.Context, at string, ask map[string]string, fingerprint []byte, shown ...tls.Certificate) (identity, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return identity{}, err
	}
	csr, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, key)
	if err != nil {
		return identity{}, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return identity{}, err
	}
	ask["csr"] = string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE REQUEST", Bytes: csr}))
	body, err := json.Marshal(ask)
	if err != nil {
		return identity{}, err
	}
	answer, err := askEnrolment(ctx, at, body, fingerprint, shown...)
	if err != nil {
		return identity{}, err
	}
	return answer.identity(key, der, fingerprint)
}

type enrolAnswer struct {
	Vehicle     string `json:"vehicle"`
	Certificate string `json:"certificate"`
	CA          string `json:"ca"`
	Token       string `json:"token"`
	Error       string `json:"error"`
}

func askEnrolment(ctx context.Context, at string, body, fingerprint []byte, shown ...tls.Certificate) (*enrolAnswer, error) {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, at, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	r.Header.Set("Content-Type", "application/json")
	t := &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{
		// The authority is known by its fingerprint only; it is checked below.
		InsecureSkipVerify: true,
		VerifyConnection:   func(s tls.ConnectionState) error { return checkServer(s, r.URL.Hostname(), fingerprint) },
		MinVersion:         tls.VersionTLS13,
		Certificates:       shown,
	}}
	client := &http.Client{Transport: t, CheckRedirect: func(*http.Request, []*http.Request) error { return errors.New("the server sends us elsewhere") }}
	response, err := client.Do(r)
	if err != nil {
		return nil, err
	}
	defer response.Body.Close()
	b, err := io.ReadAll(io.LimitReader(response.Body, maxEnrolAnswer+1))
	if err != nil {
		return nil, err
	}
	a := new(enrolAnswer)
	if err := json.Unmarshal(b, a); err != nil || len(b) > maxEnrolAnswer {
		return nil, fmt.Errorf("%s: no answer to an enrolment (%s); is this the shop's enrolment address?", at, response.Status)
	}
	if response.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("the shop refused: %.200q", a.Error)
	}
	return a, nil
}

// checkServer holds the server's chain against the authority's fingerprint, and
// its certificate against the host that was asked for.
func checkServer(s tls.ConnectionState, host string, fingerprint []byte) error {
	roots := x509.NewCertPool()
	found := false
	for _, c := range s.PeerCertificates {
		if sum := sha256.Sum256(c.Raw); c.IsCA && bytes.Equal(sum[:], fingerprint) {
			roots.AddCert(c)
			found = true
		}
	}
	if !found {
		return errors.New("this is not the shop's server: its authority has another fingerprint; nothing was told to it")
	}
	_, err := s.PeerCertificates[0].Verify(x509.VerifyOptions{Roots: roots, DNSName: host})
	return err
}

// identity checks what was answered before it is kept.
func (a *enrolAnswer) identity(key *ecdsa.PrivateKey, der, fingerprint []byte) (identity, error) {
	certBlock, _ := pem.Decode([]byte(a.Certificate))
	caBlock, _ := pem.Decode([]byte(a.CA))
	if certBlock == nil || caBlock == nil || !wire.VehicleName(a.Vehicle) {
		return identity{}, errors.New("the answer to the enrolment: expected a vehicle and two certificates")
	}
	if sum := sha256.Sum256(caBlock.Bytes); !bytes.Equal(sum[:], fingerprint) {
		return identity{}, errors.New("the answer to the enrolment is of another authority")
	}
	cert, err := x509.ParseCertificate(certBlock.Bytes)
	if err != nil {
		return identity{}, err
	}
	ca, err := x509.ParseCertificate(caBlock.Bytes)
	if err != nil {
		return identity{}, err
	}
	roots := x509.NewCertPool()
	roots.AddCert(ca)
	if _, err := cert.Verify(x509.VerifyOptions{Roots: roots, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}); err != nil {
		return identity{}, err
	}
	if cert.Subject.CommonName != a.Vehicle || !key.PublicKey.Equal(cert.PublicKey) {
		return identity{}, errors.New("the answer to the enrolment is for another vehicle or key")
	}
	return identity{
		vehicle: a.Vehicle, token: a.Token,
		cert: pem.EncodeToMemory(certBlock), ca: pem.EncodeToMemory(caBlock),
		key: pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}),
	}, nil
}
