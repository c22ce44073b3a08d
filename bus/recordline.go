package bus

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"
)

// A device that decodes by itself, such as a microcontroller with a pressure
// sensor, sends one value a line, in either of two forms:
//
//	name,value[,unit][,t_us]
//	{"name":"oil_pressure","value":412.5,"unit":"kPa","t_us":1234567}
//
// name is the channel that a role refers to; it has no comma, quote, brace or
// blank. value is a decimal number with a point. unit is text; where it is
// stated it must stay the same for the channel. t_us is the device's own time
// in whole microseconds, from any start, and may start again at 2^32. With
// three fields, a whole number in the third is t_us, anything else the unit.
// Empty lines and lines that start with # are skipped.

// record is one line, read. Its byte slices lie in the line.
type record struct {
	name, unit []byte
	value      float64
	stamp      Micros // -1 where there is none
}

const (
	maxRecordLine  = 512
	maxRecordStamp = 1<<53 - 1
)

// parseRecord returns what was expected where the line is no record, and skip
// for a line without one.
func parseRecord(line []byte, r *record) (skip bool, reason string) {
	line = bytes.TrimSpace(line)
	if len(line) == 0 || line[0] == '#' {
		return true, ""
	}
	*r = record{stamp: -1}
	if line[0] == '{' {
		return false, parseJSONRecord(line, r)
	}
	var fields [4][]byte
	n := 0
	for rest, more := line, true; more; n++ {
		if n == len(fields) {
			return false, "expected at most name,value,unit,t_us"
		}
		fields[n], rest, more = bytes.Cut(rest, []byte{','})
		fields[n] = bytes.TrimSpace(fields[n])
	}
	if n < 2 {
		return false, "expected name,value[,unit][,t_us]"
	}
	r.name = fields[0]
	v, err := strconv.ParseFloat(string(fields[1]), 64)
	if err != nil {
		return false, "expected a number as the value"
	}
	r.value = v
	stamp := fields[3]
	if n == 3 && len(fields[2]) > 0 && fields[2][0]-'0' <= 9 {
		stamp = fields[2]
	} else {
		r.unit = fields[2]
	}
	if len(stamp) > 0 {
		t, err := strconv.ParseInt(string(stamp), 10, 64)
		if err != nil || t < 0 || t > maxRecordStamp {
			return false, "expected a whole number of microseconds as t_us"
		}
		r.stamp = Micros(t)
	}
	return false, checkRecord(r)
}

func parseJSONRecord(line []byte, r *record) string {
	var doc struct {
		Name  *string  `json:"name"`
		Value *float64 `json:"value"`
		Unit  string   `json:"unit"`
		TUs   *int64   `json:"t_us"`
	}
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if d.Decode(&doc) != nil || d.More() || doc.Name == nil || doc.Value == nil {
		return `expected {"name":…,"value":…} with "unit" and "t_us" where there are any, and nothing else`
	}
	r.name, r.value, r.unit = []byte(*doc.Name), *doc.Value, []byte(doc.Unit)
	if doc.TUs != nil {
		if *doc.TUs < 0 || *doc.TUs > maxRecordStamp {
			return "expected a whole number of microseconds as t_us"
		}
		r.stamp = Micros(*doc.TUs)
	}
	return checkRecord(r)
}

func checkRecord(r *record) string {
	if len(r.name) == 0 || len(r.name) > 64 || bytes.ContainsAny(r.name, " \t,\"'{}") {
		return "expected a name of 1 to 64 bytes without blanks, commas, quotes or braces"
	}
	if math.IsNaN(r.value) || math.IsInf(r.value, 0) {
		return "expected a finite number as the value"
	}
	return ""
}
