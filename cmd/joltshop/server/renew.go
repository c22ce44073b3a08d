package server

import (
	"encoding/json"
	"fmt"
	"net/http"
	"time"
)

// renew answers, at POST /renew, a vehicle that shows a certificate that it may show.
// With a request for a new key it gets a certificate for that, and the old one stays
// valid, as the answer may not arrive; without one it says that it has the new one, which
// it shows, and the old one ends.
func (h *enroller) renew(w http.ResponseWriter, r *http.Request) {
	a, err := h.renewal(w, r, time.Now())
	h.reply(w, r, a, err)
}

func (h *enroller) renewal(w http.ResponseWriter, r *http.Request, now time.Time) (*enrolAnswer, error) {
	if !h.sources.allow(source(r.RemoteAddr), now) {
		return nil, &refusal{http.StatusTooManyRequests, fmt.Sprintf("more than %d tries a minute from this address; try again in a minute", triesOfSource)}
	}
	var q enrolRequest
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxEnrolBody)).Decode(&q); err != nil {
		return nil, &refusal{http.StatusBadRequest, "expected a certificate request, or none, in JSON"}
	}
	if r.TLS == nil || len(r.TLS.VerifiedChains) == 0 {
		return nil, &refusal{http.StatusForbidden, "expected the vehicle's certificate"}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	leaf, dir := r.TLS.PeerCertificates[0], h.s.opt.Dir
	e, err := readEnrolled(dir, leaf.Subject.CommonName)
	shown := serial(leaf)
	if err != nil || e.Serial == "" || e.Serial != shown && (e.Next == nil || e.Next.Serial != shown) {
		return nil, &refusal{http.StatusForbidden, "this certificate is not the vehicle's latest, or it was struck off"}
	}
	a := &enrolAnswer{Vehicle: e.Vehicle}
	if q.CSR == "" {
		if e.Next != nil && e.Next.Serial == shown {
			h.s.opt.Logf("vehicle %s: has its new certificate, the earlier one has ended", e.Vehicle)
			e.certified, e.Next = *e.Next, nil
			return a, writeJSON(enrolledPath(dir, e.Vehicle), e)
		}
		return a, nil
	}
	key, err := request([]byte(q.CSR))
	if err != nil {
		return nil, &refusal{http.StatusBadRequest, err.Error()}
	}
	cert, err := h.s.ca.vehicleCertificate(e.Vehicle, key, now)
	if err != nil {
		return nil, err
	}
	if e.Next != nil && e.Next.Serial == shown {
		e.certified = *e.Next // it has come with it
	}
	next := certifiedBy(cert)
	e.Next = &next
	h.s.opt.Logf("vehicle %s: renewed its certificate, until %s", e.Vehicle, next.Until.Format(time.DateOnly))
	a.Certificate, a.CA = string(pemOf("CERTIFICATE", cert.Raw)), string(h.s.ca.pem)
	return a, writeJSON(enrolledPath(dir, e.Vehicle), e)
}

// Ending is a vehicle whose certificate ends.
type Ending struct {
	Vehicle string
	Until   time.Time
}

// EndingIn are the vehicles enrolled in dir whose latest certificate ends before a
// time, in order of their names.
func EndingIn(dir string, before time.Time) (list []Ending, err error) {
	names, err := Enrolled(dir)
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		e, err := readEnrolled(dir, name)
		if err != nil {
			return nil, err
		}
		all := e.shows()
		last := all[len(all)-1]
		if last.Serial == "" || e.Token != "" {
			continue // it has none
		}
		if last.Until.IsZero() {
			last.Until = e.Since.AddDate(vehicleYears, 0, 0)
		}
		if last.Until.Before(before) {
			list = append(list, Ending{name, last.Until})
		}
	}
	return list, nil
}
