package wire

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"joltwatch/detect"
)

func event() *Record {
	return &Record{Version: recordVersion, Kind: KindEvent, Vehicle: "van-1", Stay: "stay", Label: "van 7", Run: 2, At: 1772438400000000,
		Event: &Event{ID: "2-1", StartUs: 5, EndUs: 9, Evidence: "kept", Finding: detect.Finding{Kind: detect.KindMark, Class: detect.MarkPressed, Drive: 1, Severity: 1, Keep: true,
			Measures: []detect.Measure{{Name: "lag_s", Value: 0.125}}}}}
}

// The form on the way, byte for byte: changing it makes every record that is sent
// again another one, and needs a new Version.
func TestForm(t *testing.T) {
	body, id, err := event().Encode()
	if err != nil {
		t.Fatal(err)
	}
	const form = `{"version":2,"kind":"event","vehicle":"van-1","stay":"stay","label":"van 7","run":2,"at_us":1772438400000000,` +
		`"event":{"id":"2-1","start_us":5,"end_us":9,"finding":{"kind":"mark","class":"mark","drive":1,"severity":1,"measures":[{"Name":"lag_s","Value":0.125}],` +
		`"instants":null,"missing_inputs":null,"context":{"since_engine_start_s":0},"keep":true},"evidence":"kept"}}`
	if string(body) != form {
		t.Errorf("the form is\n%s\nwant\n%s", body, form)
	}
	if id != Identity([]byte(form)) || len(id) != 64 {
		t.Errorf("identity %s", id)
	}
}

// What lies at a server is named by these, also from before an update.
func TestPieceName(t *testing.T) {
	const name = "p.van-1.abc.255s"
	if got := Piece("van-1", "abc", 100_000); got != name {
		t.Errorf("byte 100,000 is %s, want %s", got, name)
	}
	if vehicle, upload := PieceOf(name); vehicle != "van-1" || upload != "abc" {
		t.Errorf("%s is of %s, %s", name, vehicle, upload)
	}
	if got := EarlierPieces("van-1", "abc", "255s"); got != "f.van-1.abc.255s" {
		t.Errorf("earlier it was %s", got)
	}
}

// The examples of FIPS 180-2, appendix B.1, and of the empty message; Go's own
// crypto/sha256 holds itself against the same.
func TestIdentity(t *testing.T) {
	for body, want := range map[string]string{
		"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"":    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
	} {
		if got := Identity([]byte(body)); got != want {
			t.Errorf("%q: %s, want %s", body, got, want)
		}
	}
}

func TestDecodeRefuses(t *testing.T) {
	file := func(change func(*File), version ...int) func(*Record) {
		return func(r *Record) {
			f := File{Name: "000001-001.journal", Size: PartSize + 1, Parts: 2, SHA256: strings.Repeat("0a", 32)}
			change(&f)
			r.Kind, r.Event, r.File = KindFile, nil, &f
			if version != nil {
				r.Version = version[0]
			}
		}
	}
	for want, change := range map[string]func(*Record){
		"":                     func(*Record) {},
		"without a version":    func(r *Record) { r.Version = 0 },
		"version 5":            func(r *Record) { r.Version = Version + 1 },
		"in 0":                 file(func(*File) {}, 3),
		"of vehicle":           func(r *Record) { r.Vehicle = "../van" },
		"of stay":              func(r *Record) { r.Stay = "a/b" },
		"more than 200":        func(r *Record) { r.Label = strings.Repeat("x", 201) },
		"do not fit":           func(r *Record) { r.Unit = &Unit{} },
		"unknown kind":         func(r *Record) { r.Kind = "order" },
		"before it starts":     func(r *Record) { r.Event.EndUs = 0 },
		"is no name of":        file(func(f *File) { f.Name = "000001-001.journal/../../x" }),
		"lock\" is no name of": file(func(f *File) { f.Name = "lock" }),
		"in 3 parts":           file(func(f *File) { f.Parts = 3 }),
		"-1 bytes":             file(func(f *File) { f.Size = -1 }),
		"in parts of 1 bytes":  file(func(f *File) { f.PartBytes = 1 }),
		"in 2 parts":           file(func(f *File) { f.PartBytes = LeastPart }),
		"is no SHA-256":        file(func(f *File) { f.SHA256 = strings.Repeat("0A", 32) }),
		"00\" is no SHA-256":   file(func(f *File) { f.SHA256 = "00" }),
	} {
		r := event()
		change(r)
		body, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		_, err = Decode(body)
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n")) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
	var newer *NewerError
	if _, err := Decode([]byte(`{"version":7,"all":"is different"}`)); !errors.As(err, &newer) || newer.Version != 7 {
		t.Errorf("%v", err)
	}
	if _, err := Decode(bytes.Repeat([]byte(" "), MaxRecord+1)); err == nil || !strings.Contains(err.Error(), "at most") {
		t.Errorf("%v", err)
	}
	// One that an older or a later courier of this version sends.
	if _, err := Decode([]byte(`{"version":1,"kind":"unit","vehicle":"v","stay":"s","unit":{"program":"x","later":[1]},"later":{}}`)); err != nil {
		t.Errorf("a field that is not known: %v", err)
	}
}

func TestParts(t *testing.T) {
	for size, want := range map[int64]int{0: 0, 1: 1, PartSize: 1, PartSize + 1: 2, MaxFile: MaxFile / PartSize} {
		if got := PartCount(size, PartSize); got != want {
			t.Errorf("%d bytes: %d parts, want %d", size, got, want)
		}
	}
}

// FuzzDecode: what a hostile vehicle sends is refused or read, and what was read
// can be sent on.
func FuzzDecode(f *testing.F) {
	body, _, err := event().Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(body)
	f.Add([]byte(`{"version":1,"kind":"file","vehicle":"v","stay":"s","file":{"name":"000001-001.clock","size":1,"sha256":"` + strings.Repeat("00", 32) + `","parts":1}}`))
	f.Add([]byte(`{"version":1,"kind":"account","vehicle":"v","stay":"s","account":{"drive":1,"start_us":1,"end_us":2}}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		r, err := Decode(body)
		if err != nil {
			return
		}
		again, _, err := r.Encode()
		if err != nil {
			if len(body) < MaxRecord/8 { // JSON may grow by escaping
				t.Fatal(err)
			}
			return
		}
		if _, err := Decode(again); err != nil {
			t.Fatalf("%s: %v", again, err)
		}
	})
}
