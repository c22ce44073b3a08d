package dbc

import (
	"regexp"
	"strings"
	"unicode/utf8"
)

// statement is the text of one definition and where it begins.
type statement struct {
	pos     Pos
	keyword string
	text    string
}

// keywords that begin a definition, and whether it ends in a semicolon (the
// others end with their line).
var keywords = map[string]bool{
	"VERSION": false, "NS_": false, "BS_": false, "BU_": false, "BO_": false, "SG_": false,
	"BO_TX_BU_": true, "CM_": true, "BA_DEF_": true, "BA_DEF_DEF_": true, "BA_": true,
	"VAL_": true, "VAL_TABLE_": true, "SIG_VALTYPE_": true, "SG_MUL_VAL_": true,
	"SIG_GROUP_": true, "EV_": true, "ENVVAR_DATA_": true, "SGTYPE_": true, "SGTYPE_VAL_": true,
	"BA_DEF_REL_": true, "BA_DEF_DEF_REL_": true, "BA_REL_": true, "BA_DEF_SGTYPE_": true,
	"BA_SGTYPE_": true, "SIG_TYPE_REF_": true, "CAT_DEF_": true, "CAT_": true, "FILTER": true,
	"BU_SG_REL_": true, "BU_EV_REL_": true, "BU_BO_REL_": true, "NS_DESC_": false,
	"SIGTYPE_VALTYPE_": true, "EV_DATA_": true,
}

// begins matches what certainly begins a definition: where it stands at the
// start of a line inside a string or a definition without its semicolon, the
// closing quote or semicolon was forgotten.
var begins = regexp.MustCompile(`^[ \t]*(?:` +
	`BO_[ \t]+(?:0x)?[0-9]+[ \t]*[^\s:]+[ \t]*:|` +
	`SG_[ \t]+[^\s:]+[^:\n]{0,12}:[ \t]*[0-9]+[ \t]*\||` +
	`CM_[ \t]+(?:"|(?:SG_|BO_|EV_)[ \t]+\S+|BU_[ \t]+\S+[ \t]+")|` +
	`(?:BA_|BA_DEF_|BA_DEF_DEF_)[ \t]+(?:(?:BO_|SG_|BU_|EV_)[ \t]+)?"|` +
	`VAL_[ \t]+\S+[ \t]+|VAL_TABLE_[ \t]+\S+[ \t]+|` +
	`(?:SIG_VALTYPE_|SG_MUL_VAL_|SIG_GROUP_|BO_TX_BU_)[ \t]+[0-9]+[ \t])`)

// toUTF8 turns text with bytes that are not UTF-8 into UTF-8, taking each such
// byte as Latin-1 (ISO 8859-1), which is what older editors wrote.
func toUTF8(data []byte) string {
	s := strings.TrimPrefix(string(data), "\ufeff")
	if utf8.ValidString(s) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		if r == utf8.RuneError && n == 1 {
			r = rune(s[i])
		}
		b.WriteRune(r)
		i += n
	}
	return b.String()
}

type scanner struct {
	text   string
	at     int
	line   int
	origin int // offset of the start of the line
	file   *File
}

func (s *scanner) pos() Pos { return Pos{s.line, s.at - s.origin + 1} }

// to moves forward to offset i.
func (s *scanner) to(i int) {
	for j := s.at; j < i; j++ {
		if s.text[j] == '\n' {
			s.line++
			s.origin = j + 1
		}
	}
	s.at = i
}

func (s *scanner) skipSpace() {
	i := s.at
	for i < len(s.text) && strings.IndexByte(" \t\r\n;", s.text[i]) >= 0 {
		i++
	}
	s.to(i)
}

func (s *scanner) lineEnd(i int) int {
	if n := strings.IndexByte(s.text[i:], '\n'); n >= 0 {
		return i + n
	}
	return len(s.text)
}

// word is the identifier at offset i.
func (s *scanner) word(i int) string {
	j := i
	for j < len(s.text) && (s.text[j] == '_' || s.text[j] >= 'A' && s.text[j] <= 'Z' ||
		s.text[j] >= 'a' && s.text[j] <= 'z' || s.text[j] >= '0' && s.text[j] <= '9') {
		j++
	}
	return s.text[i:j]
}

// next returns the next definition.
func (s *scanner) next() (statement, bool) {
	for {
		s.skipSpace()
		if s.at >= len(s.text) {
			return statement{}, false
		}
		pos, start := s.pos(), s.at
		kw := s.word(s.at)
		semicolon, known := keywords[kw]
		if !known {
			s.stray(pos)
			continue
		}
		end := 0
		switch {
		case kw == "NS_":
			end = s.symbols()
		case semicolon:
			end = s.semicolon(pos)
		default:
			end = s.oneLine(kw)
		}
		s.to(end)
		return statement{pos, kw, s.text[start:end]}, true
	}
}

// stray passes over text that is no definition, up to the next line that
// begins one.
func (s *scanner) stray(pos Pos) {
	first := strings.TrimSpace(s.text[s.at:s.lineEnd(s.at)])
	n := 0
	for s.at < len(s.text) {
		i := s.at
		for i < len(s.text) && (s.text[i] == ' ' || s.text[i] == '\t') {
			i++
		}
		if _, known := keywords[s.word(i)]; known && n > 0 {
			break
		}
		if i < len(s.text) && s.text[i] != '\n' && s.text[i] != '\r' {
			n++
		}
		s.to(min(s.lineEnd(s.at)+1, len(s.text)))
	}
	if strings.HasPrefix(first, "//") {
		return
	}
	s.file.problem(pos, false, "text that is no definition, passed over: %s", quote(first))
}

func quote(s string) string {
	if len(s) > 40 {
		s = strings.ToValidUTF8(s[:40], "") + "…"
	}
	return `"` + s + `"`
}

// symbols passes over the list of keywords after NS_.
func (s *scanner) symbols() int {
	i := s.lineEnd(s.at)
	for i < len(s.text) {
		end := s.lineEnd(i + 1)
		w := strings.TrimSpace(s.text[i+1 : end])
		if w == "" || !isSymbol(w) {
			if w == "" && end < len(s.text) {
				i = end
				continue
			}
			break
		}
		i = end
	}
	return i
}

// isSymbol reports whether the line holds nothing but capitals and
// underscores, as the keywords in the NS_ list do.
func isSymbol(w string) bool {
	for _, c := range w {
		if c != '_' && (c < 'A' || c > 'Z') {
			return false
		}
	}
	return true
}

// oneLine ends a definition with its line; a signal's list of receivers and
// the list of nodes may go on after a comma.
func (s *scanner) oneLine(kw string) int {
	end := s.lineEnd(s.at)
	for kw == "SG_" || kw == "BU_" {
		t := strings.TrimRight(s.text[s.at:end], " \t\r")
		if !strings.HasSuffix(t, ",") || end >= len(s.text) || begins.MatchString(s.text[end+1:s.lineEnd(end+1)]) {
			break
		}
		end = s.lineEnd(end + 1)
	}
	return end
}

// semicolon ends a definition at its semicolon outside strings, or where a new
// definition certainly begins.
func (s *scanner) semicolon(pos Pos) int {
	quoted := false
	for i := s.at; i < len(s.text); i++ {
		switch c := s.text[i]; {
		case c == '\\' && quoted && i+1 < len(s.text) && s.text[i+1] == '"' && !closes(s.text[i+2:]):
			i++
		case c == '"':
			quoted = !quoted
		case c == ';' && !quoted:
			return i + 1
		case c == '\n' && begins.MatchString(s.text[i+1:s.lineEnd(i+1)]):
			what := "semicolon"
			if quoted {
				what = "closing quote"
			}
			s.file.problem(pos, false, "no %s before the next definition begins on line %d", what, s.lineOf(i)+1)
			return i
		}
	}
	return len(s.text)
}

// closes reports whether a string that ended here would be followed by the end
// of the definition: a backslash before a closing quote is then just a
// backslash.
func closes(rest string) bool {
	t := strings.TrimLeft(rest, " \t")
	return strings.HasPrefix(t, ";") && (len(t) == 1 || t[1] == '\n' || t[1] == '\r')
}

func (s *scanner) lineOf(i int) int { return s.line + strings.Count(s.text[s.at:i], "\n") }
