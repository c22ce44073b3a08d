package server

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"time"
)

// authority is the shop's own certificate authority (X.509, RFC 5280), for its
// server and its vehicles only.
type authority struct {
	certificate *x509.Certificate
	key         crypto.Signer
	pem         []byte
}

// notBefore is when all certificates begin. It is long past because a board
// without a clock of its own may start in that year.
var notBefore = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)

const (
	authorityYears = 20
	vehicleYears   = 2
)

// openAuthority reads the authority in dir, or founds it.
func openAuthority(dir string) (*authority, error) {
	certPath, keyPath := filepath.Join(dir, "ca.pem"), filepath.Join(dir, "ca-key.pem")
	_, err := os.Stat(certPath)
	if errors.Is(err, os.ErrNotExist) {
		// The key first: without the certificate it is made again.
		err = foundAuthority(certPath, keyPath)
	}
	if err != nil {
		return nil, err
	}
	pair, err := tls.LoadX509KeyPair(certPath, keyPath)
	if err != nil {
		return nil, fmt.Errorf("the authority in %s: %w", dir, err)
	}
	key, ok := pair.PrivateKey.(crypto.Signer)
	if !ok || !pair.Leaf.IsCA {
		return nil, fmt.Errorf("%s: no certificate authority", certPath)
	}
	return &authority{pair.Leaf, key, pemOf("CERTIFICATE", pair.Leaf.Raw)}, nil
}

func foundAuthority(certPath, keyPath string) error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	number, err := newSerial()
	if err != nil {
		return err
	}
	t := &x509.Certificate{
		SerialNumber: number, Subject: pkix.Name{CommonName: "Shop authority"},
		NotBefore: notBefore, NotAfter: time.Now().AddDate(authorityYears, 0, 0),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature,
	}
	cert, err := x509.CreateCertificate(rand.Reader, t, t, key.Public(), key)
	if err != nil {
		return err
	}
	if err := writeFile(keyPath, pemOf("PRIVATE KEY", der)); err != nil {
		return err
	}
	return writeFile(certPath, pemOf("CERTIFICATE", cert))
}

func (a *authority) fingerprint() string {
	sum := sha256.Sum256(a.certificate.Raw)
	return hex.EncodeToString(sum[:])
}

// serverCertificate makes the server's certificate, with its chain. Its key is
// never on disk: every start makes a new one.
func (a *authority) serverCertificate(names []string) (tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return tls.Certificate{}, err
	}
	t := &x509.Certificate{Subject: pkix.Name{CommonName: "Shop server"}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, NotAfter: a.certificate.NotAfter}
	if name, err := os.Hostname(); err == nil {
		names = append(names, name)
	}
	for _, n := range distinct(append(names, "localhost", "127.0.0.1", "::1")) {
		if ip := net.ParseIP(n); ip != nil {
			t.IPAddresses = append(t.IPAddresses, ip)
		} else {
			t.DNSNames = append(t.DNSNames, n)
		}
	}
	der, err := a.sign(t, key.Public())
	if err != nil {
		return tls.Certificate{}, err
	}
	return tls.Certificate{Certificate: [][]byte{der, a.certificate.Raw}, PrivateKey: key}, nil
}

// vehicleCertificate signs the key of a request for a vehicle's name. Nothing
// else of the request is taken. The key is in the subject too, so that rights can be
// given to it and not to the name alone.
func (a *authority) vehicleCertificate(vehicle string, key crypto.PublicKey, now time.Time) (*x509.Certificate, error) {
	id, err := keyID(key)
	if err != nil {
		return nil, err
	}
	der, err := a.sign(&x509.Certificate{
		Subject: subjectOf(vehicle, id), NotAfter: now.AddDate(vehicleYears, 0, 0),
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}, key)
	if err != nil {
		return nil, err
	}
	return x509.ParseCertificate(der)
}

// keyID identifies a key: the first 16 bytes of the SHA-256 of its
// SubjectPublicKeyInfo, in hexadecimal.
func keyID(key crypto.PublicKey) (string, error) {
	der, err := x509.MarshalPKIXPublicKey(key)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(der)
	return hex.EncodeToString(sum[:16]), nil
}

// subjectOf is the subject of a vehicle's certificate; key is "" in those of before it
// was named there.
func subjectOf(vehicle, key string) pkix.Name {
	return pkix.Name{CommonName: vehicle, SerialNumber: key}
}

// certifiedBy is what is kept of a certificate.
func certifiedBy(c *x509.Certificate) certified {
	return certified{serial(c), c.Subject.SerialNumber, c.NotAfter}
}

func (a *authority) sign(t *x509.Certificate, key crypto.PublicKey) (der []byte, err error) {
	if t.SerialNumber, err = newSerial(); err != nil {
		return nil, err
	}
	t.NotBefore, t.KeyUsage, t.BasicConstraintsValid = notBefore, x509.KeyUsageDigitalSignature, true
	return x509.CreateCertificate(rand.Reader, t, a.certificate, key, a.key)
}

// request reads a certificate request (PKCS #10, RFC 2986) and returns its key.
func request(b []byte) (crypto.PublicKey, error) {
	block, _ := pem.Decode(b)
	if block == nil || block.Type != "CERTIFICATE REQUEST" {
		return nil, errors.New("no certificate request in PEM")
	}
	r, err := x509.ParseCertificateRequest(block.Bytes)
	if err != nil {
		return nil, err
	}
	if err := r.CheckSignature(); err != nil {
		return nil, err
	}
	switch k := r.PublicKey.(type) {
	case ed25519.PublicKey:
		return k, nil
	case *ecdsa.PublicKey:
		return k, nil
	}
	return nil, errors.New("the key of the request: expected ECDSA or Ed25519")
}

func newSerial() (*big.Int, error) {
	return rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 126))
}

func serial(c *x509.Certificate) string { return c.SerialNumber.Text(16) }

func pemOf(kind string, der []byte) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})
}
