package server

import (
	"crypto/rand"
	"crypto/subtle"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"
)

// What is asked and answered when a vehicle enrols, at POST /enrol.
type (
	enrolRequest struct {
		Code string `json:"code"`
		CSR  string `json:"csr"` // PEM
	}
	enrolAnswer struct {
		Vehicle     string `json:"vehicle"`
		Certificate string `json:"certificate"` // PEM
		CA          string `json:"ca"`          // PEM
		// Token is there where the server has no TLS.
		Token string `json:"token,omitempty"`
	}
	enrolRefusal struct {
		Error string `json:"error"`
	}
)

const (
	maxEnrolBody = 16 << 10
	// From one address, and with one code, so many tries a minute.
	triesOfSource = 10
	triesOfCode   = 5
)

func (s *Server) startEnrolment(host string, port int, certificate tls.Certificate) error {
	l, err := net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(port)))
	if err != nil {
		return err
	}
	s.port = l.Addr().(*net.TCPAddr).Port
	h := &enroller{s: s, sources: newLimits(triesOfSource), codes: newLimits(triesOfCode)}
	mux := http.NewServeMux()
	mux.Handle("POST /enrol", h)
	mux.HandleFunc("POST /renew", h.renew)
	pool := x509.NewCertPool()
	pool.AddCert(s.ca.certificate)
	s.enrol = &http.Server{
		Handler: mux, TLSConfig: &tls.Config{Certificates: []tls.Certificate{certificate}, MinVersion: tls.VersionTLS13,
			ClientAuth: tls.VerifyClientCertIfGiven, ClientCAs: pool},
		ReadTimeout: 10 * time.Second, WriteTimeout: 20 * time.Second, IdleTimeout: 10 * time.Second, MaxHeaderBytes: 8 << 10,
		ErrorLog: log.New(logWriter{s.opt.Logf}, "", 0),
	}
	go s.enrol.ServeTLS(l, "", "")
	return nil
}

type logWriter struct{ logf func(string, ...any) }

func (w logWriter) Write(b []byte) (int, error) {
	w.logf("enrolment: %s", strings.TrimSpace(string(b)))
	return len(b), nil
}

// enroller answers who brings a code.
type enroller struct {
	s              *Server
	sources, codes *limits
	mu             sync.Mutex // one at a time
}

// refusal is what the vehicle is told.
type refusal struct {
	status int
	why    string
}

func (r *refusal) Error() string { return r.why }

func (h *enroller) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	answer, err := h.answer(w, r)
	if err == nil {
		h.s.opt.Logf("enrolled vehicle %s from %s", answer.Vehicle, r.RemoteAddr)
	}
	h.reply(w, r, answer, err)
}

func (h *enroller) reply(w http.ResponseWriter, r *http.Request, answer *enrolAnswer, err error) {
	w.Header().Set("Content-Type", "application/json")
	if err != nil {
		var no *refusal
		if !errors.As(err, &no) {
			no = &refusal{http.StatusInternalServerError, "the server could not enrol; its own log says why"}
		}
		h.s.opt.Logf("enrolment from %s: %v", r.RemoteAddr, err)
		w.WriteHeader(no.status)
		_ = json.NewEncoder(w).Encode(enrolRefusal{no.why})
		return
	}
	_ = json.NewEncoder(w).Encode(answer)
}

func (h *enroller) answer(w http.ResponseWriter, r *http.Request) (*enrolAnswer, error) {
	now := time.Now()
	if !h.sources.allow(source(r.RemoteAddr), now) {
		return nil, &refusal{http.StatusTooManyRequests, fmt.Sprintf("more than %d tries a minute from this address; try again in a minute", triesOfSource)}
	}
	var q enrolRequest
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxEnrolBody)).Decode(&q); err != nil {
		return nil, &refusal{http.StatusBadRequest, "expected a code and a certificate request, in JSON"}
	}
	key, err := request([]byte(q.CSR))
	if err != nil {
		return nil, &refusal{http.StatusBadRequest, err.Error()}
	}
	if !h.codes.allow(hashed(q.Code), now) {
		return nil, &refusal{http.StatusTooManyRequests, fmt.Sprintf("more than %d tries a minute with this code; try again in a minute", triesOfCode)}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	c, err := h.find(q.Code, now)
	if err != nil {
		return nil, err
	}
	dir := h.s.opt.Dir
	if !c.Renew {
		if err := notEnrolled(dir, c.Vehicle); err != nil {
			return nil, &refusal{http.StatusConflict, err.Error()}
		}
	}
	cert, err := h.s.ca.vehicleCertificate(c.Vehicle, key, now)
	if err != nil {
		return nil, err
	}
	a := &enrolAnswer{Vehicle: c.Vehicle, Certificate: string(pemOf("CERTIFICATE", cert.Raw)), CA: string(h.s.ca.pem)}
	e := enrolled{Vehicle: c.Vehicle, certified: certifiedBy(cert), Since: now.UTC().Truncate(time.Second)}
	if !h.s.opt.TLS {
		a.Token = rand.Text()
		e.Token = hashed(a.Token)
	}
	// The code is used up before it yields anything.
	if err := os.Remove(codePath(dir, c.Vehicle)); err != nil {
		return nil, err
	}
	return a, writeJSON(enrolledPath(dir, c.Vehicle), e)
}

// find returns the valid code that was brought, and clears away what is over.
func (h *enroller) find(brought string, now time.Time) (found code, err error) {
	dir := h.s.opt.Dir
	names, err := listed(filepath.Join(dir, "codes"))
	if err != nil {
		return found, err
	}
	hash := []byte(hashed(strings.ToLower(strings.TrimSpace(brought))))
	ok := false
	for _, name := range names {
		var c code
		if err := readJSON(codePath(dir, name), &c); err != nil || c.Vehicle != name {
			h.s.opt.Logf("%s: no code; left aside", codePath(dir, name))
			continue
		}
		if !now.Before(c.Until) {
			os.Remove(codePath(dir, name))
			continue
		}
		if subtle.ConstantTimeCompare(hash, []byte(c.Hash)) == 1 {
			found, ok = c, true
		}
	}
	if !ok {
		return found, &refusal{http.StatusForbidden, "this code is not valid, used or over; ask the shop for a new one"}
	}
	return found, nil
}
