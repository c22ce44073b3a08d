package dbc

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"unicode/utf16"
)

const small = "BO_ 288 Engine: 8 X\n SG_ Speed : 0|16@1+ (1,0) [0|1] \"rpm\" X\n"

func TestReadText(t *testing.T) {
	dir := t.TempDir()
	put := func(name string, data []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	wide := []byte{0xff, 0xfe}
	for _, u := range utf16.Encode([]rune(small)) {
		wide = append(wide, byte(u), byte(u>>8))
	}
	for _, path := range []string{put("plain", []byte(small)), put("marked", []byte("\xef\xbb\xbf"+small)), put("wide", wide)} {
		f, err := Read(path)
		if err != nil || len(f.Messages) != 1 || len(f.Messages[0].Signals) != 1 {
			t.Errorf("%s: %+v, %v", path, f, err)
		}
	}

	// What is no definition file is refused, and nothing of it is said.
	secret := put("secret", []byte("root:x:hunter2\nBO_ hunter2\n"))
	large := put("large", nil)
	if err := os.Truncate(large, maxText+1); err != nil { // sparse: it takes no room
		t.Fatal(err)
	}
	pipe := filepath.Join(dir, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{secret: "expected a CAN definition file", large: "at most", pipe: "not a regular file", dir: "not a regular file", "/dev/zero": "not a regular file"} {
		f, err := Read(path)
		if f != nil || err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "hunter2") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", path, err)
		}
	}
}

func TestPrintable(t *testing.T) {
	f := Parse("x", []byte(small+"SG_ a\x1b[31m\u202eb : nonsense\n"))
	if len(f.Problems) == 0 {
		t.Fatal("nothing wrong with it")
	}
	for _, p := range f.Problems {
		if strings.ContainsAny(p.Text, "\x1b\u202e") {
			t.Errorf("%q", p.Text)
		}
	}
	if got := Printable("a\x1b\u202eü"); got != `a\x1b\u202eü` {
		t.Errorf("%q", got)
	}
}

// Conditions grow with the number of signals, not with its square, however their
// switches are nested.
func TestNestedSwitchesAreLinear(t *testing.T) {
	text := func(n int) []byte {
		var b strings.Builder
		b.WriteString("BO_ 288 M: 8 X\n SG_ S0 M : 0|8@1+ (1,0) [0|1] \"\" X\n")
		for i := 1; i < n; i++ {
			fmt.Fprintf(&b, " SG_ S%d m0M : 8|8@1+ (1,0) [0|1] \"\" X\n", i)
		}
		for i := 1; i < n; i++ {
			fmt.Fprintf(&b, "SG_MUL_VAL_ 288 S%d S%d 0-0;\n", i, i-1)
		}
		return []byte(b.String())
	}
	conditions := func(n int) (kept, sum int) {
		for _, s := range Parse("x", text(n)).Messages[0].Signals {
			kept++
			sum += len(s.Mux)
		}
		return kept, sum
	}
	kept, sum := conditions(400)
	if kept != maxSwitches+2 || sum > 400*maxSwitches {
		t.Errorf("%d signals kept with %d conditions", kept, sum)
	}
}
