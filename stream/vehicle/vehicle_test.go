package vehicle

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"joltwatch/stream"
)

type settings struct {
	ReleaseLag struct {
		LimitS float64 `toml:"limit_s"`
	} `toml:"release_lag"`
}

func (s *settings) Check() (string, error) {
	if s.ReleaseLag.LimitS < 0 {
		return "release_lag.limit_s", errors.New("expected 0 to 5 s")
	}
	return "", nil
}

const van = `VERSION ""
BO_ 256 EngineData: 8 E
 SG_ EngineSpeed : 0|16@1+ (0.125,0) [0|8000] "rpm" X
 SG_ Oil : 16|8@1+ (1,-40) [-40|214] "degF" X
 SG_ Bare : 24|8@1+ (2,0) [0|400] "" X
BO_ 272 Box: 8 E
 SG_ Turbine : 7|16@0+ (0.5,0) [0|0] "1/min" X
 SG_ Gear : 16|4@1+ (1,0) [0|15] "" X
 SG_ Clutch : 20|2@1+ (1,0) [0|3] "" X
 SG_ Line : 32|16@1- (-0.1,100) [-50|50] "bar" X
BO_ 273 Bad: 8 E
 SG_ Broken : 0|99@1+ (1,0) [0|0] "rpm" X
`

// load reads a vehicle file with the definitions above beside it.
func load(t *testing.T, text string) (*File, *settings, error) {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "van.dbc"), []byte(van), 0o600); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "van.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s := &settings{}
	s.ReleaseLag.LimitS = 0.4
	f, err := Load(path, s)
	return f, s, err
}

const head = `label = "van 7"
idle_rpm = 650
ratios = { 1 = 4, 2 = 2.37, reverse = 3.4 }
[[bus]]
name = "powertrain"
definitions = ["van.dbc"]
`

func TestLoad(t *testing.T) {
	f, s, err := load(t, head+`
bitrate = 500000
[[role]]
name = "engine_speed"
signal = "EngineData.EngineSpeed"
[[role]]
name = "turbine_speed"
signal = "Box.Turbine"
[[role]]
name = "fluid_temperature"
signal = "EngineData.Oil"
[[role]]
name = "gear"
signal = "Box.Gear"
states = { 0 = "neutral", 1 = 1, 2 = 2, 7 = "reverse", 15 = "shifting" }
[[role]]
name = "lockup_state"
signal = "Box.Clutch"
states = { 0 = "open", 1 = "partial", 2 = "closed" }
[[role]]
name = "clutch_pressure"
signal = "Box.Line"
[[role]]
name = "output_speed"
signal = "EngineData.Bare"
unit = "rad/s"
[detect.release_lag]
limit_s = 0.5
[store]
look_back_s = 20
quota_mb = 2000
`)
	if err != nil {
		t.Fatal(err)
	}
	if f.Label != "van 7" || s.ReleaseLag.LimitS != 0.5 || f.Store.LookBackS != 20 || f.Store.QuotaMB != 2000 || f.Buses[0].Interface != "powertrain" || f.Buses[0].Bitrate != 500000 {
		t.Errorf("%+v %+v", f, s)
	}
	p := f.Plan
	if !reflect.DeepEqual(p.Facts.Ratios, map[int]float64{1: 4, 2: 2.37, -1: 3.4}) || p.Facts.IdleRPM != 650 {
		t.Errorf("facts %+v", p.Facts)
	}
	by := map[stream.Role]stream.Signal{}
	for _, m := range p.Messages {
		for _, x := range m.Signals {
			by[x.Role] = x
		}
	}
	if x := by[stream.EngineSpeed]; x.RawMin != 0 || x.RawMax != 64000 || x.Scale != 0.125 {
		t.Errorf("engine %+v", x)
	}
	// 212 °F is 100 °C: raw 252 with offset -40.
	if x := by[stream.FluidTemperature]; math.Abs(x.Scale*252+x.Offset-100) > 1e-9 || x.RawMax != 254 {
		t.Errorf("oil %+v", x)
	}
	// A negative factor turns the limits round; 1 bar is 100 kPa.
	if x := by[stream.ClutchPressure]; x.RawMin != 500 || x.RawMax != 1500 || math.Abs(x.Scale+10) > 1e-9 || math.Abs(x.Offset-10000) > 1e-9 {
		t.Errorf("pressure %+v", x)
	}
	if x := by[stream.Gear]; !reflect.DeepEqual(x.States, map[int64]float64{0: 0, 1: 1, 2: 2, 7: -1, 15: 99}) {
		t.Errorf("gear %+v", x)
	}
	// 1 rad/s is 60/2π rpm.
	if x := by[stream.OutputSpeed]; math.Abs(x.Scale-2*60/(2*math.Pi)) > 1e-12 {
		t.Errorf("output %+v", x)
	}
	// The plan is kept in every store: it must come back from JSON.
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var q stream.Plan
	if err := json.Unmarshal(b, &q); err != nil || !reflect.DeepEqual(&q, p) {
		t.Errorf("%v: plan changes on its way through JSON", err)
	}
	if _, err := stream.New(p); err != nil {
		t.Error(err)
	}
	found := false
	for _, w := range f.Warnings {
		found = found || strings.Contains(w, "van.dbc:12:2") && strings.Contains(w, "Broken")
	}
	if !found {
		t.Errorf("warnings %v do not speak of the broken definition", f.Warnings)
	}
}

func TestErrorsSayWhereAndWhat(t *testing.T) {
	const engine = "[[role]]\nname = \"engine_speed\"\nsignal = \"EngineData.EngineSpeed\"\n"
	// The head has six lines: what is added begins on line 7.
	for _, c := range []struct{ name, text, at, says string }{
		{"unknown key", "bitrat = 5\n" + engine, "7:1", "unknown key bitrat (did you mean bitrate?) in [bus]"},
		{"unknown top key", "[stor]\nx = 1\n" + engine, "7:2", "did you mean store?"},
		{"unknown detector setting", engine + "[detect.release_lag]\nlimt_s = 1\n", "11:1", "did you mean limit_s?"},
		{"unknown detector", engine + "[detect.releaselag]\nlimit_s = 1\n", "10:2", "did you mean release_lag?"},
		{"wrong type", "bitrate = \"fast\"\n" + engine, "7:11", "expected a whole number"},
		{"wrong type in detect", engine + "[detect.release_lag]\nlimit_s = \"long\"\n", "11:11", "expected a number"},
		{"out of range in detect", engine + "[detect.release_lag]\nlimit_s = -1\n", "11:11", "expected 0 to 5 s"},
		{"duplicate key", "name = \"b\"\n" + engine, "7:1", "name"},
		{"no TOML", "this is = = not\n", "7:6", ""},
		{"unknown role", "[[role]]\nname = \"engin_speed\"\nsignal = \"EngineData.EngineSpeed\"\n", "8:8", "did you mean engine_speed?"},
		{"unknown signal", "[[role]]\nname = \"engine_speed\"\nsignal = \"EngineData.EngineSped\"\n", "9:10", "did you mean EngineData.EngineSpeed?"},
		{"signal without message", "[[role]]\nname = \"engine_speed\"\nsignal = \"EngineSpeed\"\n", "9:10", "expected MESSAGE.SIGNAL"},
		{"lost signal", "[[role]]\nname = \"engine_speed\"\nsignal = \"Bad.Broken\"\n", "9:10", "van.dbc:12:2"},
		{"role without signal", "[[role]]\nname = \"engine_speed\"\n", "7:3", "expected one of signal"},
		{"role without name", "[[role]]\nsignal = \"EngineData.EngineSpeed\"\n", "7:3", "role without a name"},
		{"twice", engine + engine, "10:3", "twice, first on line 7"},
		{"unknown unit", engine[:len(engine)-1] + "\nunit = \"rmp\"\n", "10:8", "did you mean rpm?"},
		{"no unit", "[[role]]\nname = \"output_speed\"\nsignal = \"EngineData.Bare\"\n", "7:3", "gives no unit"},
		{"unknown bus", engine[:len(engine)-1] + "\nbus = \"powertrian\"\n", "10:7", "did you mean powertrain?"},
		{"unknown state", "[[role]]\nname = \"gear\"\nsignal = \"Box.Gear\"\nstates = { 0 = \"nutral\" }\n", "10:16", "did you mean neutral?"},
		{"state of a number", engine + "states = { 0 = \"open\" }\n", "10:10", "has no states"},
		{"lockup without states", "[[role]]\nname = \"lockup_state\"\nsignal = \"Box.Clutch\"\n", "7:3", "expected states"},
		{"bus twice", engine + "[[bus]]\nname = \"powertrain\"\n", "11:8", "used twice"},
		{"bad source", "source = \"can0\"\n" + engine, "7:10", "socketcan:"},
		{"no definitions file", "[[bus]]\nname = \"b\"\ndefinitions = [\n  \"none.dbc\",\n]\n", "10:3", "none.dbc"},
		{"source address of a plain identifier", engine + "source_address = 3\n", "10:18", "29-bit"},
		{"source address out of range", engine + "source_address = 300\n", "10:18", "0 to 255"},
		{"request without leave", engine + "[[request]]\nname = \"rpm\"\nservice = 1\nparameter = 12\n", "10:3", "ask = true"},
		{"asking without leave", "[bus.asking]\nper_second = 5\n" + engine, "7:2", "ask = true"},
		{"asking too much", "ask = true\n[bus.asking]\nper_second = 500\n" + engine, "9:14", "1 to 100"},
		{"unknown answer", engine + "[[role]]\nname = \"turbine_speed\"\nanswer = \"x\"\n", "12:10", "unknown request"},
		{"no such gear", engine, "3:23", "is no gear"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := head + c.text
			if c.name == "no such gear" {
				text = strings.Replace(text, "2 = 2.37", "0 = 2.37", 1)
			}
			_, _, err := load(t, text)
			if err == nil {
				t.Fatal("no error")
			}
			if !strings.Contains(err.Error(), "van.toml:"+c.at+": ") || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v\nexpected it at %s with %q", err, c.at, c.says)
			}
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("more than one line: %v", err)
			}
		})
	}
}

func TestMissingFile(t *testing.T) {
	if _, err := Load("no-such.toml", &settings{}); err == nil || !strings.Contains(err.Error(), "no-such.toml") {
		t.Errorf("%v", err)
	}
}

func TestJ1939BusHasItsRolesBuiltIn(t *testing.T) {
	f, _, err := load(t, "[[bus]]\nname = \"can0\"\nj1939 = true\n")
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range []string{"engine_speed", "turbine_speed", "output_speed", "vehicle_speed", "lockup_state", "gear", "shifting", "accelerator", "brake", "fluid_temperature"} {
		if len(f.Plan.Sources[r]) == 0 {
			t.Errorf("role %s has no source", r)
		}
	}
	transport := 0
	for _, m := range f.Plan.Messages {
		if m.ID == stream.TransportAnnounce || m.ID == stream.TransportData {
			transport++
		}
	}
	if transport != 2 {
		t.Error("the frames that tell the reference torque are not mapped")
	}
	f, _, err = load(t, "torque_reference_nm = 800\n[[bus]]\nname = \"can0\"\nj1939 = true\n")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range f.Plan.Messages {
		for _, x := range m.Signals {
			// SPN 513: raw 175 is 50 %.
			if x.Role == stream.EngineTorque && (!x.PercentOfReference || math.Abs(x.Scale*175+x.Offset-50) > 1e-9) {
				t.Errorf("torque %+v", x)
			}
		}
	}
}

func TestSourcesInOrderOfPreference(t *testing.T) {
	f, _, err := load(t, `
[[bus]]
name = "truck"
j1939 = true
[[role]]
name = "vehicle_speed"
signal = "CCVS1.WheelBasedSpeed"
source_address = 0x31
[[role]]
name = "vehicle_speed"
signal = "TCO1.VehicleSpeed"
[[role]]
name = "engine_speed"
signal = "EEC1.SPN190"
[[role]]
name = "clutch_pressure"
signal = "TRF1.ClutchPressure"
`)
	if err != nil {
		t.Fatal(err)
	}
	if got := f.Plan.Sources["vehicle_speed"]; !reflect.DeepEqual(got, []string{"CCVS1.WheelBasedSpeed from 0x31", "TCO1.VehicleSpeed"}) {
		t.Errorf("%q", got)
	}
	if got := f.Plan.Messages[0]; got.Match != stream.MatchPGN || got.ID != 65265 || got.SourceAddress != 0x31 {
		t.Errorf("%+v", got)
	}
}

// On a J1939 bus a definition without limits still has the standard's: what is
// not available is not a number.
func TestDefinitionsOnAJ1939Bus(t *testing.T) {
	dir := t.TempDir()
	// 0x8CF00400 is EEC1 from address 0, 29 bits.
	if err := os.WriteFile(filepath.Join(dir, "t.dbc"), []byte("BO_ 2364539904 EEC1: 8 E\n SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|0] \"rpm\" X\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := Parse(filepath.Join(dir, "t.toml"), []byte("[[bus]]\nname = \"b\"\nj1939 = true\ndefinitions = [\"t.dbc\"]\n[[role]]\nname = \"engine_speed\"\nsignal = \"EEC1.EngineSpeed\"\nsource_address = 3\n"), &settings{})
	if err != nil {
		t.Fatal(err)
	}
	m := f.Plan.Messages[0]
	if m.Match != stream.MatchPGN || m.ID != 61444 || m.SourceAddress != 3 || m.Signals[0].RawMax != 0xFAFF {
		t.Errorf("%+v", m)
	}
}

func TestChannelsAndAnswers(t *testing.T) {
	f, _, err := load(t, `
[[bus]]
name = "port"
source = "serial:/dev/ttyACM0"
ask = true
[bus.asking]
per_second = 20
min_voltage = 24.0
engine_off_s = 30
[[bus]]
name = "box"
source = "records:/dev/ttyUSB0"
[[request]]
name = "rpm"
bus = "port"
service = 1
parameter = 0x0C
period_s = 0.1
[[request]]
name = "turbine"
bus = "port"
service = 0x22
parameter = 0x1941
request_id = 0x7E1
[[role]]
name = "engine_speed"
answer = "rpm"
bus = "port"
[[role]]
name = "turbine_speed"
answer = "turbine"
bus = "port"
start = 7
length = 16
scale = 0.25
unit = "rpm"
[[role]]
name = "clutch_pressure"
channel = "p1"
bus = "box"
unit = "psi"
`)
	if err != nil {
		t.Fatal(err)
	}
	if a := f.Buses[0].Asking; a != (Asking{PerSecond: 20, MinVoltage: 24, EngineOffS: 30}) {
		t.Errorf("%+v", a)
	}
	if q := f.Buses[0].Requests; len(q) != 2 || q[0].RequestID != 0x7E0 || q[0].AnswerID != 0x7E8 || q[1].AnswerID != 0x7E9 {
		t.Errorf("%+v", q)
	}
	if c := f.Buses[1].Channels; !reflect.DeepEqual(c, []string{"p1"}) {
		t.Errorf("%q", c)
	}
	m := f.Plan.Messages
	if m[0].Match != stream.MatchAnswer || m[0].ID != 0 || m[0].Signals[0].Scale != 0.25 || !m[0].Signals[0].BigEndian {
		t.Errorf("%+v", m[0])
	}
	if m[1].ID != 1 || m[1].Signals[0].RawMax != 65535 {
		t.Errorf("%+v", m[1])
	}
	if m[2].Match != stream.MatchReading || m[2].Bus != 1 || math.Abs(m[2].Signals[0].Scale-6.894757293168361) > 1e-12 {
		t.Errorf("%+v", m[2])
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(head))
	f.Add([]byte("[[bus]]\nname=\"a\"\nj1939=true\n[[role]]\nname=\"gear\"\nsignal=\"ETC2.CurrentGear\"\nstates={0=\"neutral\"}\n[detect.release_lag]\nlimit_s=1"))
	f.Fuzz(func(t *testing.T, text []byte) {
		if strings.Contains(string(text), "definitions") {
			return // would read files
		}
		v, err := Parse("f.toml", text, &settings{})
		if err != nil {
			if strings.Contains(err.Error(), ":0:") {
				t.Fatalf("no place: %v", err)
			}
			return
		}
		if _, err := stream.New(v.Plan); err != nil {
			t.Fatalf("accepted, but %v", err)
		}
	})
}
