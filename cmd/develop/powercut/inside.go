package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// What the machine says, a line each:
//
//	state intact|repaired|damaged
//	have ID HASH         an event on file, and its frames
//	account RUN END      the end of the latest account on file
//	opened RUN REPAIR    a run has begun
//	told RUN END         an account was handed to the store
//	ack ID HASH          an event was acknowledged; its frames
const (
	lookBack     = 2 * bus.Second
	lookOn       = bus.Second
	accountEvery = 5 * bus.Second
)

// list says what is on file.
func list(dir string) error {
	v, err := storage.Verify(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	fmt.Println("state", v.State)
	for _, f := range v.Files {
		for _, d := range f.Damage {
			fmt.Println("damage", d.Error())
		}
	}
	s, err := storage.Read(dir)
	if err != nil {
		return err
	}
	for _, e := range s.Events() {
		var frames []bus.Frame
		if e.Evidence == storage.EvidenceKept {
			ev, err := s.Evidence(e.Boot, e.From, e.Finding.End)
			if err != nil {
				return err
			}
			frames = ev.Frames
		}
		fmt.Println("have", e.ID, hash(frames))
	}
	for _, a := range s.Accounts() {
		fmt.Println("account", a.Boot, int64(a.End))
	}
	return nil
}

func hash(frames []bus.Frame) string {
	h := sha256.New()
	for i := range frames {
		h.Write(bus.AppendLogLine(nil, &frames[i], "x")) //nolint:errcheck // of a hash
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// player replays a drive into a store, over and over, about a hundred times as
// fast as it was, with an event every few seconds.
type player struct {
	w      *storage.Writer
	run    string
	recent []bus.Frame
	hashes map[string]string
	next   bus.Micros // event
	told   bus.Micros
	paced  bus.Micros
	events int
}

func replay(dir, log, vehicleFile, boot string) error {
	file, err := vehicle.Load(vehicleFile, &struct{}{})
	if err != nil {
		return err
	}
	p := &player{hashes: map[string]string{}}
	w, repair, err := storage.Open(dir, storage.Options{
		Plan: file.Plan, Settings: file.Text, Program: "powercut", Boot: boot,
		LookBack: lookBack, LookOn: lookOn, AccountEvery: accountEvery,
		Acknowledged: func(e *storage.Event) { fmt.Println("ack", e.ID, p.hashOf(e)) },
		Troubled:     func(t storage.Trouble) { fmt.Println("trouble", t.What) },
	})
	if err != nil {
		return err
	}
	p.w = w
	s, err := storage.Read(dir)
	if err != nil {
		return err
	}
	boots := s.Boots()
	p.run = fmt.Sprint(boots[len(boots)-1].Number)
	fmt.Println("opened", p.run, repair.String())
	decoder, err := stream.New(file.Plan)
	if err != nil {
		return err
	}
	shift, end := bus.Micros(0), bus.Micros(0)
	for {
		src, err := bus.OpenLog(filepath.Clean(log), bus.LogOptions{Interfaces: file.Interfaces()})
		if err != nil {
			return err
		}
		for f, err := range bus.Frames(src) {
			if err != nil {
				return err
			}
			f.At += shift
			end = f.At
			decoder.Push(f, p)
		}
		shift = end + bus.Second
		if err := src.Close(); err != nil {
			return err
		}
	}
}

// Frame implements stream.Sink.
func (p *player) Frame(f *bus.Frame) {
	p.w.Frame(f)
	p.recent = append(p.recent, *f)
	if len(p.recent) > 8000 {
		p.recent = append(p.recent[:0], p.recent[4000:]...)
	}
	if p.next == 0 {
		p.next, p.told, p.paced = f.At+lookBack, f.At, f.At
	}
	if f.At >= p.next {
		p.next += 700_000
		p.events++
		e := &detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Start: f.At - 500_000, End: f.At, Drive: 1, Severity: 0.5, Keep: p.events%3 > 0}
		if err := p.w.Event(e, nil); err != nil {
			fmt.Println("trouble", err)
		}
	}
	if f.At >= p.told+bus.Second {
		p.told = f.At
		fmt.Println("told", p.run, int64(f.At))
		if err := p.w.Account(&detect.Account{Drive: 1, End: f.At, Frames: uint64(f.At)}); err != nil {
			fmt.Println("trouble", err)
		}
	}
	if f.At >= p.paced+bus.Second {
		p.paced = f.At
		time.Sleep(4 * time.Millisecond)
	}
}

func (p *player) Samples([]stream.Sample) {}
func (p *player) Row(*stream.Row)         {}

// hashOf is the hash of the frames that an event must have on file.
func (p *player) hashOf(e *storage.Event) string {
	if e.Evidence != storage.EvidenceKept {
		return hash(nil)
	}
	var in []bus.Frame
	for _, f := range p.recent {
		if f.At >= e.From && f.At <= e.Finding.End {
			in = append(in, f)
		}
	}
	return hash(in)
}
