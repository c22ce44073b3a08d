package storage_test

import (
	"fmt"
	"os"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream"
)

// A finding is written with the frames around it, and read again.
func Example() {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	stay := dir + "/stay"
	w, _, err := storage.Open(stay, storage.Options{Plan: &stream.Plan{}, Boot: "example", LookBack: 5 * bus.Second, LookOn: 2 * bus.Second})
	if err != nil {
		fmt.Println(err)
		return
	}
	for at := bus.Micros(0); at < 30*bus.Second; at += 20_000 {
		w.Frame(&bus.Frame{At: at, ID: 0x121, Len: 2})
		if at == 20*bus.Second {
			f := detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Start: at - bus.Second, End: at, Drive: 1, Keep: true}
			if err := w.Event(&f, nil); err != nil {
				fmt.Println(err)
			}
		}
		if err := w.Tick(at); err != nil {
			fmt.Println(err)
		}
	}
	if err := w.Close(); err != nil {
		fmt.Println(err)
		return
	}
	s, err := storage.Read(stay)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, e := range s.Events() {
		kept, err := s.Evidence(e.Boot, e.From, e.To)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%s, %s, with %d frames from %.0f to %.0f s\n", e.Finding.Kind, e.Finding.Class, len(kept.Frames), e.From.Seconds(), e.To.Seconds())
	}
	// Output: release-lag, late, with 401 frames from 14 to 22 s
}
