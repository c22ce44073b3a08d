package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/storage"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"

	"github.com/rs/zerolog"
	"joltwatch/cmd/internal/cli"
)

// checked runs the check on the embedded drive with another vehicle file and
// returns what it says of the roles and of them together, by name.
func checked(t *testing.T, replace ...string) (says map[string]string, report report) {
	t.Helper()
	const van = "../../testdata/van/"
	text, err := os.ReadFile(van + "vehicle.toml")
	if err != nil {
		t.Fatal(err)
	}
	definitions, err := os.ReadFile(van + "van.dbc")
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(replace); i += 2 {
		if !strings.Contains(string(text)+string(definitions), replace[i]) {
			t.Fatalf("the van's files have no %q", replace[i])
		}
	}
	change := strings.NewReplacer(replace...)
	dir := t.TempDir()
	for name, data := range map[string][]byte{"vehicle.toml": text, "van.dbc": definitions} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(change.Replace(string(data))), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var out bytes.Buffer
	c := checkCmd{Vehicle: filepath.Join(dir, "vehicle.toml"), From: van + "drive.log.zst", Store: filepath.Join(dir, "not", "there"), JSON: true}
	err = c.Run(&host{ctx: context.Background(), stdout: &out, log: zerolog.Nop()})
	if err != nil && !cli.NeedsAttention(err) {
		t.Fatal(err)
	}
	if err := json.Unmarshal(out.Bytes(), &report); err != nil {
		t.Fatal(err)
	}
	says = map[string]string{}
	for _, r := range report.Roles {
		if !r.OK {
			says[r.Role] = r.Says
		}
	}
	for _, r := range slices.Concat(report.Plausible, report.Board) {
		if !r.OK {
			says[r.What] = r.Says
		}
	}
	return says, report
}

// Each mistake in a vehicle file shows where it was made, and a file without one
// shows none.
func TestCheckFindsMistakes(t *testing.T) {
	for _, c := range []struct {
		name, finds, says string
		replace           []string
	}{
		{name: "none"},
		{"a signal's wrong place", "accelerator", "speeding up", []string{"Accelerator : 39|8", "Accelerator : 47|8"}},
		{"an identifier that is not sent", "gear", "never seen", []string{"BO_ 421 ClutchControl", "BO_ 422 ClutchControl"}},
		{"a shaft's speed by a wrong scale", "engine against turbine", "2.01 times turbine_speed", []string{"TurbineSpeed : 0|16@1+ (0.25,0)", "TurbineSpeed : 0|16@1+ (0.125,0)"}},
		{"another rear axle", "output against road speed", "the vehicle file says 25.0", []string{"output_rpm_per_kmh = 19.364", "output_rpm_per_kmh = 25"}},
		{"another gearbox", "ratio in gear 4", "the vehicle file says 1.300", []string{"4 = 1.16", "4 = 1.3"}},
		{"another idle speed", "idle speed", "the vehicle file says 1100", []string{"idle_rpm = 650", "idle_rpm = 1100"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			says, r := checked(t, c.replace...)
			if c.finds == "" {
				if len(says) > 0 || r.Attention != 0 {
					t.Errorf("finds %v in a sound file", says)
				}
				return
			}
			if !strings.Contains(says[c.finds], c.says) || r.Attention == 0 {
				t.Errorf("finds %v, expected %q of %s", says, c.says, c.finds)
			}
		})
	}
}

// A role that is left out while the bus has a signal named like it needs a look;
// once the file says that the vehicle has none, it is ready, and says what cannot
// be told.
func TestCheckIsReadyWithoutWhatTheVehicleHasNot(t *testing.T) {
	role := "[[role]]\nname = \"shifting\"" // the role after gear
	text, err := os.ReadFile("../../testdata/van/vehicle.toml")
	if err != nil {
		t.Fatal(err)
	}
	_, gear, _ := strings.Cut(string(text), "[[role]]\nname = \"gear\"")
	gear, _, _ = strings.Cut(gear, role)
	gear = "[[role]]\nname = \"gear\"" + gear + role
	says, r := checked(t, gear, role)
	if !strings.Contains(says["left out"], "no role gear") || r.Attention == 0 {
		t.Errorf("without gear: %v", says)
	}
	says, r = checked(t, gear, role, "label = \"van\"", "none = [\"gear\"]\nlabel = \"van\"")
	blind := slices.ContainsFunc(r.Detectors, func(a detect.Ability) bool { return a.Kind == detect.KindFlare && !a.Can })
	if r.Attention != 0 || !blind || !slices.ContainsFunc(r.Plausible, func(x remark) bool { return x.What == "none" && strings.Contains(x.Says, "no gear") }) {
		t.Errorf("said to have none: %v, %+v", says, r)
	}
}

// A drive that ends as a release is about to be told has as many tries in check as in
// run: the recording up to the frame before the one that tells it.
func TestCheckEndsAsRunDoes(t *testing.T) {
	const van = "../../testdata/van/vehicle.toml"
	log := vanLog(t)
	recipe := filepath.Join(t.TempDir(), "recipe.toml")
	if err := os.WriteFile(recipe, []byte("[recipe]\nfluid_temperature_c = {from = 20}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	of := func(log []byte) *host {
		out.Reset()
		return &host{ctx: context.Background(), stdin: bytes.NewReader(log), stdout: &out, log: zerolog.Nop()}
	}
	set := detect.DefaultSettings()
	h := of(log)
	file, err := loadVehicle(van, "", "-", &set)
	if err != nil {
		t.Fatal(err)
	}
	in, err := openInput(h, file, "-", true)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	k, err := newChecker(h, file, set)
	if err != nil {
		t.Fatal(err)
	}
	frames, told := 0, false
	k.line.seen = func(f *detect.Finding) { told = told || f.Kind == detect.KindReleaseLag }
	for batch := make([]bus.Frame, 1); !told; frames++ {
		if _, err := in.Read(batch); err != nil {
			t.Fatal(err)
		}
		if err := k.push(&batch[0]); err != nil {
			t.Fatal(err)
		}
	}
	cut := bytes.Join(bytes.SplitAfterN(log, []byte("\n"), frames)[:frames-1], nil)
	check := checkCmd{Vehicle: van, From: "-", Store: t.TempDir(), Drive: true, Recipe: recipe}
	if err := check.Run(of(cut)); err != nil && !cli.NeedsAttention(err) {
		t.Fatal(err)
	}
	const want = "\ntries under the conditions of the recipe: 1, late: 0\n"
	if !strings.Contains(out.String(), want) {
		t.Errorf("check:\n%s\nwant %q", out.String(), want)
	}
	run := runCmd{Vehicle: van, From: "-", Store: t.TempDir(), Recipe: recipe}
	if err := run.Run(of(cut)); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), want) {
		t.Errorf("run:\n%s\nwant %q", out.String(), want)
	}
}

// ISO 11898-1 (no copy at hand; the count of bits is common knowledge): a base frame with eight data bytes is 108 bits
// long and 3 bits of space follow; an extended one has 20 bits more.
func TestFrameBits(t *testing.T) {
	for _, c := range []struct {
		f    bus.Frame
		want uint64
	}{
		{bus.Frame{Len: 8}, 111},
		{bus.Frame{Len: 8, Flags: bus.Extended}, 131},
		{bus.Frame{Len: 0}, 47},
		{bus.Frame{Kind: bus.Remote, Len: 8}, 47},
	} {
		if got := frameBits(&c.f); got != c.want {
			t.Errorf("%+v: %d bits, want %d", c.f, got, c.want)
		}
	}
}

func TestAbilities(t *testing.T) {
	cover := func(r stream.Role, period bus.Micros) stream.RoleCover {
		return stream.RoleCover{Role: r, Samples: 100, Period: period}
	}
	find := func(as []detect.Ability, kind string) detect.Ability {
		for _, a := range as {
			if a.Kind == kind {
				return a
			}
		}
		t.Fatalf("no %s", kind)
		return detect.Ability{}
	}
	set := detect.DefaultSettings()
	all := abilities([]stream.RoleCover{
		cover(stream.EngineSpeed, 20_000), cover(stream.TurbineSpeed, 10_000),
		cover(stream.VehicleSpeed, 100_000), cover(stream.ClutchPressureCommand, 20_000),
	}, &stream.Plan{}, set)
	if a := find(all, detect.KindReleaseLag); !a.Can || a.FinenessS != 0.04 {
		t.Errorf("release lag: %+v, want to 0.04 s", a)
	}
	if a := find(all, detect.KindGearsetSlip); a.Can {
		t.Errorf("gearset slip without gear and output speed: %+v", a)
	}
	slow := abilities([]stream.RoleCover{
		cover(stream.EngineSpeed, 100_000), cover(stream.TurbineSpeed, 100_000), cover(stream.VehicleSpeed, 100_000),
	}, &stream.Plan{}, set)
	if a := find(slow, detect.KindShudder); a.Can {
		t.Errorf("shudder at 10 Hz: %+v, want not observable", a)
	}
	if a := find(slow, detect.KindReleaseLag); !a.Can || a.FinenessS != 0.1 {
		t.Errorf("release lag without a command: %+v, want upper bounds", a)
	}
	if a := find(abilities([]stream.RoleCover{cover(stream.EngineSpeed, 20_000)}, &stream.Plan{}, set), detect.KindReleaseLag); a.Can {
		t.Errorf("release lag without turbine: %+v", a)
	}
}

// What stands against hearing a bus is told beside what was heard.
// The last line that is read says what will not be told.
func TestReadyBut(t *testing.T) {
	r := report{Detectors: []detect.Ability{{Kind: "jolt", Can: true}}}
	if x := r.except(); x != "" {
		t.Errorf("%q, where all can be told", x)
	}
	r.Detectors = append(r.Detectors, detect.Ability{Kind: "shudder"}, detect.Ability{Kind: "release-lag", Can: true, Part: "a late one"})
	if x, want := r.except(), ", but 1 of 3 kinds of findings cannot be told: shudder; and not in full: release-lag (a late one)"; x != want {
		t.Errorf("%q, want %q", x, want)
	}
}

func TestCheckTellsWhyABusIsDown(t *testing.T) {
	file := &vehicle.File{Plan: &stream.Plan{}, Buses: []vehicle.Bus{{Name: "can0"}, {Name: "can1"}}}
	k, err := newChecker(&host{log: zerolog.Nop()}, file, detect.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	got := k.busReports(file, 20, map[string]error{"can0": fmt.Errorf("can0: setting it up is %w", bus.ErrPermission)})
	if got[0].OK || !strings.Contains(got[0].Says, "setting it up is") || got[1].OK || !strings.Contains(got[1].Says, "nothing heard in 20 s") {
		t.Errorf("%+v", got)
	}
}

// The stay may know the time where the board does not.
func TestCheckAsksTheStayForTheTime(t *testing.T) {
	if bus.BootClock().Known {
		t.Skip("this computer's clock is set by a time source")
	}
	stay := t.TempDir()
	if r := clockRemark(stay, "this boot"); r.OK {
		t.Errorf("an empty stay: %+v", r)
	}
	if err := storage.SetStayClock(stay, "this boot", bus.Clock{Known: true, Zero: bus.Micros(1.7e15) - bus.BootNow()}); err != nil {
		t.Fatal(err)
	}
	if r := clockRemark(stay, "this boot"); !r.OK || !strings.Contains(r.Says, "2023-11-14") { // 1.7e9 s since 1970
		t.Errorf("a stay that was told: %+v", r)
	}
	if r := clockRemark(stay, "the next boot"); r.OK {
		t.Errorf("the next boot: %+v", r)
	}
}

func TestUndervoltage(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"hwmon0/name": "cpu\n", "hwmon0/in0_lcrit_alarm": "0\n",
		"hwmon1/name": "supply\n", "hwmon1/in0_lcrit_alarm": "1\n",
	} {
		path := filepath.Join(dir, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte(text), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	if got := undervoltage(dir); !slices.Equal(got, []string{"supply"}) {
		t.Errorf("alarms %v", got)
	}
}
