package dbc

import (
	"strings"
	"testing"
)

func TestCheck(t *testing.T) {
	const head = "BO_ 3 M: 8 A\n SG_ First : 0|8@1+ (1,0) [0|0] \"\" A\n"
	for _, c := range []struct{ name, text, says string }{
		{"overlap", " SG_ S : 4|8@1+ (1,0) [0|0] \"\" A", "M.S lies over First, both hold bit 4 of byte 0"},
		{"overlap of big-endian", " SG_ S : 3|8@0+ (1,0) [0|0] \"\" A", "lies over First"},
		{"no overlap", " SG_ S : 15|8@0+ (1,0) [0|0] \"\" A", ""},
		{"kept apart by the switch", " SG_ W M : 8|8@1+ (1,0) [0|0] \"\" A\n SG_ S m1 : 16|8@1+ (1,0) [0|0] \"\" A\n SG_ T m2 : 16|8@1+ (1,0) [0|0] \"\" A", ""},
		{"same switch value", " SG_ W M : 8|8@1+ (1,0) [0|0] \"\" A\n SG_ S m1 : 16|8@1+ (1,0) [0|0] \"\" A\n SG_ T m1 : 16|8@1+ (1,0) [0|0] \"\" A", "M.T lies over S"},
		{"wrong way round", " SG_ S : 8|8@1+ (1,0) [10|0] \"\" A", "wrong way round"},
		{"beyond", " SG_ S : 8|8@1+ (0.5,0) [0|255] \"\" A", "reach beyond"},
		{"outside", " SG_ S : 8|8@1+ (1,0) [300|400] \"\" A", "wholly outside"},
		{"narrow", " SG_ S : 8|8@1+ (10,0) [0|5] \"\" A", "narrower than one step"},
		{"sign", " SG_ S : 8|8@1- (1,0) [0|127] \"\" A", "is the sign wrong"},
		{"factor", " SG_ S : 8|8@1+ (1e12,0) [0|0] \"\" A", "hard to believe"},
		{"limits within the range", " SG_ S : 8|16@1+ (0.125,0) [0|8031.875] \"rpm\" A", ""},
		{"limits rounded up", " SG_ S : 8|8@1+ (0.4,0) [0|102.4] \"%\" A", ""},
	} {
		f := Parse("x.dbc", []byte(head+c.text+"\n"))
		if len(f.Problems) > 0 {
			t.Errorf("%s: %v", c.name, f.Problems)
		}
		got := f.Check()
		if c.says == "" && len(got) > 0 || c.says != "" && (len(got) != 1 || !strings.Contains(got[0].Text, c.says) || got[0].Pos.Column != 2) {
			t.Errorf("%s: %v, expected %q", c.name, got, c.says)
		}
	}
}
