package bus

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"strings"
	"testing"
	"unicode/utf16"
)

// readLog returns what a log of that text holds as lines in brackets, by the
// interface's own name.
func readLog(t *testing.T, text []byte, opt LogOptions) (string, *TextLog, error) {
	t.Helper()
	l, err := NewTextLog(bytes.NewReader(text), "log", opt)
	if err != nil {
		t.Fatal(err)
	}
	var out []byte
	batch := make([]Frame, 7)
	for {
		n, err := l.Read(batch)
		for i := range batch[:n] {
			out = AppendLogLine(out, &batch[i], "x")
		}
		if err == io.EOF {
			return string(out), l, nil
		}
		if err != nil {
			return string(out), l, err
		}
	}
}

// Invented frames, one of them without data, one with a 29-bit identifier.
const inBrackets = `(1760000000.000000) x 123#0102
(1760000000.010200) x 0CF00400#219B9BDD2F000F9B
(1760000001.500000) x 123#
`

func TestLogForms(t *testing.T) {
	utf16le := []byte{0xFF, 0xFE}
	for _, u := range utf16.Encode([]rune(inBrackets)) {
		utf16le = binary.LittleEndian.AppendUint16(utf16le, u)
	}
	capture := binary.LittleEndian.AppendUint32(nil, 0xA1B2C3D4)
	capture = append(capture, make([]byte, 16)...)
	capture = binary.LittleEndian.AppendUint32(capture, linkCAN)
	for _, p := range []struct {
		us   uint32
		sec  uint32
		id   uint32
		data string
	}{{0, 1760000000, 0x123, "\x01\x02"}, {10200, 1760000000, 0x8CF00400, "\x21\x9B\x9B\xDD\x2F\x00\x0F\x9B"}, {500000, 1760000001, 0x123, ""}} {
		for _, v := range []uint32{p.sec, p.us, uint32(8 + len(p.data)), uint32(8 + len(p.data))} {
			capture = binary.LittleEndian.AppendUint32(capture, v)
		}
		capture = binary.BigEndian.AppendUint32(capture, p.id)
		capture = append(append(capture, byte(len(p.data)), 0, 0, 0), p.data...)
	}
	for name, text := range map[string]string{
		"brackets":           inBrackets,
		"with a mark":        "\xEF\xBB\xBF" + inBrackets,
		"UTF-16":             string(utf16le),
		"dated":              " (2025-10-09 08:53:20.000000)  can0  123   [2]  01 02\n (2025-10-09 08:53:20.010200)  can0  0CF00400   [8]  21 9B 9B DD 2F 00 0F 9B\n (2025-10-09 08:53:21.500000)  can0  123   [0]\n",
		"channel columns":    "date Thu Oct 09 08:53:20.000 2025\nbase hex  timestamps absolute\nno internal events logged\n   0.000000 1  123             Rx   d 2 01 02\n   0.010200 1  0CF00400x       Rx   d 8 21 9B 9B DD 2F 00 0F 9B\n   1.500000 1  123             Rx   d 0\n",
		"numbered":           ";$FILEVERSION=1.1\n;$STARTTIME=45939.370370370370\n;\n     1)         0.0  Rx         0123  2  01 02\n     2)        10.2  Rx     0CF00400  8  21 9B 9B DD 2F 00 0F 9B\n     3)      1500.0  Rx         0123  0\n",
		"numbered, columns":  ";$FILEVERSION=2.0\n;$STARTTIME=45939.370370370370\n;$COLUMNS=N,O,T,I,d,l,D\n      1         0.000 DT     0123 Rx 2 01 02\n      2        10.200 DT 0CF00400 Rx 8 21 9B 9B DD 2F 00 0F 9B\n      3      1500.000 DT     0123 Rx 0\n",
		"bytes in columns":   "Time Stamp,ID,Extended,Dir,Bus,LEN,D1,D2,D3,D4,D5,D6,D7,D8\n1760000000000000,00000123,false,Rx,0,2,01,02,,,,,,\n1760000000010200,0CF00400,true,Rx,0,8,21,9B,9B,DD,2F,00,0F,9B\n1760000001500000,00000123,false,Rx,0,0,,,,,,,,\n",
		"data in one column": "timestamp,arbitration_id,extended,data\n1760000000.000000,0x123,0,0102\n1760000000.010200,0xCF00400,1,219b9bdd2f000f9b\n1760000001.500000,0x123,0,\n",
		"comma decimals":     "timestamp;id;ext;data\n1760000000,000000;123;0;01 02\n1760000000,010200;0CF00400;1;21 9b 9b dd 2f 00 0f 9b\n1760000001,500000;123;0;\n",
		"packet capture":     string(capture),
	} {
		got, _, err := readLog(t, []byte(text), LogOptions{})
		if err != nil || got != inBrackets {
			t.Errorf("%s: %v\n%s", name, err, got)
		}
	}
}

// What cannot be read is refused in one line that says what it is, without a
// word on each of its lines.
func TestLogFormsRefused(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"no times":    {"  can0  123   [2]  01 02\n  can0  123   [2]  01 02\n", "no times"},
		"differences": {" (000.000000)  can0  123   [1]  01\n (000.010250)  can0  123   [1]  01\n (000.009850)  can0  123   [1]  01\n (000.010900)  can0  123   [1]  01\n (000.009500)  can0  123   [1]  01\n", "differences"},
		"relative":    {"date Thu Oct 09 08:53:20.000 2025\nbase hex  timestamps relative\n   0.010000 1  123             Rx   d 1 01\n", "differences"},
		"values":      {"time (s),Engine speed (rpm)\n0.0,1400\n", "decoded values"},
		"prose":       {strings.Repeat("Dear reader, this is a letter.\n", 300), "not a log"},
	} {
		reports := 0
		_, _, err := readLog(t, []byte(c.text), LogOptions{Report: func(int, string) { reports++ }})
		if err == nil || !strings.Contains(err.Error(), c.says) || reports > 0 {
			t.Errorf("%s: %v, %d reports", name, err, reports)
		}
	}
}

// The only interface of a log stands for the only bus, whatever its name.
func TestLogAdopts(t *testing.T) {
	text := []byte("(1.0) vcan3 123#01\n(1.1) vcan3 123#02\n")
	got, l, err := readLog(t, text, LogOptions{Interfaces: []string{"can0"}, Adopt: true})
	if err != nil || strings.Count(got, "\n") != 2 || l.Adopted() != "vcan3" {
		t.Errorf("%v, adopted %q: %q", err, l.Adopted(), got)
	}
	text = fmt.Append(text, "(1.2) can0 123#03\n")
	if got, l, err = readLog(t, text, LogOptions{Interfaces: []string{"can0"}, Adopt: true}); err != nil || strings.Count(got, "\n") != 1 || l.Adopted() != "" {
		t.Errorf("with the one asked for: %v, adopted %q: %q", err, l.Adopted(), got)
	}
}
