package detect_test

import (
	"fmt"
	"os"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// alarms prints what a sound vehicle does not do.
type alarms struct{}

func (alarms) Account(*detect.Account) {}
func (alarms) Finding(f *detect.Finding, _ []detect.Percentile) {
	if lag, ok := f.Get(detect.LagS.Name); ok && !detect.Ordinary(f.Kind, f.Class) {
		fmt.Printf("%s: about %.0f s, which no sound clutch takes\n", f.Kind, lag)
	}
}

// The whole way: a log, the vehicle file that says what is in its frames, and
// the detectors. The drive is invented and has one late release in it.
func Example() {
	set := detect.DefaultSettings()
	text, err := os.ReadFile("../testdata/van/vehicle.toml")
	if err != nil {
		fmt.Println(err)
		return
	}
	file, err := vehicle.Parse("../testdata/van/vehicle.toml", text, &set)
	if err != nil {
		fmt.Println(err)
		return
	}
	log, err := bus.OpenLog("../testdata/van/drive.log.zst", bus.LogOptions{Interfaces: file.Interfaces()})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer log.Close()
	s, err := stream.New(file.Plan)
	if err != nil {
		fmt.Println(err)
		return
	}
	to := &feed{m: detect.New(set, file.Plan, alarms{})}
	for f, err := range bus.Frames(log) {
		if err != nil {
			fmt.Println(err)
			return
		}
		s.Push(f, to)
	}
	s.Flush(to)
	to.m.Flush()
	// Output: release-lag: about 2 s, which no sound clutch takes
}
