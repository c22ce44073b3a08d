package bus

import (
	"io"
	"net"
	"path/filepath"
	"strings"
	"testing"
)

func TestMarks(t *testing.T) {
	path := filepath.Join(t.TempDir(), "marks")
	if err := SendMark(path); err == nil || !strings.Contains(err.Error(), "no stay is running") {
		t.Errorf("nobody listens: %v", err)
	}
	m, err := ListenMarks(path, 0, func() Micros { return 77 })
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ListenMarks(path, 0, nil); err == nil || !strings.Contains(err.Error(), "another stay") {
		t.Errorf("twice: %v", err)
	}
	// The second listener's try was a caller that said nothing; and one that
	// says something else.
	c, err := net.Dial("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	io.WriteString(c, strings.Repeat("x", 1000)+"\n")
	c.Close()
	for range 2 {
		if err := SendMark(path); err != nil {
			t.Fatal(err)
		}
	}
	got := until(t, m, "two marks", atLeast(2, isNotice(NoticeMark)))
	if len(got) != 2 || got[0].At != 77 {
		t.Errorf("%+v", got)
	}
	done := make(chan error)
	go func() {
		for {
			if _, err := m.Read(make([]Frame, 1)); err != nil {
				done <- err
				return
			}
		}
	}()
	m.Close()
	if err := <-done; err != io.EOF { // Close ends Read
		t.Error(err)
	}
	if err := SendMark(path); err == nil {
		t.Error("marked after Close")
	}
}

// A socket file left by a killed process is taken over.
func TestMarksTakesOverStaleSocket(t *testing.T) {
	path := filepath.Join(t.TempDir(), "marks")
	ln, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	ln.SetUnlinkOnClose(false)
	ln.Close()
	m, err := ListenMarks(path, 0, BootNow)
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	if err := SendMark(path); err != nil {
		t.Error(err)
	}
}
