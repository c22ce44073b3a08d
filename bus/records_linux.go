package bus

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

// RecordOptions say how decoded records are read.
type RecordOptions struct {
	SerialOptions
	// Channels are the names wanted; the place in the list becomes the ID of
	// the Reading. Records of other names are skipped. Empty: all, numbered
	// in the order in which they appear.
	Channels []string
}

// Records reads decoded values, one a line, from a serial device. See
// recordline.go for the two forms of a line.
type Records struct {
	opt  RecordOptions
	port port

	lines lineBuffer
	outbox
	clock deviceClock
	prev  Micros // when bytes were last read
	bad   int64

	mu       sync.Mutex
	channels []string
	units    []string
	reason   string
}

// recordStampModulus is where a 32-bit counter of microseconds starts again.
const recordStampModulus = 1 << 32

// OpenRecords opens the device.
func OpenRecords(path string, opt RecordOptions) (*Records, error) {
	r := &Records{opt: opt, outbox: outbox{bus: opt.Bus}, port: port{path: path, baud: opt.Baud}, lines: lineBuffer{limit: maxRecordLine}}
	r.channels = append(r.channels, opt.Channels...)
	r.units = make([]string, len(r.channels))
	if err := r.port.connect(); err != nil {
		if !opt.Wait || !errors.Is(err, ErrMissing) {
			return nil, err
		}
		r.setDown()
		return r, nil
	}
	r.start()
	return r, nil
}

// start treats what comes up to the first line end as half a line.
func (r *Records) start() {
	r.lines.reset()
	r.lines.skipping = true
	r.clock = deviceClock{modulus: recordStampModulus, last: r.clock.last}
	r.prev = BootNow()
}

// Read returns the readings received since the last call, waiting up to 0.2 s.
// It goes on when the device is unplugged and plugged in again.
func (r *Records) Read(batch []Frame) (int, error) {
	return r.hand(batch, r.receive)
}

func (r *Records) receive() error {
	if r.down {
		time.Sleep(absentTime)
		if err := r.port.connect(); err != nil {
			if err == io.EOF {
				return err
			}
			return nil
		}
		r.start()
		r.down = false
		r.note(BootNow(), NoticeUp, 0)
	}
	n, err := r.port.read(r.lines.room())
	now := BootNow()
	if err == io.EOF {
		return err
	}
	if err != nil {
		r.setDown()
		return nil
	}
	r.lines.add(n)
	early := uint32(min(max(now-r.prev, 0), maxEarly))
	r.prev = now
	for {
		line, ok, tooLong := r.lines.next()
		if !ok {
			break
		}
		if tooLong {
			r.reject("the line is longer than 512 bytes")
			continue
		}
		r.line(line, now, early)
	}
	if r.bad > 0 {
		r.note(now-Micros(early), NoticeBadInput, r.bad)
		r.bad = 0
	}
	return nil
}

func (r *Records) line(line []byte, now Micros, early uint32) {
	var rec record
	skip, reason := parseRecord(line, &rec)
	if skip {
		return
	}
	if reason != "" {
		r.reject(reason)
		return
	}
	channel, reason := r.channel(&rec)
	if reason != "" {
		r.reject(reason)
		return
	}
	if channel < 0 {
		return
	}
	at := now
	if rec.stamp >= 0 {
		var jump Micros
		if at, jump = r.clock.instant(rec.stamp%recordStampModulus, now); jump != 0 {
			r.note(at, NoticeClockJump, int64(jump))
		}
		early = 0
	}
	r.last = max(r.last, at)
	f := NewReading(r.last, r.opt.Bus, uint32(channel), rec.value)
	f.Early = early
	r.out = append(r.out, f)
}

// channel is -1 for a channel that is not wanted.
func (r *Records) channel(rec *record) (channel int, reason string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	channel = -1
	for i, c := range r.channels {
		if c == string(rec.name) {
			channel = i
		}
	}
	if channel < 0 {
		if len(r.opt.Channels) > 0 || len(r.channels) == 256 {
			return -1, ""
		}
		channel = len(r.channels)
		r.channels = append(r.channels, string(rec.name))
		r.units = append(r.units, "")
	}
	if len(rec.unit) > 0 {
		switch u := r.units[channel]; {
		case u == "":
			r.units[channel] = string(rec.unit)
		case !bytes.Equal(rec.unit, []byte(u)):
			return -1, fmt.Sprintf("the unit of %s was %s", rec.name, u)
		}
	}
	return channel, ""
}

func (r *Records) reject(reason string) {
	r.bad++
	r.mu.Lock()
	r.reason = reason
	r.mu.Unlock()
}

// Channels returns the channels by index with the units that the device states,
// empty where it states none.
func (r *Records) Channels() (names, units []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]string(nil), r.channels...), append([]string(nil), r.units...)
}

// LastReason says what was wrong with the last bad line.
func (r *Records) LastReason() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.reason
}

// Close ends a Read that waits, within 0.2 s.
func (r *Records) Close() error { return r.port.close() }
