package dbc

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	card "go.einride.tech/can/pkg/dbc"
)

const tidy = `VERSION "1.0"

NS_ :
	NS_DESC_
	CM_
	BA_DEF_
	BA_
	VAL_

BS_:

BU_: Engine Box

BO_ 256 EngineData: 8 Engine
 SG_ Speed : 0|16@1+ (0.125,0) [0|8031.875] "rpm"  Box
 SG_ Torque : 23|12@0- (0.5,-10) [-1000|1000] "Nm"  Box,Other

BO_ 2566844672 Etc: 8 Box
 SG_ Turbine : 40|16@1+ (0.125,0) [0|0] "rpm" Engine
 SG_ Gear : 32|4@1+ (1,0) [0|15] "" Engine

CM_ BO_ 256 "what the engine says;
over two lines";
CM_ SG_ 256 Speed "crankshaft \"speed\"";
BA_DEF_ BO_ "CycleTime" INT 0 10000;
BA_DEF_DEF_ "CycleTime" 0;
BA_ "CycleTime" BO_ 256 10;
VAL_ 2566844672 Gear 0 "neutral" 7 "reverse" 15 "shifting" ;
`

func TestTidyFileHasNoProblems(t *testing.T) {
	f := Parse("tidy.dbc", []byte(tidy))
	for _, p := range f.Problems {
		t.Error(p)
	}
	if len(f.Messages) != 2 {
		t.Fatalf("%d messages", len(f.Messages))
	}
	e, b := f.Messages[0], f.Messages[1]
	if e.ID != 256 || e.Extended || e.Size != 8 || e.Comment != "what the engine says; over two lines" || e.Attributes["CycleTime"] != "10" {
		t.Errorf("%+v", e)
	}
	if b.ID != 0x18FEF100 || !b.Extended {
		t.Errorf("%+v", b)
	}
	s := e.Signal("Torque")
	if s == nil || s.Start != 23 || s.Length != 12 || !s.BigEndian || !s.Signed || s.Factor != 0.5 || s.Offset != -10 || s.Min != -1000 || s.Unit != "Nm" || len(s.Receivers) != 2 {
		t.Errorf("%+v", s)
	}
	g := b.Signal("Gear")
	if g == nil || len(g.Values) != 3 || g.Values[1] != (Value{7, "reverse"}) {
		t.Errorf("%+v", g)
	}
}

// The card's parser takes the tidy file too, and the two agree on it.
func TestTidyFileAgreesWithTheLibrary(t *testing.T) {
	p := card.NewParser("tidy.dbc", []byte(tidy))
	if err := p.Parse(); err != nil {
		t.Fatal(err)
	}
	f := Parse("tidy.dbc", []byte(tidy))
	n := 0
	for _, d := range p.Defs() {
		m, ok := d.(*card.MessageDef)
		if !ok {
			continue
		}
		o := f.Message(string(m.Name))
		if o == nil || o.ID != m.MessageID.ToCAN() || o.Extended != m.MessageID.IsExtended() {
			t.Fatalf("message %s: %+v", m.Name, o)
		}
		for i, s := range m.Signals {
			q := o.Signals[i]
			if q.Name != string(s.Name) || q.Start != int(s.StartBit) || q.Length != int(s.Size) || q.Factor != s.Factor || q.Offset != s.Offset || q.Max != s.Maximum {
				t.Errorf("signal %s: %+v", s.Name, q)
			}
			n++
		}
	}
	if n != 4 {
		t.Errorf("%d signals compared", n)
	}
}

// Each case is one thing that definition files in the wild do. The file around
// it must survive, and the problem must say where.
func TestOneBadDefinitionCostsItself(t *testing.T) {
	const before = "BU_: A\nBO_ 1 First: 8 A\n SG_ One : 0|8@1+ (1,0) [0|255] \"\" A\n"
	const after = "\nBO_ 2 Last: 8 A\n SG_ Two : 0|8@1+ (1,0) [0|255] \"\" A\nVAL_ 2 Two 1 \"on\" ;\n"
	for _, c := range []struct {
		name, text string
		at         string // line:column of a problem, lines counted in the whole file
		lost       bool
		says       string
		signal     string // M.S that must be there, or !M.S that must not
	}{
		{"29 bits without the flag", "BO_ 417001216 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" A", "4:1", false, "29-bit", "M.S"},
		{"too many bits", "BO_ 4294967299 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" A", "4:1", true, "out of range", "!M.S"},
		{"stray text", "this is no definition\nnor this", "4:1", false, "no definition", ""},
		{"page header", "--- page 12 ---", "4:1", false, "no definition", ""},
		{"no receiver", "BO_ 3 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] \"rpm\"", "5:2", false, "no receiver", "M.S"},
		{"no unit", "BO_ 3 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] A", "5:2", false, "no unit", "M.S"},
		{"no sender", "BO_ 3 M: 8\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" A", "4:1", false, "no sender", "M.S"},
		{"no limits", "BO_ 3 M: 8 A\n SG_ S : 0|8@1+ (1,0) \"\" A", "5:2", false, "no limits", "M.S"},
		{"number glued to a name", "BO_ 3M: 8A\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" A", "", false, "", "M.S"},
		{"name that begins with a digit", "BO_ 3 2ndBox: 8 A\n SG_ 4WD : 0|8@1+ (1,0) [0|0] \"\" A", "5:2", false, "invalid first char", "2ndBox.4WD"},
		{"name with a point", "BO_ 3 M: 8 A\n SG_ S.x : 0|8@1+ (1,0) [0|0] \"\" A", "5:2", false, "invalid char", ""},
		{"glued fields", "BO_ 3 M:8 A\n SG_ S:0|8@1+(1,0)[0|0]\"rpm\"A", "", false, "", "M.S"},
		{"no length", "BO_ 3 M: 8 A\n SG_ S : 0@1+ (1,0) [0|0] \"\" A\n SG_ T : 8|8@1+ (1,0) [0|0] \"\" A", "5:12", true, "M.S left out", "M.T"},
		{"length 0", "BO_ 3 M: 8 A\n SG_ S : 0|0@1+ (1,0) [0|0] \"\" A", "5:2", true, "1 to 64", "!M.S"},
		{"length 65", "BO_ 3 M: 64 A\n SG_ S : 0|65@1+ (1,0) [0|0] \"\" A", "5:2", true, "1 to 64", "!M.S"},
		{"beyond the frame", "BO_ 3 M: 8 A\n SG_ S : 500|20@1+ (1,0) [0|0] \"\" A", "5:2", true, "beyond", "!M.S"},
		{"beyond the message", "BO_ 3 M: 2 A\n SG_ S : 8|16@1+ (1,0) [0|0] \"\" A", "5:2", false, "ends in byte 2", "M.S"},
		{"factor 0", "BO_ 3 M: 8 A\n SG_ S : 0|8@1+ (0,0) [0|0] \"\" A", "5:2", false, "factor of 0", "M.S"},
		{"attribute without quotes", "BA_DEF_ BO_ \"Kind\" STRING ;\nBA_ \"Kind\" BO_ 1 fast;", "5:1", false, "no quotes", ""},
		{"comment without its closing quote", "CM_ SG_ 1 One \"never ends", "4:1", false, "closing quote", ""},
		{"values without semicolon", "VAL_ 1 One 0 \"off\" 1 \"on\"", "4:1", false, "semicolon", ""},
		{"values with a missing text", "VAL_ 1 One 0 \"off\" 1 ;", "4:1", true, "used up to", ""},
		{"values of nothing", "VAL_ 99 Nix 0 \"off\" ;", "4:1", false, "not defined", ""},
		{"wrong multiplexer", "BO_ 3 M: 8 A\n SG_ S mx : 0|8@1+ (1,0) [0|0] \"\" A", "5:2", true, "expected M", "!M.S"},
		{"multiplexed without a switch", "BO_ 3 M: 8 A\n SG_ S m1 : 0|8@1+ (1,0) [0|0] \"\" A", "5:2", true, "no switch", "!M.S"},
		{"switches in a circle", "BO_ 3 M: 8 A\n SG_ S m0M : 0|8@1+ (1,0) [0|0] \"\" A\n SG_ T m0M : 8|8@1+ (1,0) [0|0] \"\" A\nSG_MUL_VAL_ 3 S T 0-0;\nSG_MUL_VAL_ 3 T S 0-0;", "5:2", true, "circle", "!M.S"},
		{"float of 16 bits", "BO_ 3 M: 8 A\n SG_ S : 0|16@1+ (1,0) [0|0] \"\" A\nSIG_VALTYPE_ 3 S : 1;", "6:1", true, "floating-point", "!M.S"},
		{"unknown value type", "BO_ 3 M: 8 A\n SG_ S : 0|32@1+ (1,0) [0|0] \"\" A\nSIG_VALTYPE_ 3 S : 7;", "6:1", true, "value type", "!M.S"},
		{"signal before any message", "\n\nVAL_ 1 One 0 \"off\" ;\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" A", "7:2", true, "no message before", ""},
		{"message without a name", "BO_ 3 : 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" A", "4:1", true, "expected BO_", ""},
		{"Latin-1 bytes", "BO_ 3 M: 8 A\n SG_ S : 0|8@1+ (1,-40) [0|0] \"\xb0C\" A", "", false, "", "M.S"},
		{"carriage returns", "BO_ 3 M: 8 A\r\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" A\r", "", false, "", "M.S"},
		{"plus signs and bare points", "BO_ 3 M: 8 A\n SG_ S : 0|8@1+ (+.5,+1) [-.5|1e3] \"\" A", "", false, "", "M.S"},
		{"comments of another language", "// made by hand\n//BO_ 9 X: 8 A", "", false, "", "!X.S"},
		{"two definitions on a line", "VAL_ 1 One 0 \"off\" ; VAL_ 1 One 1 \"on\" ;", "", false, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := Parse("x.dbc", []byte(before+c.text+after))
			if m := f.Message("First"); m == nil || m.Signal("One") == nil {
				t.Error("the message before is lost")
			}
			if m := f.Message("Last"); m == nil || m.Signal("Two") == nil || len(m.Signal("Two").Values) != 1 {
				t.Error("the message after is lost")
			}
			found := c.at == ""
			for _, p := range f.Problems {
				if strings.HasPrefix(p.Error(), "x.dbc:"+c.at+": ") && p.Lost == c.lost && strings.Contains(p.Text, c.says) {
					found = true
				}
			}
			if !found {
				t.Errorf("no problem at %s with %q; there are %v", c.at, c.says, f.Problems)
			}
			if c.signal == "" {
				return
			}
			name, absent := strings.CutPrefix(c.signal, "!")
			m, s, _ := strings.Cut(name, ".")
			has := f.Message(m) != nil && f.Message(m).Signal(s) != nil
			if has == absent {
				t.Errorf("signal %s there: %v; problems %v", name, has, f.Problems)
			}
		})
	}
}

func TestLatin1Unit(t *testing.T) {
	f := Parse("x.dbc", []byte("BO_ 3 M: 8 A\n SG_ S : 0|8@1+ (1,-40) [0|0] \"\xb0C\" A\n"))
	if u := f.Messages[0].Signals[0].Unit; u != "°C" {
		t.Errorf("unit %q", u)
	}
}

// Extended multiplexing: Page switches Sub, Sub switches Deep.
func TestExtendedMultiplexing(t *testing.T) {
	f := Parse("x.dbc", []byte(`BO_ 3 M: 8 A
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" A
 SG_ Sub m1M : 8|8@1+ (1,0) [0|0] "" A
 SG_ Deep m2 : 16|8@1+ (1,0) [0|0] "" A
 SG_ Wide m4 : 16|8@1+ (1,0) [0|0] "" A
SG_MUL_VAL_ 3 Sub Page 1-1;
SG_MUL_VAL_ 3 Deep Sub 2-3, 7-7;
SG_MUL_VAL_ 3 Wide Page 4-6;
`))
	if len(f.Problems) != 0 {
		t.Fatal(f.Problems)
	}
	m := f.Messages[0]
	d := m.Signal("Deep")
	if len(d.Mux) != 2 || d.Mux[0].Switch.Name != "Sub" || fmt.Sprint(d.Mux[0].Ranges) != "[[2 3] [7 7]]" || d.Mux[1].Switch.Name != "Page" || fmt.Sprint(d.Mux[1].Ranges) != "[[1 1]]" {
		t.Errorf("%+v", d.Mux)
	}
	if w := m.Signal("Wide"); len(w.Mux) != 1 || fmt.Sprint(w.Mux[0].Ranges) != "[[4 6]]" {
		t.Errorf("%+v", w.Mux)
	}
}

func TestValueTypes(t *testing.T) {
	f := Parse("x.dbc", []byte(`BO_ 2566844672 M: 8 A
 SG_ F : 0|32@1- (1,0) [0|0] "" A
 SG_ I : 32|32@1- (1,0) [0|0] "" A
SIG_VALTYPE_ 2566844672 F : 1;
SIG_VALTYPE_ 419360 I : 0;
SIG_VALTYPE_ 2566844672 I 0;
`))
	m := f.Messages[0]
	if !m.Signal("F").Float || m.Signal("I").Float {
		t.Errorf("%+v %+v", m.Signals[0], m.Signals[1])
	}
	if len(f.Problems) != 1 || f.Problems[0].Pos != (Pos{5, 1}) {
		t.Errorf("problems %v", f.Problems)
	}
}

func TestWholeFileErrors(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"empty.dbc": "", "prose.dbc": "Dear sir,\nthis is a letter.\n", "binary.dbc": "\x00\x01\x02\xff\xfe"} {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(path); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: error %v", name, err)
		}
	}
	if _, err := Read(filepath.Join(dir, "absent.dbc")); err == nil {
		t.Error("no error for a file that is not there")
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(tidy))
	f.Add([]byte("BO_ 3 M: 8 A\n SG_ S m0M : 7|16@0- (1e-3,.5) [|] \"\xb0\" A,\nB\nCM_ \"x"))
	f.Add([]byte("NS_ :\n\tCM_\n\nVAL_ 3 S 1 \"a\" 2 \"b\nBA_ \"x\" BO_ 3 y;"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p := Parse("f.dbc", data)
		for _, m := range p.Messages {
			if m.ID > 0x1fffffff || !m.Extended && m.ID > 0x7ff {
				t.Fatalf("identifier %x", m.ID)
			}
			for _, s := range m.Signals {
				if s.Length < 1 || s.Length > 64 || s.lastByte() > 63 || s.Start < 0 {
					t.Fatalf("signal %+v", s)
				}
			}
		}
		lines := strings.Count(string(data), "\n") + 1
		for _, q := range p.Problems {
			if q.Pos.Line < 1 || q.Pos.Line > lines || q.Pos.Column < 1 || strings.ContainsAny(q.Text, "\x00\n\x1b") {
				t.Fatalf("problem %q at %v of %d lines", q.Text, q.Pos, lines)
			}
		}
	})
}
