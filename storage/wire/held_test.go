package wire

import (
	"fmt"
	"strings"
	"testing"
)

// What was added is had and nothing else, after the way too.
func TestHeld(t *testing.T) {
	var h Held
	id := func(i int) string { return Identity(fmt.Append(nil, i)) }
	for i := range 3000 {
		if err := h.Stay("stay").Add(id(i)); err != nil {
			t.Fatal(err)
		}
	}
	h.Stay("stay").Files["000001-001.journal"] = strings.Repeat("0a", 32)
	b, err := h.Encode()
	if err != nil {
		t.Fatal(err)
	}
	got, err := DecodeHeld(b)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 6000 {
		if got.Stays["stay"].Has(id(i)) != (i < 3000) {
			t.Fatalf("record %d: %v", i, i >= 3000)
		}
	}
	other := got.Stays["other"]
	if other.Has(id(1)) || other.File("000001-001.journal") != "" || got.Stays["stay"].File("000001-001.journal") == "" {
		t.Error("the files, or another stay")
	}
	if len(b) > 3000*9 {
		t.Errorf("%d bytes for 3000 records", len(b))
	}
	for _, bad := range []string{"", "{}", `{"version":2}`, "x"} {
		if _, err := DecodeHeld([]byte(bad)); err == nil {
			t.Errorf("%q was read", bad)
		}
	}
	if h.Stay("stay").Add("x") == nil {
		t.Error("no identity was added")
	}
}

// FuzzDecodeHeld: whatever a server says, it is refused or can be asked.
func FuzzDecodeHeld(f *testing.F) {
	for _, text := range []string{`{"version":1,"number":7,"stays":{"stay":{"records":"AAECAwQFBg==","files":{"head":"00"}},"none":null}}`, `{"version":1}`, `{"version":2}`} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := DecodeHeld(b)
		if err != nil {
			return
		}
		for _, s := range h.Stays {
			if id := Identity(b); s.Has(id) && s == nil {
				t.Error("what is not there has something")
			}
			s.File("head")
		}
	})
}
