package cli

import (
	"bytes"
	"strings"
	"testing"
)

func TestPlain(t *testing.T) {
	text := "a\u202eb\u200fc\u061cd\u2066e\x1bf\x9bg\x00ä–中\n"
	want := "a·b·c·d·e·f·g·ä–中"
	if got := Plain(strings.TrimSuffix(text, "\n")); got != want {
		t.Errorf("%q, want %q", got, want)
	}
	// However it is cut.
	for n := 1; n < 8; n++ {
		var b bytes.Buffer
		w := PlainWriter{W: &b}
		for rest := text; rest != ""; rest = rest[min(n, len(rest)):] {
			if _, err := w.Write([]byte(rest[:min(n, len(rest))])); err != nil {
				t.Fatal(err)
			}
		}
		if b.String() != want+"\n" {
			t.Errorf("%d at a time: %q, want %q", n, b.String(), want+"\n")
		}
	}
}
