package server

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"joltwatch/cmd/internal/durable"
	"joltwatch/storage/wire"
)

// enrolled is what the shop keeps of a vehicle that may connect.
type enrolled struct {
	Vehicle string `json:"vehicle"`
	// The certificate that it may show, and, while it has renewed that and has not come
	// with the new one yet, the new one.
	certified
	Next *certified `json:"next,omitempty"`
	// Token is the SHA-256 of what it connects with where there is no TLS.
	Token string    `json:"token_sha256,omitempty"`
	Since time.Time `json:"since"`
}

// certified is a certificate that a vehicle may show.
type certified struct {
	// Serial is its number, in hexadecimal.
	Serial string `json:"serial,omitempty"`
	// Key identifies the key, see keyID; "" of certificates that do not name it.
	Key string `json:"key,omitempty"`
	// Until is when it ends; the zero time of those of before this was kept.
	Until time.Time `json:"until,omitzero"`
}

// shows are the certificates that the vehicle may show.
func (e *enrolled) shows() []certified {
	if e.Next != nil {
		return []certified{e.certified, *e.Next}
	}
	return []certified{e.certified}
}

// code is a one-time code that is waiting for its vehicle.
type code struct {
	Vehicle string    `json:"vehicle"`
	Hash    string    `json:"code_sha256"`
	Until   time.Time `json:"until"`
	Renew   bool      `json:"renew,omitempty"`
}

// CodeValid is how long a code is valid where nothing else is said.
const CodeValid = 15 * time.Minute

func prepareDir(dir string) error {
	if dir == "" {
		return errors.New("the shop's folder is not named")
	}
	for _, d := range []string{dir, filepath.Join(dir, "enrolled"), filepath.Join(dir, "codes")} {
		if err := os.MkdirAll(d, 0o700); err != nil {
			return err
		}
	}
	return os.Chmod(dir, 0o700)
}

// IsShop is an error where a folder is no shop's: nobody was ever enrolled there, and no
// server has run.
func IsShop(dir string) error {
	for _, name := range []string{"enrolled", "ca.pem"} {
		if _, err := os.Stat(filepath.Join(dir, name)); err == nil {
			return nil
		}
	}
	return fmt.Errorf("%s: no shop's folder; expected the one that joltshop serve was given, with ca.pem and enrolled in it", dir)
}

func enrolledPath(dir, vehicle string) string { return filepath.Join(dir, "enrolled", vehicle+".json") }
func codePath(dir, vehicle string) string     { return filepath.Join(dir, "codes", vehicle+".json") }

// NewCode makes a one-time code for a vehicle that is not enrolled, in place of
// an earlier one. A server that runs in dir knows it at once.
func NewCode(dir, vehicle string, valid time.Duration, now time.Time) (string, error) {
	return newCode(dir, vehicle, valid, now, false)
}

// RenewCode makes a code for a vehicle that may be enrolled already: with it the
// vehicle gets a new certificate, and its old one ends.
func RenewCode(dir, vehicle string, valid time.Duration, now time.Time) (string, error) {
	return newCode(dir, vehicle, valid, now, true)
}

func newCode(dir, vehicle string, valid time.Duration, now time.Time, renew bool) (string, error) {
	if !wire.VehicleName(vehicle) {
		return "", nameError(vehicle)
	}
	if valid <= 0 || valid > 7*24*time.Hour {
		return "", fmt.Errorf("a code valid for %v; expected up to 7 days", valid)
	}
	if err := prepareDir(dir); err != nil {
		return "", err
	}
	if !renew {
		if err := notEnrolled(dir, vehicle); err != nil {
			return "", err
		}
	}
	// 20 letters of 32 are 100 bits: not to be guessed in any time.
	t := strings.ToLower(rand.Text()[:20])
	text := t[:5] + "-" + t[5:10] + "-" + t[10:15] + "-" + t[15:]
	return text, writeJSON(codePath(dir, vehicle), code{vehicle, hashed(text), now.Add(valid), renew})
}

func notEnrolled(dir, vehicle string) error {
	e, err := readEnrolled(dir, vehicle)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return err
	}
	return fmt.Errorf("vehicle %s is enrolled since %s; choose another name, or renew it if it is the same vehicle", vehicle, e.Since.Format(time.DateOnly))
}

// Local enrols a vehicle of this machine, without a code, for a server without
// TLS. Its earlier token ends.
func Local(dir, vehicle string) (token string, err error) {
	if !wire.VehicleName(vehicle) {
		return "", nameError(vehicle)
	}
	if err := prepareDir(dir); err != nil {
		return "", err
	}
	e, err := readEnrolled(dir, vehicle)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	if err != nil {
		e = enrolled{Vehicle: vehicle, Since: time.Now().UTC().Truncate(time.Second)}
	}
	token = rand.Text()
	e.Token = hashed(token)
	return token, writeJSON(enrolledPath(dir, vehicle), e)
}

// Revoke strikes a vehicle off, with a code that waits for it. A running
// server cuts it off within seconds.
func Revoke(dir, vehicle string) error {
	if !wire.VehicleName(vehicle) {
		return nameError(vehicle)
	}
	if err := os.Remove(codePath(dir, vehicle)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	err := os.Remove(enrolledPath(dir, vehicle))
	if errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("vehicle %s is not enrolled", vehicle)
	}
	return err
}

// Enrolled are the names of the vehicles that may connect, in order.
func Enrolled(dir string) ([]string, error) {
	return listed(filepath.Join(dir, "enrolled"))
}

func listed(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		if name, ok := strings.CutSuffix(e.Name(), ".json"); ok && wire.VehicleName(name) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names, nil
}

// readEnrolled reads what is kept of a vehicle; the error is os.ErrNotExist
// where it is not enrolled.
func readEnrolled(dir, vehicle string) (e enrolled, err error) {
	if !wire.VehicleName(vehicle) {
		return e, nameError(vehicle)
	}
	if err := readJSON(enrolledPath(dir, vehicle), &e); err != nil {
		return e, err
	}
	if e.Vehicle != vehicle {
		return e, fmt.Errorf("%s is of vehicle %.60q", enrolledPath(dir, vehicle), e.Vehicle)
	}
	return e, nil
}

// hashed is the SHA-256 of a secret, in hexadecimal. The secrets are of 100 bits
// and more, from the system's source, so that a plain hash tells nothing of them.
func hashed(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:])
}

func readJSON(path string, v any) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, v); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

func writeJSON(path string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return writeFile(path, append(b, '\n'))
}

// writeFile writes a file for nobody else to read, whole or not at all.
func writeFile(path string, b []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*") // 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return durable.SyncDir(filepath.Dir(path))
}
