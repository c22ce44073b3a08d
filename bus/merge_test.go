package bus

import (
	"errors"
	"io"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"joltwatch/cmd/develop/wait"
)

// feed is a source of frames from a channel.
type feed struct {
	ch     chan Frame
	err    error
	closed chan struct{}
	once   sync.Once
}

func newFeed() *feed { return &feed{ch: make(chan Frame, 100), closed: make(chan struct{})} }

func (s *feed) Read(batch []Frame) (int, error) {
	select {
	case f, ok := <-s.ch:
		if !ok {
			if s.err != nil {
				return 0, s.err
			}
			return 0, io.EOF
		}
		batch[0] = f
		return 1, nil
	case <-s.closed:
		return 0, io.EOF
	}
}

func (s *feed) Clock() Clock { return Clock{} }
func (s *feed) Stats() Stats { return Stats{} }
func (s *feed) Close() error { s.once.Do(func() { close(s.closed) }); return nil }

// Recordings are merged strictly in order, whatever the batches and queues.
func TestMergeOrdersRecordings(t *testing.T) {
	for _, size := range []int{1, 3, 500} {
		for _, ring := range []int{1, 7, 4096} {
			var sources []Source
			for b := range 3 {
				var text []byte
				for i := range 1000 {
					f := data(Micros(i*3+b*(i%2)), uint32(b), 0)
					f.Bus = uint8(b)
					text = AppendLogLine(text, &f, "x"+string(rune('0'+b)))
				}
				l, _ := NewTextLog(strings.NewReader(string(text)), "log", LogOptions{Interfaces: []string{"x0", "x1", "x2"}})
				sources = append(sources, l)
			}
			m := Merge(sources, MergeOptions{Queue: ring})
			var last Micros
			total := 0
			batch := make([]Frame, size)
			for {
				n, err := m.Read(batch)
				for _, f := range batch[:n] {
					if f.At < last {
						t.Fatalf("%d after %d", f.At, last)
					}
					last = f.At
				}
				total += n
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			if total != 3000 || m.Late() != 0 {
				t.Errorf("batch %d, ring %d: %d frames, %d late", size, ring, total, m.Late())
			}
			m.Close()
		}
	}
}

// A quiet bus delays another's frames by no more than the bound.
func TestMergeDelayIsBounded(t *testing.T) {
	a, b := newFeed(), newFeed()
	var mu sync.Mutex
	now := Micros(1000)
	set := func(to Micros) { mu.Lock(); now = to; mu.Unlock() }
	m := Merge([]Source{a, b}, MergeOptions{Delay: 5000, Now: func() Micros { mu.Lock(); defer mu.Unlock(); return now }})
	defer m.Close()
	a.ch <- data(1000, 1, 0)
	batch := make([]Frame, 10)
	set(5999)
	if n, err := m.Read(batch); n != 0 || err != nil {
		t.Fatalf("%d frames, %v: handed out before the other bus could speak", n, err)
	}
	set(6000)
	if n, _ := m.Read(batch); n != 1 {
		t.Fatalf("%d frames: kept waiting beyond the bound", n)
	}
	b.ch <- data(900, 2, 0) // its driver kept it too long
	a.ch <- data(6000, 3, 0)
	set(20000)
	got := 0
	wait.Until(t, "both frames", func() bool {
		n, _ := m.Read(batch)
		got += n
		return got >= 2
	})
	if got != 2 || m.Late() != 1 {
		t.Errorf("%d frames, %d late; want 2 and 1", got, m.Late())
	}
}

func TestMergePassesErrorsOnAndCloses(t *testing.T) {
	a, b := newFeed(), newFeed()
	a.err = errors.New("broken")
	close(a.ch)
	m := Merge([]Source{a, b}, MergeOptions{})
	if _, err := m.Read(make([]Frame, 1)); err == nil || err.Error() != "broken" {
		t.Fatal(err)
	}
	done := make(chan error)
	go func() { _, err := m.Read(make([]Frame, 1)); done <- err }()
	m.Close()
	if err := <-done; err != io.EOF {
		t.Fatal(err)
	}
}

// A vehicle at rest wakes the reader seldom, and a frame wakes it at once.
func TestMergeRests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		now := func() Micros { return Micros(time.Since(start).Microseconds()) }
		src := newFeed()
		m := Merge([]Source{src}, MergeOptions{Now: now})
		defer m.Close()
		batch := make([]Frame, 8)
		woken := 0
		for time.Since(start) < 70*time.Second {
			if n, err := m.Read(batch); n != 0 || err != nil {
				t.Fatalf("%d frames, %v", n, err)
			}
			woken++
		}
		// 0.2 s apart for ten seconds, then 5 s.
		if woken < 10 || woken > 64 {
			t.Errorf("woken %d times in 70 s of silence", woken)
		}
		sent := make(chan time.Time, 1)
		go func() {
			time.Sleep(3 * time.Second)
			sent <- time.Now()
			src.ch <- Frame{At: now()}
		}()
		n := 0
		for n == 0 {
			var err error
			if n, err = m.Read(batch); err != nil {
				t.Fatal(err)
			}
		}
		if late := time.Since(<-sent); n != 1 || late > 100*time.Millisecond {
			t.Errorf("%d frames, %v after they were sent", n, late)
		}
	})
}
