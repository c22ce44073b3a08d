package main

import (
	"io"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
)

// Cards stall: a sync that takes seconds holds up the loop that handles frames,
// while a full bus of 500 kbit/s goes on. What is read ahead carries the program
// over two seconds of it, also where each of the syncs that one event takes
// stalls so long; beyond that, what is lost is counted to the frame.
//
// Bus, card and program go by the clock of the bubble, which no load of the
// machine moves.
func TestSlowCard(t *testing.T) {
	for _, c := range []struct {
		name   string
		stall  time.Duration // of a sync
		stalls int32         // how many syncs of the event stall
		lost   bool
	}{
		{"one stall of 2 s", 2 * time.Second, 1, false},
		{"every sync of an event 1.5 s", 1500 * time.Millisecond, 4, false},
		{"every sync of an event 5 s", 5 * time.Second, 4, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := quietHost()
				file, l := lineOf(t, h)
				dir := t.TempDir()
				slow := &slowFS{FS: storage.OS(dir), stall: c.stall}
				w := newWire(20 * storage.FullLoad)
				src := bus.Merge([]bus.Source{w}, bus.MergeOptions{Now: w.now})
				defer src.Close()
				in := &input{source: src, live: true, boot: "test", now: w.now}
				opt := storeOptions(h, file, "test", in)
				opt.FS = slow
				if err := l.open(h, dir, opt); err != nil {
					t.Fatal(err)
				}
				told := false
				err := pump(h.ctx, in, func(f *bus.Frame) error {
					if err := l.Push(f); err != nil {
						return err
					}
					if f.At > 6*bus.Second && !told {
						told = true
						slow.left.Store(c.stalls)
						l.Finding(&detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Start: f.At, End: f.At, Drive: 1, Severity: 1, Keep: true}, nil)
					}
					return nil
				}, l.beat(in))
				if err != nil {
					t.Fatal(err)
				}
				if err := l.Finish(); err != nil {
					t.Fatal(err)
				}
				s, err := storage.Read(dir)
				if err != nil {
					t.Fatal(err)
				}
				if n := slow.left.Load(); n > 0 {
					t.Fatalf("%d of the syncs that were to stall never came", n)
				}
				var got, dropped uint64
				for _, a := range s.Accounts() {
					got, dropped = got+a.Frames, dropped+a.Dropped
				}
				t.Logf("%d frames on the bus, %d handled, %d counted as lost", w.total, got, dropped)
				if got+dropped != uint64(w.total) {
					t.Errorf("%d frames handled and %d counted as lost, of %d", got, dropped, w.total)
				}
				if lost := dropped > 0; lost != c.lost {
					t.Errorf("%d frames lost", dropped)
				}
			})
		})
	}
}

// slowFS stalls at that many of the next syncs.
type slowFS struct {
	storage.FS
	stall time.Duration
	left  atomic.Int32
}

func (s *slowFS) pause() {
	if s.left.Add(-1) >= 0 {
		time.Sleep(s.stall)
	}
}

func (s *slowFS) Create(name string) (storage.File, error) {
	f, err := s.FS.Create(name)
	return &slowFile{f, s}, err
}

func (s *slowFS) SyncDir() error { s.pause(); return nil }

type slowFile struct {
	storage.File
	fs *slowFS
}

// Nothing is synced for real, which would take time that the bubble does not have.
func (f *slowFile) Sync() error          { f.fs.pause(); return nil }
func (f *slowFile) Order() (bool, error) { return false, nil }

// wire is a full bus of 500 kbit/s as the kernel hands it on: frames come
// whether they are read or not, wait in a queue of some length, and those that
// find it full are lost and counted.
type wire struct {
	start          time.Time
	total, arrived int
	frame          bus.Frame
	queue          []bus.Frame
	lost           int64 // since the last that found room
}

// socketQueue is how many frames the kernel's queue holds. With the package's
// setting of net.core.rmem_max it is about as many (8 MiB of buffers of about 800
// bytes; from memory). Here it also bears that a busy host keeps the reader
// waiting.
const socketQueue = 8000

func newWire(total int) *wire { return &wire{start: time.Now(), total: total, frame: frames(1)[0]} }

// now is the time on the bus.
func (w *wire) now() bus.Micros { return bus.Micros(time.Since(w.start).Microseconds()) }

func (w *wire) Read(batch []bus.Frame) (int, error) {
	for {
		due := min(int(float64(w.now())*storage.FullLoad/1e6), w.total)
		for ; w.arrived < due; w.arrived++ {
			f := w.frame
			f.At = bus.Micros(int64(w.arrived) * 1e6 / storage.FullLoad)
			if len(w.queue) == socketQueue {
				w.lost++
				continue
			}
			if w.lost > 0 {
				w.queue = append(w.queue, bus.NewNotice(f.At, 0, bus.NoticeDropped, w.lost))
				w.lost = 0
			}
			w.queue = append(w.queue, f)
		}
		if w.arrived == w.total && w.lost > 0 {
			w.queue = append(w.queue, bus.NewNotice(w.now(), 0, bus.NoticeDropped, w.lost))
			w.lost = 0
		}
		if len(w.queue) > 0 {
			n := copy(batch, w.queue)
			w.queue = append(w.queue[:0], w.queue[n:]...)
			return n, nil
		}
		if w.arrived == w.total {
			return 0, io.EOF
		}
		time.Sleep(200 * time.Microsecond)
	}
}

func (w *wire) Clock() bus.Clock { return bus.Clock{} }
func (w *wire) Stats() bus.Stats { return bus.Stats{} }
func (w *wire) Close() error     { return nil }
