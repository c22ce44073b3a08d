package server

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"os"
	"strings"
	"time"
)

// intakeName is the name in the certificate that the shop's intake shows to a
// cluster; no vehicle's name has a space.
const intakeName = "Shop intake"

// nothing is a subject at which nobody serves. An account that has no streams of its
// own gets the server's whole interface to streams all the same, answering that it
// has none, beside the shop's answer; one that takes the first of its subjects from
// elsewhere does not.
const nothing = "shop.nothing"

// Rights is the text that gives the vehicles that are enrolled in dir, and not kept
// away, their rights, and the shop's intake all, in the configuration of the NATS servers of a
// cluster. Those take the shop's ca.pem for their clients and have verify_and_map
// set, so that the certificate says who it is: name and key, so that one that was
// renewed or struck off has no rights, whoever still holds its key. Each vehicle is in an account of its
// own, as on the embedded server; no vehicle's name has a capital letter, so that
// none is the shop's.
func Rights(dir string) (string, error) {
	names, err := Enrolled(dir)
	if err != nil {
		return "", err
	}
	var exports, accounts strings.Builder
	for _, subject := range append(exported(), nothing) {
		fmt.Fprintf(&exports, "      { service: %q }\n", subject)
	}
	for _, name := range names {
		if keptAway(dir, name, time.Now()) != "" {
			continue
		}
		var imports strings.Builder
		fmt.Fprintf(&imports, "      { service: { account: %q, subject: %q }, to: \"$JS.API.INFO\" }\n", shopUser, nothing)
		for _, subject := range services(name) {
			fmt.Fprintf(&imports, "      { service: { account: %q, subject: %q } }\n", shopUser, subject)
		}
		e, err := readEnrolled(dir, name)
		if err != nil {
			return "", err
		}
		var users strings.Builder
		p := Permissions(name)
		for _, c := range e.shows() {
			fmt.Fprintf(&users, "      { user: %q, permissions: {\n        publish: { allow: %s }\n        subscribe: { allow: %s } } }\n",
				subjectOf(name, c.Key).ToRDNSequence().String(), list(p.Publish.Allow), list(p.Subscribe.Allow))
		}
		fmt.Fprintf(&accounts, "  %q: {\n    users: [\n%s    ]\n    imports: [\n%s    ]\n  }\n", name, users.String(), imports.String())
	}
	return fmt.Sprintf("accounts {\n  %q: {\n    jetstream: enabled\n    users: [ { user: \"CN=%s\" } ]\n    exports: [\n%s    ]\n  }\n%s}\n",
		shopUser, intakeName, exports.String(), accounts.String()), nil
}

func list(subjects []string) string {
	quoted := make([]string, len(subjects))
	for i, s := range subjects {
		quoted[i] = `"` + s + `"`
	}
	return "[" + strings.Join(quoted, ", ") + "]"
}

// IntakeTLS is how the intake of the shop in dir connects to a cluster: with a
// certificate of the shop's authority, whose key is made now and never on disk. ca
// is a PEM file of who certifies the cluster's servers; "" is the shop's own
// authority.
func IntakeTLS(dir, ca string) (*tls.Config, error) {
	a, err := openAuthority(dir)
	if err != nil {
		return nil, err
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	der, err := a.sign(&x509.Certificate{Subject: pkix.Name{CommonName: intakeName}, NotAfter: a.certificate.NotAfter, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}, key.Public())
	if err != nil {
		return nil, err
	}
	roots := x509.NewCertPool()
	if ca == "" {
		roots.AddCert(a.certificate)
	} else {
		b, err := os.ReadFile(ca)
		if err != nil {
			return nil, err
		}
		if !roots.AppendCertsFromPEM(b) {
			return nil, fmt.Errorf("%s: expected certificates in PEM", ca)
		}
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots, Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}, nil
}
