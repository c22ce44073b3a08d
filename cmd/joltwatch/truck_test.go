package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"joltwatch/storage"
)

// truckLog is a public recording of a real truck, which is not part of the
// project: the file normal.log of the research data set
// "J1939_Attack_Datasets" (published with "Exploiting Transport Protocol
// Vulnerabilities in SAE J1939 Networks", NDSS VehicleSec).
func truckLog(t *testing.T) string {
	path, err := findTruckLog()
	if err != nil {
		t.Skipf("the truck recording is not here (%v); set JOLTWATCH_CAPTURES to its folder", err)
	}
	return path
}

func findTruckLog() (string, error) {
	path := filepath.Join("..", "..", "..", "shared", "captures", "truck-drive.log.gz")
	if dir := os.Getenv("JOLTWATCH_CAPTURES"); dir != "" {
		path = filepath.Join(dir, "truck-drive.log.gz")
	}
	_, err := os.Stat(path)
	return path, err
}

// The whole line on the truck recording, with the built-in definitions only.
// What was seen in it by hand: the clutch closes between 1 s and 2 s and stays
// closed through both later shifts; nothing is wrong with it.
func TestTruck(t *testing.T) {
	log := truckLog(t)
	dir := t.TempDir()
	toml := truckVehicle(t)
	stay := filepath.Join(dir, "stay")
	var out, errs bytes.Buffer
	if code := Main([]string{"run", "--vehicle", toml, "--from", log, "--store", stay}, nil, &out, &errs); code != 0 {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
	s, err := storage.Read(stay)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range s.Events() {
		if e.Finding.Severity >= 0.5 {
			t.Errorf("false event: %s %s at %v s", e.Finding.Kind, e.Finding.Class, e.Finding.Start.Seconds())
		}
	}
	as := s.Accounts()
	if len(as) != 1 {
		t.Fatalf("%d drives, want 1", len(as))
	}
	a := as[0].Account
	if a.Frames != 19957 || a.BadLines != 0 {
		t.Errorf("%d frames and %d bad lines, want 19957 and 0", a.Frames, a.BadLines)
	}
	// Open or slipping for the first one to two of its 30 s, then closed; the
	// shifts may leave moments of slip.
	if engaged := a.ClosedS + a.PartialS + a.CoastS; engaged < 27.5 || engaged > 29.5 {
		t.Errorf("engaged for %.2f s of %.2f, want 28 to 29", engaged, a.MovingS)
	}
	if a.ClosedS < 26 {
		t.Errorf("closed for %.2f s, want most of 30", a.ClosedS)
	}
}

// The accelerator of the engine's controller is a number throughout; another
// controller sends the same parameter as "not available" (FF) throughout,
// which would be 102 % if decoded blindly.
func TestTruckPedalNotAvailable(t *testing.T) {
	log := truckLog(t)
	dir := t.TempDir()
	for _, c := range []struct {
		address string
		known   bool
	}{{"0x00", true}, {"0x31", false}} {
		toml := filepath.Join(dir, "truck.toml")
		text := strings.ReplaceAll(`[[bus]]
name = "can0"
j1939 = true
[[role]]
name = "engine_speed"
signal = "EEC1.EngineSpeed"
[[role]]
name = "turbine_speed"
signal = "ETC1.InputShaftSpeed"
[[role]]
name = "accelerator"
signal = "EEC2.AcceleratorPosition"
source_address = ADDRESS
`, "ADDRESS", c.address)
		if err := os.WriteFile(toml, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		code := Main([]string{"check", "--vehicle", toml, "--from", log, "--json", "--store", dir}, nil, &out, &errs)
		if want := map[bool]int{true: 0, false: 3}[c.known]; code != want {
			t.Errorf("source %s: exit code %d, want %d: %s", c.address, code, want, errs.String())
		}
		if got := !strings.Contains(out.String(), "always not available"); got != c.known {
			t.Errorf("source %s: known %v, want %v: %s", c.address, got, c.known, out.String())
		}
	}
}

// The shaft speeds agree with the ratios that were seen in the recording by
// hand: 1.81, 1.406 and 1.0 (SAE J1939-71 SPN 526).
func TestTruckRatios(t *testing.T) {
	log := truckLog(t)
	dir := t.TempDir()
	toml := filepath.Join(dir, "truck.toml")
	if err := os.WriteFile(toml, []byte("ratios = { 2 = 1.81, 3 = 1.406, 4 = 1.0 }\n[[bus]]\nname = \"can0\"\nj1939 = true\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	if code := Main([]string{"check", "--vehicle", toml, "--from", log, "--store", dir}, nil, &out, &errs); code != 3 || !strings.Contains(out.String(), "not yet  stop") {
		// The truck does not stop in these 30 s, so it is not proved ready.
		t.Fatalf("exit code %d: %s%s", code, errs.String(), out.String())
	}
	for _, gear := range []string{"ratio in gear 2", "ratio in gear 3", "ratio in gear 4"} {
		if !strings.Contains(out.String(), gear) {
			t.Errorf("no %s in %s", gear, out.String())
		}
	}
}
