package stream_test

import (
	"bufio"
	"compress/gzip"
	"encoding/hex"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// truckFrames reads the recording of a real truck, or skips where it is
// absent. It parses the log by itself, so that this package's tests do not
// lean on another's.
func truckFrames(t testing.TB) []bus.Frame {
	t.Helper()
	dir := os.Getenv("JOLTWATCH_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "shared", "captures")
	}
	f, err := os.Open(filepath.Join(dir, "truck-drive.log.gz"))
	if err != nil {
		t.Skip("the truck recording is not here; set JOLTWATCH_CAPTURES to its folder")
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var frames []bus.Frame
	sc := bufio.NewScanner(z)
	for sc.Scan() {
		w := strings.Fields(sc.Text())
		at, err := strconv.ParseFloat(strings.Trim(w[0], "()"), 64)
		if err != nil {
			t.Fatal(err)
		}
		id, err := strconv.ParseUint(w[2], 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		data, err := hex.DecodeString(strings.Join(w[4:], ""))
		if err != nil {
			t.Fatal(err)
		}
		fr := bus.Frame{At: bus.Micros(math.Round(at * 1e6)), ID: uint32(id), Flags: bus.Extended, Len: uint8(len(data))}
		copy(fr.Data[:], data)
		frames = append(frames, fr)
	}
	if err := sc.Err(); err != nil {
		t.Fatal(err)
	}
	return frames
}

// gather keeps what a stream makes.
type gather struct {
	frames  int
	samples []stream.Sample
	rows    []stream.Row
}

func (g *gather) Frame(*bus.Frame)          { g.frames++ }
func (g *gather) Samples(x []stream.Sample) { g.samples = append(g.samples, x...) }
func (g *gather) Row(r *stream.Row)         { g.rows = append(g.rows, *r) }

func truckPlan(t testing.TB) *stream.Plan {
	t.Helper()
	f, err := vehicle.Parse("truck.toml", []byte("label = \"truck\"\n[[bus]]\nname = \"can0\"\nj1939 = true\n"), &struct{}{})
	if err != nil {
		t.Fatal(err)
	}
	return f.Plan
}

// The truck pulls away in second gear; its converter clutch closes between 1 s
// and 2 s and stays closed through two shifts. The facts are those that the
// recording's description gives, read by hand with the public scalings of SAE
// J1939-71.
func TestTruckDecodesWithBuiltInGroups(t *testing.T) {
	frames := truckFrames(t)
	g := run(t, truckPlan(t), frames)
	if len(g.rows) < 1400 {
		t.Fatalf("%d rows in 30 s, expected about 1500: one for each engine speed", len(g.rows))
	}
	closedAt, opened := 0.0, 0
	gears := map[float64]int{}
	last := 0.0
	for _, s := range g.samples {
		if s.Role == stream.LockupState && s.OK {
			if s.Value == stream.LockupClosed && last != s.Value {
				closedAt = s.At.Seconds()
			}
			if s.Value == stream.LockupOpen && last == stream.LockupClosed {
				opened++
			}
			last = s.Value
		}
		if s.Role == stream.Gear {
			gears[s.Value]++
		}
	}
	if closedAt < 1 || closedAt > 2 || opened != 0 {
		t.Errorf("clutch closes at %.3f s and opens %d times, expected once between 1 s and 2 s and not again", closedAt, opened)
	}
	if len(gears) != 3 || gears[2] == 0 || gears[3] == 0 || gears[4] == 0 {
		t.Errorf("gears %v, expected 2, 3 and 4", gears)
	}
	// Ratios by SPN 526, as the description gives them.
	ratio := map[float64]float64{2: 1.81, 3: 1.406, 4: 1.0}
	seen, slips := map[float64]int{}, 0
	settled := bus.Micros(0)
	for i := range g.rows {
		r := &g.rows[i]
		if !r.Has(stream.Gear, stream.TurbineSpeed, stream.OutputSpeed, stream.EngineSpeed, stream.Shifting, stream.LockupState) {
			continue
		}
		if r.V[stream.Shifting] != 0 || settled == 0 {
			settled = r.At + bus.Second
		}
		if r.At < settled {
			continue
		}
		got := r.V[stream.TurbineSpeed] / r.V[stream.OutputSpeed]
		if want := ratio[r.V[stream.Gear]]; math.Abs(got-want) > 0.01*want {
			t.Fatalf("at %.3f s in gear %v the shafts have ratio %.4f, expected %.3f", r.At.Seconds(), r.V[stream.Gear], got, want)
		}
		seen[r.V[stream.Gear]]++
		if r.V[stream.LockupState] == stream.LockupClosed && r.At.Seconds() > 3 {
			slips++
			if slip := r.V[stream.EngineSpeed] - r.V[stream.TurbineSpeed]; math.Abs(slip) > 45 {
				t.Errorf("at %.3f s slip is %.1f rpm with the clutch closed", r.At.Seconds(), slip)
			}
		}
	}
	if seen[2] < 50 || seen[3] < 50 || seen[4] < 500 || slips < 500 {
		t.Errorf("rows compared by gear %v, with the clutch closed %d: too few to mean anything", seen, slips)
	}
}

// Two controllers send CCVS1 and EEC2; the one at 0x31 has neither speed nor
// pedal and sends FFFF and FF throughout.
func TestTruckNotAvailableIsUnknown(t *testing.T) {
	frames := truckFrames(t)
	g := run(t, truckPlan(t), frames)
	for _, s := range g.samples {
		switch s.Role {
		case stream.VehicleSpeed:
			if !s.OK || s.Value > 60 {
				t.Fatalf("vehicle speed %+v: taken from the source that has none", s)
			}
		case stream.Accelerator:
			if !s.OK || s.Value > 100 {
				t.Fatalf("pedal %+v: taken from the source that has none", s)
			}
		}
	}
	f, err := vehicle.Parse("truck.toml", []byte(`
[[bus]]
name = "can0"
j1939 = true
[[role]]
name = "engine_speed"
signal = "EEC1.EngineSpeed"
[[role]]
name = "accelerator"
signal = "EEC2.SPN91"
source_address = 0x31
[[role]]
name = "vehicle_speed"
signal = "CCVS.WheelBasedSpeed"
source_address = 0x31
`), &struct{}{})
	if err != nil {
		t.Fatal(err)
	}
	g = run(t, f.Plan, frames)
	n := 0
	for _, s := range g.samples {
		if s.Role != stream.EngineSpeed {
			n++
			if s.OK {
				t.Fatalf("%v from 0x31 is %v: FF and FFFF are not numbers", s.Role, s.Value)
			}
		}
	}
	if n != 900 {
		t.Errorf("%d samples from 0x31, expected 600 of the pedal and 300 of the speed", n)
	}
	for i := range g.rows {
		if g.rows[i].Has(stream.Accelerator) || g.rows[i].Has(stream.VehicleSpeed) {
			t.Fatalf("row at %d has a value that no source sent", g.rows[i].At)
		}
	}
}

// Fluid temperature is SPN 177, 0.03125 °C a bit from -273 °C, supply voltage
// SPN 168, 0.05 V a bit: a truck at work is near 80 °C and 14 V.
func TestTruckTemperatureAndVoltage(t *testing.T) {
	g := run(t, truckPlan(t), truckFrames(t))
	r := g.rows[len(g.rows)/2]
	if !r.Has(stream.FluidTemperature, stream.SupplyVoltage) {
		t.Fatal("temperature or voltage unknown")
	}
	if v := r.V[stream.FluidTemperature]; v < 70 || v > 90 {
		t.Errorf("fluid temperature %.1f °C", v)
	}
	if v := r.V[stream.SupplyVoltage]; v < 12 || v > 15 {
		t.Errorf("supply voltage %.2f V", v)
	}
}

// The engine broadcasts its reference torque (SPN 544) as 1109 N·m, read by
// hand from the packets at 1.38 s to 1.49 s: bytes 20 and 21 are 55 04. Torque
// in percent is unknown before.
func TestTruckTorque(t *testing.T) {
	g := run(t, truckPlan(t), truckFrames(t))
	n := 0
	for _, s := range g.samples {
		if s.Role != stream.EngineTorque {
			continue
		}
		if known := s.At > 1_488_000; s.OK != known {
			t.Fatalf("at %d torque known is %v", s.At, s.OK)
		}
		if want := float64(s.Raw-125) / 100 * 1109; s.OK && math.Abs(s.Value-want) > 1e-9 {
			t.Fatalf("torque %v N·m for raw %d, expected %v", s.Value, s.Raw, want)
		}
		if s.OK {
			n++
		}
	}
	if n < 1400 {
		t.Errorf("%d values", n)
	}
}

// The turbine speed worked out from the output shaft and the ratios of SPN 526,
// against the one that the truck measures.
func TestTruckDerivedTurbine(t *testing.T) {
	frames := truckFrames(t)
	measured := run(t, truckPlan(t), frames)
	plan := truckPlan(t)
	plan.Facts.Ratios = map[int]float64{2: 1.81, 3: 1.406, 4: 1.0}
	for i := range plan.Messages {
		var kept []stream.Signal
		for _, s := range plan.Messages[i].Signals {
			if s.Role != stream.TurbineSpeed {
				kept = append(kept, s)
			}
		}
		plan.Messages[i].Signals = kept
	}
	derived := run(t, plan, frames)
	truth := map[bus.Micros]float64{}
	for i := range measured.rows {
		if r := &measured.rows[i]; r.Has(stream.TurbineSpeed) {
			truth[r.At] = r.V[stream.TurbineSpeed]
		}
	}
	n, outside, worst := 0, 0, 0.0
	for i := range derived.rows {
		r := &derived.rows[i]
		want, ok := truth[r.At]
		if !ok || !r.Has(stream.TurbineSpeed) {
			continue
		}
		n++
		off := math.Abs(r.V[stream.TurbineSpeed] - want)
		worst = max(worst, off)
		if off > r.Tol[stream.TurbineSpeed] {
			outside++
		}
	}
	t.Logf("%d rows, worst error %.1f rpm, %d outside the stated half-width", n, worst, outside)
	if n < 1000 || worst > 30 || outside > n/20 {
		t.Errorf("%d rows, worst error %.1f rpm, %d outside the stated half-width", n, worst, outside)
	}
}
