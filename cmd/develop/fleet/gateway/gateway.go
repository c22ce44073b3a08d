// Package gateway runs a genuine S3 server, a gateway over a folder that .ci/s3 builds,
// in a process of its own.
package gateway

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"time"
)

// Bucket is the one that it has.
const Bucket = "shop"

// Key is name and secret of the account that may do everything, Region where it says
// that it is.
const Key, Region = "invented-key", "us-east-1"

// Server is one; it is not running between Kill and Start.
type Server struct {
	// At is its host and port on this machine.
	At             string
	program        string
	objects, about string
	running        *exec.Cmd
}

// New prepares one whose objects are kept in a folder; program is its file. It fails
// where the folder can not be made, or where no port is free.
func New(program, dir string) (*Server, error) {
	s := &Server{program: program, objects: filepath.Join(dir, "objects"), about: filepath.Join(dir, "about")}
	for _, d := range []string{filepath.Join(s.objects, Bucket), s.about} {
		if err := os.MkdirAll(d, 0o700); err != nil {
			return nil, err
		}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	s.At = l.Addr().String()
	return s, l.Close()
}

// Start starts it and waits until it listens. It fails where the program can not be run,
// or does not listen within a minute.
func (s *Server) Start() error {
	c := exec.Command(s.program, "--quiet", "--port", s.At, "posix", "--sidecar", s.about, s.objects)
	c.Env = append(os.Environ(), "ROOT_ACCESS_KEY="+Key, "ROOT_SECRET_KEY="+Key)
	c.Stderr = os.Stderr
	if err := c.Start(); err != nil {
		return err
	}
	s.running = c
	for end := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		if c, err := net.Dial("tcp", s.At); err == nil {
			return c.Close()
		} else if time.Now().After(end) {
			s.Kill()
			return fmt.Errorf("%s does not listen: %w", s.program, err)
		}
	}
}

// Kill ends it at once.
func (s *Server) Kill() {
	s.running.Process.Kill() //nolint:errcheck // it may have ended
	s.running.Wait()         //nolint:errcheck // killed
}

// Env are the variables by which what speaks S3 finds a server at a URL and may do
// everything there.
func Env(url string) []string {
	return []string{"AWS_ENDPOINT_URL=" + url, "AWS_REGION=" + Region, "AWS_ACCESS_KEY_ID=" + Key, "AWS_SECRET_ACCESS_KEY=" + Key}
}
