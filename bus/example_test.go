package bus_test

import (
	"fmt"
	"strings"

	"joltwatch/bus"
)

// A recorded log is read in batches; instants count from the first frame
// on, in microseconds.
func ExampleNewTextLog() {
	log, err := bus.NewTextLog(strings.NewReader("(0.000100) can0 121#0B40\n(0.020100) can0 121#0B80\n"), "example", bus.LogOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer log.Close()
	for f, err := range bus.Frames(log) {
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%.4f s: %X % X\n", f.At.Seconds(), f.ID, f.Data[:f.Len])
	}
	// Output:
	// 0.0000 s: 121 0B 40
	// 0.0200 s: 121 0B 80
}
