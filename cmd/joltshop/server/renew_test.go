package server

import (
	"bytes"
	"crypto/tls"
	"encoding/json"
	"net/http"
	"testing"
	"time"

	"joltwatch/cmd/develop/wait"
)

// renew asks for a certificate for another key, showing v's own; with nil it says that
// it has v's own.
func (v *vehicle) renew(t *testing.T, s *Server, to *vehicle) (status int) {
	t.Helper()
	q := enrolRequest{}
	if to != nil {
		q.CSR = to.csr(t)
	}
	body, err := json.Marshal(q)
	if err != nil {
		t.Fatal(err)
	}
	c := &tls.Config{RootCAs: v.pool(s)}
	if v.cert != nil {
		c.Certificates = []tls.Certificate{{Certificate: [][]byte{v.cert}, PrivateKey: v.key}}
	}
	client := http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true, TLSClientConfig: c}}
	r, err := client.Post(s.EnrolURL()+"/renew", "application/json", bytes.NewReader(body))
	if err != nil {
		return 0 // no certificate that the listener takes
	}
	defer r.Body.Close()
	var a enrolAnswer
	if err := json.NewDecoder(r.Body).Decode(&a); err != nil {
		t.Fatal(err)
	}
	if r.StatusCode == http.StatusOK && to != nil {
		to.cert = derOf(t, a.Certificate)
	}
	return r.StatusCode
}

// A vehicle gets a new certificate by its old one. Both are good until it has come with
// the new one, as the answer may be lost; then the old one ends, and renews nothing.
func TestRenew(t *testing.T) {
	s := start(t, Options{TLS: true})
	dir := s.opt.Dir
	code, err := NewCode(dir, "van-1", CodeValid, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	first, lost, next := newVehicle(t), newVehicle(t), newVehicle(t)
	if status, _ := first.enrol(t, s, code); status != http.StatusOK {
		t.Fatal(status)
	}
	if status := newVehicle(t).renew(t, s, newVehicle(t)); status != http.StatusForbidden {
		t.Errorf("without a certificate: %d", status)
	}
	for _, to := range []*vehicle{lost, next} {
		if status := first.renew(t, s, to); status != http.StatusOK {
			t.Fatal(status)
		}
	}
	refused(t, s, "one whose answer was lost", lost.tls(s))
	for _, v := range []*vehicle{first, next} {
		delivers(t, dial(t, s, "van-1", v.tls(s)), "van-1")
	}
	old := dial(t, s, "van-1", first.tls(s))
	if status := next.renew(t, s, nil); status != http.StatusOK {
		t.Fatal(status)
	}
	wait.Until(t, "a connection by the earlier certificate to end", old.IsClosed)
	refused(t, s, "the earlier certificate", first.tls(s))
	if status := first.renew(t, s, newVehicle(t)); status != http.StatusForbidden {
		t.Errorf("the earlier certificate renews: %d", status)
	}
	if status := next.renew(t, s, nil); status != http.StatusOK {
		t.Errorf("said once more: %d", status)
	}
	delivers(t, dial(t, s, "van-1", next.tls(s)), "van-1")
	if err := Revoke(dir, "van-1"); err != nil {
		t.Fatal(err)
	}
	if status := next.renew(t, s, newVehicle(t)); status != http.StatusForbidden {
		t.Errorf("struck off, it renews: %d", status)
	}
}

// Which certificates end is known, also of those of before that was kept.
func TestEndingIn(t *testing.T) {
	dir := t.TempDir()
	if err := prepareDir(dir); err != nil {
		t.Fatal(err)
	}
	now := time.Now().UTC().Truncate(time.Second)
	in := func(days int) certified { return certified{Serial: "1", Until: now.AddDate(0, 0, days)} }
	next := in(600)
	for _, e := range []enrolled{
		{Vehicle: "soon", certified: in(50), Since: now},
		{Vehicle: "later", certified: in(70), Since: now},
		{Vehicle: "renewed", certified: in(10), Next: &next, Since: now},
		{Vehicle: "before", certified: certified{Serial: "1"}, Since: now.AddDate(-2, 0, 20)},
		{Vehicle: "before-later", certified: certified{Serial: "1"}, Since: now.AddDate(-1, 0, 0)},
		{Vehicle: "token", Token: "x", Since: now.AddDate(-3, 0, 0)},
	} {
		if err := writeJSON(enrolledPath(dir, e.Vehicle), e); err != nil {
			t.Fatal(err)
		}
	}
	list, err := EndingIn(dir, now.AddDate(0, 0, 60))
	if err != nil || len(list) != 2 || list[0].Vehicle != "before" || list[1].Vehicle != "soon" || !list[1].Until.Equal(now.AddDate(0, 0, 50)) {
		t.Errorf("%+v, %v", list, err)
	}
}
