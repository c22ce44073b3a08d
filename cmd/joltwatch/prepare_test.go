package main

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

// fakeInterface keeps the kernel's rule that modes change only while down.
type fakeInterface struct {
	interfaceState
	done         []string
	noListenOnly bool
}

func (f *fakeInterface) State() (interfaceState, error) { return f.interfaceState, nil }
func (f *fakeInterface) SetDown() error                 { f.done = append(f.done, "down"); f.up = false; return nil }
func (f *fakeInterface) SetUp() error {
	f.done = append(f.done, "up")
	f.up = true
	return nil
}
func (f *fakeInterface) SetBitrate(b uint32) error {
	f.done = append(f.done, "bitrate")
	if f.up {
		return errors.New("device or resource busy")
	}
	f.bitrate = b
	return nil
}
func (f *fakeInterface) SetListenOnlyMode(on bool) error {
	f.done = append(f.done, "mode")
	if f.up {
		return errors.New("device or resource busy")
	}
	if on && f.noListenOnly {
		return errors.New("operation not supported")
	}
	f.listenOnly = on
	return nil
}

func TestPrepare(t *testing.T) {
	for _, c := range []struct {
		name       string
		was        interfaceState
		bitrate    uint32
		listenOnly bool
		said       string
		done       []string
	}{
		{"fresh", interfaceState{}, 500000, true, "500000 bit/s, listening only", []string{"mode", "bitrate", "up"}},
		{"as it should be", interfaceState{up: true, listenOnly: true, bitrate: 500000}, 500000, true,
			"500000 bit/s, listening only, up already", nil},
		{"up and able to send", interfaceState{up: true, bitrate: 500000}, 500000, true, "500000 bit/s, listening only",
			[]string{"down", "mode", "up"}},
		{"other bitrate", interfaceState{up: true, listenOnly: true, bitrate: 250000}, 500000, true,
			"500000 bit/s, listening only", []string{"down", "mode", "bitrate", "up"}},
		{"bitrate left to the system", interfaceState{bitrate: 125000}, 0, true, "125000 bit/s, listening only", []string{"mode", "up"}},
		{"asking", interfaceState{}, 500000, false, "500000 bit/s, can send requests", []string{"mode", "bitrate", "up"}},
		{"virtual", interfaceState{virtual: true}, 500000, true, "virtual, up", []string{"up"}},
	} {
		f := &fakeInterface{interfaceState: c.was}
		said, err := prepare(f, c.bitrate, c.listenOnly)
		if err != nil || said != c.said || !slices.Equal(f.done, c.done) || !f.up {
			t.Errorf("%s: %q, %v, did %v; want %q, %v", c.name, said, err, f.done, c.said, c.done)
		}
	}
}

func TestPrepareRefuses(t *testing.T) {
	f := &fakeInterface{}
	if _, err := prepare(f, 0, true); err == nil || !strings.Contains(err.Error(), "bitrate = ") || f.up {
		t.Errorf("no bitrate anywhere: %v, up %v", err, f.up)
	}
	// Rather no bus than one on which the controller acknowledges.
	f = &fakeInterface{noListenOnly: true}
	if _, err := prepare(f, 500000, true); err == nil || f.up {
		t.Errorf("no listen-only mode: %v, up %v", err, f.up)
	}
	f = &fakeInterface{noListenOnly: true, interfaceState: interfaceState{up: true, bitrate: 500000}}
	if said, err := prepare(f, 500000, true); err != nil || !f.up || !strings.Contains(said, "left as it was") {
		t.Errorf("no listen-only mode, brought up by hand: %q, %v, up %v", said, err, f.up)
	}
}
