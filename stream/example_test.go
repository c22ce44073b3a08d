package stream_test

import (
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// rows prints the speeds of each row.
type rows struct{}

func (rows) Frame(*bus.Frame)        {}
func (rows) Samples([]stream.Sample) {}
func (rows) Row(r *stream.Row) {
	if r.Has(stream.EngineSpeed, stream.TurbineSpeed) {
		fmt.Printf("%.2f s: engine %.0f rpm, turbine %.0f rpm\n", r.At.Seconds(), r.V[stream.EngineSpeed], r.V[stream.TurbineSpeed])
	}
}

// Frames of two messages that come at different instants make rows of values at
// common ones.
func Example() {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	definition := `BO_ 289 EngineData: 2 Engine
 SG_ EngineSpeed : 7|16@0+ (0.25,0) [0|16063.75] "rpm" Logger
BO_ 419 GearboxSpeeds: 2 Gearbox
 SG_ TurbineSpeed : 7|16@0+ (0.25,0) [0|16063.75] "rpm" Logger
`
	if err := os.WriteFile(filepath.Join(dir, "example.dbc"), []byte(definition), 0o600); err != nil {
		fmt.Println(err)
		return
	}
	var settings struct{}
	file, err := vehicle.Parse(filepath.Join(dir, "vehicle.toml"), []byte(`
[[bus]]
name = "can0"
bitrate = 500000
definitions = ["example.dbc"]
[[role]]
name = "engine_speed"
signal = "EngineData.EngineSpeed"
[[role]]
name = "turbine_speed"
signal = "GearboxSpeeds.TurbineSpeed"
`), &settings)
	if err != nil {
		fmt.Println(err)
		return
	}
	s, err := stream.New(file.Plan)
	if err != nil {
		fmt.Println(err)
		return
	}
	for i := range 16 {
		// Each is sent every 20 ms, the turbine's speed 10 ms after the engine's;
		// both fall by 500 rpm/s.
		at := bus.Micros(10_000 * i)
		f := bus.Frame{At: at, ID: []uint32{0x121, 0x1A3}[i%2], Len: 2}
		rpm := 1500 - 500*at.Seconds()
		binary.BigEndian.PutUint16(f.Data[:], uint16(rpm/0.25))
		s.Push(&f, rows{})
	}
	s.Flush(rows{})
	// Output:
	// 0.02 s: engine 1490 rpm, turbine 1490 rpm
	// 0.04 s: engine 1480 rpm, turbine 1480 rpm
	// 0.06 s: engine 1470 rpm, turbine 1470 rpm
	// 0.08 s: engine 1460 rpm, turbine 1460 rpm
	// 0.10 s: engine 1450 rpm, turbine 1450 rpm
	// 0.12 s: engine 1440 rpm, turbine 1440 rpm
	// 0.14 s: engine 1430 rpm, turbine 1430 rpm
}
