package dbc

import (
	"fmt"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"joltwatch/cmd/develop/lot"
)

// plainFirsts holds each signal against each before it.
func plainFirsts(m *Message) []int32 {
	first := make([]int32, len(m.Signals))
	for i, s := range m.Signals {
		first[i] = nobody
		for j, o := range m.Signals[:i] {
			if _, shared := common(s.bits(), o.bits()); shared && !apart(s, o) {
				first[i] = int32(j)
				break
			}
		}
	}
	return first
}

// Messages of any kind, with switches behind switches, give what the plain way gives.
func TestOverlapsAsPlain(t *testing.T) {
	over, none := 0, 0
	r := lot.Draw(t, 1, 7)
	for n := range 300 {
		var b strings.Builder
		b.WriteString("BO_ 3 M: 8 A\n SG_ W0 M : 0|4@1+ (1,0) [0|0] \"\" A\n")
		var behind strings.Builder
		names := []string{"W0"}
		for i := range 30 {
			name, order := fmt.Sprint("S", i), r.IntN(2)
			start, length := r.IntN(50), 1+r.IntN(9)
			if order == 0 {
				start = 8 + r.IntN(40)
			}
			mux := ""
			if r.IntN(5) > 0 {
				mux = fmt.Sprintf("m%d", r.IntN(4))
				by := names[r.IntN(len(names))]
				from := r.IntN(6)
				fmt.Fprintf(&behind, "SG_MUL_VAL_ 3 %s %s %d-%d, %d-%d ;\n", name, by, from, from+r.IntN(3), from+4, from+4+r.IntN(2))
				if r.IntN(6) == 0 {
					mux += "M"
					names = append(names, name)
				}
			}
			fmt.Fprintf(&b, " SG_ %s %s : %d|%d@%d+ (1,0) [0|0] \"\" A\n", name, mux, start, length, order)
		}
		f := Parse("x.dbc", []byte(b.String()+behind.String()))
		if len(f.Messages) != 1 || len(f.Messages[0].Signals) < 20 {
			t.Fatalf("message %d: %v", n, f.Problems)
		}
		m := f.Messages[0]
		want, got := plainFirsts(m), newOverlay(m).firsts()
		if !slices.Equal(want, got) {
			t.Fatalf("message %d: %v, want %v\n%s%s", n, got, want, b.String(), behind.String())
		}
		for _, x := range got {
			if x == nobody {
				none++
			} else {
				over++
			}
		}
	}
	if over < 1000 || none < 1000 {
		t.Errorf("%d signals lie over another and %d do not: one of the two is hardly tried", over, none)
	}
}

// A megabyte of signals that all lie on the same bits.
func TestCheckIsBounded(t *testing.T) {
	if testing.Short() {
		t.Skip("goes by processor time, of which an emulated processor takes many times as much")
	}
	const megabyte = 1 << 20
	for name, line := range map[string]func(i int) string{
		"one over all":            func(i int) string { return fmt.Sprintf(" SG_ S%d : 0|64@1+ (1,0) [0|0] \"\" A\n", i) },
		"each for another value":  func(i int) string { return fmt.Sprintf(" SG_ S%d m%d : 8|56@1+ (1,0) [0|0] \"\" A\n", i, i) },
		"each of another length":  func(i int) string { return fmt.Sprintf(" SG_ S%d m%d : 8|%d@1+ (1,0) [0|0] \"\" A\n", i, i, 1+i%56) },
		"each behind another one": func(i int) string { return fmt.Sprintf(" SG_ S%d m%dM : 8|8@1+ (1,0) [0|0] \"\" A\n", i, i) },
	} {
		var b strings.Builder
		b.WriteString("BO_ 3 M: 8 A\n SG_ W M : 0|8@1+ (1,0) [0|0] \"\" A\n")
		n := 0
		for ; b.Len() < megabyte; n++ {
			b.WriteString(line(n))
		}
		began := processor(t)
		f := Parse("x.dbc", []byte(b.String()))
		read := processor(t)
		f.Check()
		t.Logf("%s, %d signals: read in %v, checked in %v of processor time", name, n, read-began, processor(t)-read)
		if spent := processor(t) - began; spent > 2*time.Second {
			t.Errorf("%s, %d signals: %v of processor time, at most 2 s", name, n, spent)
		}
	}
}

func processor(t *testing.T) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
