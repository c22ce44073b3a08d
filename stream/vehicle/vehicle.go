// Package vehicle reads vehicle files: which buses there are, which signal is
// which role, what is known of the vehicle, and the settings that differ from
// the defaults. A vehicle file is TOML and read strictly; every error says
// file:line:column and what was expected.
package vehicle

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/dbc"
)

// File is a vehicle file, read and worked out.
type File struct {
	Path string
	// Text is the file as it is, for keeping with the stay.
	Text []byte
	// Label is the stay's own name.
	Label string
	Buses []Bus
	// Table is the [table] table, nil where the file has none.
	Table *Table
	Plan  *stream.Plan
	Store Store
	// BuiltIn is true where the file states no role and has all those built
	// in; most of them are not on the bus then.
	BuiltIn bool
	// Recipe says under which conditions a late release is expected.
	Recipe map[string]stream.Range
	// Warnings are what may be wrong without being an error, each with its
	// file:line:column.
	Warnings []string
	// None are the roles that this vehicle does not have.
	None []stream.Role
	// Spares are defined signals that look like roles which are not mapped.
	Spares []Spare
	// Absent are roles that detectors cannot do without, mapped to nothing, that
	// the file does not say the vehicle has none of.
	Absent []stream.Role
	// Overlaps are mapped signals whose definitions share bits with others'.
	Overlaps []Overlap
}

// Overlap is a mapped signal that lies over another one of its message.
type Overlap struct {
	Role          stream.Role
	Signal, Other string // MESSAGE.SIGNAL, and the other's name
}

// Bus is one [[bus]] table.
type Bus struct {
	Name string `toml:"name"`
	// Interface is the name that logs give the bus; the name where not
	// stated.
	Interface string `toml:"interface"`
	// Source is where frames come from live: a kind of bus.SourceKinds and its
	// device, as in "socketcan:can0". Empty for logs only.
	Source string `toml:"source"`
	// Bitrate and DataBitrate (CAN FD) are in bit/s, 0 where not stated.
	Bitrate     int64 `toml:"bitrate"`
	DataBitrate int64 `toml:"data_bitrate"`
	// Definitions are definition files, relative to the vehicle file.
	Definitions []string `toml:"definitions"`
	// J1939 says that the bus speaks SAE J1939: the built-in parameter
	// groups are there, and definitions with 29-bit identifiers are matched
	// by parameter group.
	J1939 bool `toml:"j1939"`
	// Ask turns requests on; nothing is ever sent on the bus otherwise.
	// Standard is that with the standard's own requests: what the vehicle
	// supports is found out, and the roles it serves are mapped.
	Ask      bool `toml:"ask"`
	Standard bool `toml:"standard"`
	// Listen makes a source that can either ask or listen do the second.
	Listen bool `toml:"listen"`
	// MayAcknowledge lets a source be used that is not listen-only.
	MayAcknowledge bool `toml:"may_acknowledge"`
	// Asking bounds the requests.
	Asking Asking `toml:"asking"`
	// Channels are the names of the channels that roles read from a source of
	// decoded records: a Reading's ID indexes it.
	Channels []string `toml:"-"`
	// Requests are the [[request]] tables of the bus: an Answer's ID indexes
	// it.
	Requests []Request `toml:"-"`
}

// CANInterface returns the kernel's CAN interface that the bus is read from
// live; ok is false where it is read from something else.
func (b *Bus) CANInterface() (iface string, ok bool) {
	return strings.CutPrefix(b.Source, "socketcan:")
}

// Asking is the [bus.asking] table of a bus with ask = true; 0 means the
// program's default.
type Asking struct {
	// PerSecond is the most requests in a second over a long time,
	// BurstPerSecond the most in any one second.
	PerSecond      int `toml:"per_second"`
	BurstPerSecond int `toml:"burst_per_second"`
	// MinVoltage is the supply voltage, in V, below which nothing is asked.
	MinVoltage float64 `toml:"min_voltage"`
	// EngineOffS is how many seconds the engine may be off before nothing is
	// asked any more, TesterSilenceS for how many nothing is asked after
	// another tester was seen on the bus.
	EngineOffS     float64 `toml:"engine_off_s"`
	TesterSilenceS float64 `toml:"tester_silence_s"`
}

// Request is one [[request]] table: a value that a controller gives only when
// asked.
type Request struct {
	Name string `toml:"name"`
	Bus  string `toml:"bus"`
	// Service is 0x01 (SAE J1979) or 0x22 (ISO 14229); Parameter the PID or
	// DID.
	Service   uint8  `toml:"service"`
	Parameter uint16 `toml:"parameter"`
	// RequestID and AnswerID are the CAN identifiers; over 0x7FF they have 29
	// bits. 0 means the standard's (0x7E0 and 0x7E8, ISO 15765-4).
	RequestID uint32 `toml:"request_id"`
	AnswerID  uint32 `toml:"answer_id"`
	// PeriodS is the time between requests, in seconds.
	PeriodS float64 `toml:"period_s"`
	// What the roles that the answer serves make of it.
	Urgency bus.Urgency `toml:"-"`
	Wakes   bool        `toml:"-"`
	// Size is the number of data bytes in the answer, 0 where not known.
	Size int `toml:"-"`
	// Standard requests are asked where the vehicle supports them; of those
	// with one Instead, the first.
	Standard bool   `toml:"-"`
	Instead  string `toml:"-"`
}

// Table is the [table] table: the values come from a table of decoded values, whose
// headings are the channels of the roles. It makes a bus of its own, TableBus.
type Table struct {
	// Time is the heading of the time column and TimeUnit its unit; found and
	// taken from the heading where not stated.
	Time     string `toml:"time"`
	TimeUnit string `toml:"time_unit"`
}

// TableBus is the name of the bus that a [table] makes.
const TableBus = "table"

// Store is the [store] table; 0 means the default of the program.
type Store struct {
	LookBackS   float64 `toml:"look_back_s"`
	LookOnS     float64 `toml:"look_on_s"`
	QuotaMB     int64   `toml:"quota_mb"`
	FreeFloorMB int64   `toml:"free_floor_mb"`
}

// TableChannels returns the headings that roles are read from and the place of the
// [table]'s bus; ok is false where the file has no [table].
func (f *File) TableChannels() (channels []string, at int, ok bool) {
	at = len(f.Buses) - 1
	if f.Table == nil || at < 0 {
		return nil, 0, false
	}
	return f.Buses[at].Channels, at, true
}

// Interfaces returns the names that logs give the buses, by bus index.
func (f *File) Interfaces() []string {
	var names []string
	for _, b := range f.Buses {
		names = append(names, b.Interface)
	}
	return names
}

// document is the whole file; S is the type of the [detect] table, which this
// package does not know.
type document[S any] struct {
	Label             string             `toml:"label"`
	IdleRPM           float64            `toml:"idle_rpm"`
	OutputPerKmh      float64            `toml:"output_rpm_per_kmh"`
	TorqueReferenceNm float64            `toml:"torque_reference_nm"`
	StopStart         bool               `toml:"stop_start"`
	None              []string           `toml:"none"`
	Ratios            map[string]float64 `toml:"ratios"`
	StaleFactor       float64            `toml:"stale_factor"`
	Bus               []Bus              `toml:"bus"`
	Table             *Table             `toml:"table"`
	Request           []Request          `toml:"request"`
	Role              []role             `toml:"role"`
	Detect            *S                 `toml:"detect"`
	Store             Store              `toml:"store"`
	// Recipe says under which conditions a late release is expected.
	Recipe map[string]stream.Range `toml:"recipe"`
}

// role is one [[role]] table.
type role struct {
	Name    string `toml:"name"`
	Signal  string `toml:"signal"`
	Channel string `toml:"channel"`
	Answer  string `toml:"answer"`
	Bus     string `toml:"bus"`
	Unit    string `toml:"unit"`
	// SourceAddress refines a J1939 signal.
	SourceAddress *uint8 `toml:"source_address"`
	// States maps raw values to states; the values are names or numbers.
	States map[string]any `toml:"states"`
	// Start (the most significant bit, counted as in definition files),
	// Length, Signed, Scale and Offset say where an answer's value is, for
	// parameters that are not built in. Scale and Offset serve channels too.
	Start  *uint16  `toml:"start"`
	Length *uint8   `toml:"length"`
	Signed bool     `toml:"signed"`
	Scale  *float64 `toml:"scale"`
	Offset *float64 `toml:"offset"`
}

// Load reads the vehicle file and its definition files. The [detect] table is
// decoded into settings, over the defaults already there; unknown keys in it
// are errors like any other, and so is what settings refuse that have a method
// Check: it returns the path of the first key at fault, and why.
func Load[S any](path string, settings *S) (*File, error) {
	text, err := dbc.ReadText(path)
	if err != nil {
		return nil, fmt.Errorf("vehicle file: %w", err)
	}
	return Parse(path, text, settings)
}

// Parse is Load for a text already read; definition files are looked for
// beside path.
func Parse[S any](path string, text []byte, settings *S) (*File, error) {
	f, err := parse(path, text, settings)
	if err != nil {
		return nil, errors.New(dbc.Printable(err.Error()))
	}
	for i, w := range f.Warnings {
		f.Warnings[i] = dbc.Printable(w)
	}
	return f, nil
}

func parse[S any](path string, text []byte, settings *S) (*File, error) {
	text = bytes.TrimPrefix(text, []byte("\xEF\xBB\xBF")) // some editors' mark
	doc := document[S]{Detect: settings}
	pos := index(path, text)
	d := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields()
	if err := d.Decode(&doc); err != nil {
		return nil, explain(&pos, reflect.TypeOf(doc), err)
	}
	if c, ok := any(settings).(interface {
		Check() (path string, err error)
	}); ok {
		if path, err := c.Check(); err != nil {
			return nil, pos.errorf("detect."+path, "%v", err)
		}
	}
	f := &File{Path: path, Text: text, Label: doc.Label, Buses: doc.Bus, Table: doc.Table, Store: doc.Store,
		Plan: &stream.Plan{Vehicle: doc.Label, StaleFactor: doc.StaleFactor}}
	if f.Table != nil {
		f.Buses = append(f.Buses, Bus{Name: TableBus})
	}
	if err := checkRecipe(doc.Recipe, &pos, settings); err != nil {
		return nil, err
	}
	f.Recipe = doc.Recipe
	r := resolver{file: f, pos: &pos, roles: doc.Role, requests: doc.Request}
	r.facts(doc.IdleRPM, doc.OutputPerKmh, doc.TorqueReferenceNm, doc.StopStart, doc.Ratios)
	r.none(doc.None)
	r.buses()
	r.storeTable()
	r.resolve()
	if r.err != nil {
		return nil, r.err
	}
	r.spares()
	return f, nil
}

// checkRecipe asks the settings whether there are conditions of those names.
func checkRecipe(recipe map[string]stream.Range, pos *positions, settings any) error {
	names, ok := settings.(interface{ Condition(name string) error })
	for name, x := range recipe {
		if ok {
			if err := names.Condition(name); err != nil {
				return pos.errorf("recipe."+name, "%v", err)
			}
		}
		switch {
		case x.From == nil && x.To == nil:
			return pos.errorf("recipe."+name, "%s has no bound: expected {from = …}, {to = …} or both", name)
		case x.From != nil && x.To != nil && *x.From > *x.To:
			return pos.errorf("recipe."+name, "%s is from %g to %g, which nothing is: exchange the two", name, *x.From, *x.To)
		}
	}
	return nil
}

// AddRecipe reads a file that holds a [recipe] table, as joltbench recipe --toml
// writes it, and adds it to the vehicle file, which must have none of its own.
func AddRecipe[S any](f *File, path string, settings *S) error {
	text, err := dbc.ReadText(path)
	if err != nil {
		return fmt.Errorf("recipe: %w; write it from a stay with joltbench recipe STAY --toml > FILE, or leave --recipe out", err)
	}
	if len(f.Recipe) > 0 {
		return fmt.Errorf("%s: the vehicle file %s has a [recipe] already: take one of the two away", path, f.Path)
	}
	var doc struct {
		Recipe map[string]stream.Range `toml:"recipe"`
	}
	pos := index(path, text)
	if err := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(&doc); err != nil {
		return explain(&pos, reflect.TypeOf(doc), err)
	}
	if len(doc.Recipe) == 0 {
		return fmt.Errorf("%s: no [recipe] table with a condition; expected what joltbench recipe --toml writes", path)
	}
	if err := checkRecipe(doc.Recipe, &pos, any(settings)); err != nil {
		return err
	}
	f.Recipe = doc.Recipe
	f.Text = append(append(bytes.TrimRight(f.Text, "\n"), "\n\n"...), text...)
	return nil
}

// explain turns the TOML library's errors into file:line:column and what was
// expected.
func explain(pos *positions, doc reflect.Type, err error) error {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) && len(strict.Errors) > 0 {
		e := &strict.Errors[0]
		line, column := e.Position()
		key := e.Key()
		name := key[len(key)-1]
		names := keysOf(typeAt(doc, key[:len(key)-1]))
		where := "at the top level"
		if len(key) > 1 {
			where = "in [" + strings.Join(key[:len(key)-1], ".") + "]"
		}
		return fmt.Errorf("%s:%d:%d: unknown key %s%s %s; expected one of %s", pos.file, line, column, name, near(name, names), where,
			strings.Join(names, ", "))
	}
	var de *toml.DecodeError
	if errors.As(err, &de) {
		line, column := de.Position()
		if want := describe(typeAt(doc, de.Key())); want != "" && strings.Contains(de.Error(), "cannot") {
			return fmt.Errorf("%s:%d:%d: %s: expected %s", pos.file, line, column, strings.Join(de.Key(), "."), want)
		}
		return fmt.Errorf("%s:%d:%d: %s", pos.file, line, column, strings.TrimPrefix(de.Error(), "toml: "))
	}
	return fmt.Errorf("%s:1:1: %w", pos.file, err)
}

// typeAt follows a key through the document's type.
func typeAt(t reflect.Type, key []string) reflect.Type {
	for _, k := range key {
		t = bare(t)
		if t == nil {
			return nil
		}
		switch t.Kind() {
		case reflect.Struct:
			var next reflect.Type
			for i := range t.NumField() {
				if f := t.Field(i); tag(f) == k {
					next = f.Type
				}
			}
			t = next
		case reflect.Map:
			t = t.Elem()
		default:
			return nil
		}
	}
	return t
}

func bare(t reflect.Type) reflect.Type {
	for t != nil && (t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice) {
		t = t.Elem()
	}
	return t
}

func tag(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
	if name == "" {
		name = f.Name
	}
	return name
}

func keysOf(t reflect.Type) []string {
	t = bare(t)
	if t == nil || t.Kind() != reflect.Struct {
		return nil
	}
	var names []string
	for i := range t.NumField() {
		if n := tag(t.Field(i)); n != "-" {
			names = append(names, n)
		}
	}
	return names
}

// describe says in words what value a type takes.
func describe(t reflect.Type) string {
	if t == nil {
		return ""
	}
	switch t.Kind() {
	case reflect.Pointer:
		return describe(t.Elem())
	case reflect.String:
		return `text in quotes`
	case reflect.Bool:
		return "true or false"
	case reflect.Float32, reflect.Float64:
		return "a number"
	case reflect.Uint8:
		return "a whole number from 0 to 255"
	case reflect.Uint16:
		return "a whole number from 0 to 65535"
	case reflect.Int, reflect.Int64, reflect.Int32, reflect.Uint32, reflect.Uint64, reflect.Uint:
		return "a whole number"
	case reflect.Slice:
		if bare(t).Kind() == reflect.Struct {
			return "tables in double brackets"
		}
		return "a list [ … ]"
	case reflect.Map:
		return "a table { … }"
	case reflect.Struct:
		return "a table"
	}
	return ""
}
