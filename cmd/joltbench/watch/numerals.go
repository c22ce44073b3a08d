package watch

import "strings"

const numeralLines = 5

// strokes are numerals three wide and five high, a digit after the other, then the
// minus sign, which also stands for what is not known.
const strokes = "" +
	"### .#. ### ### #.# ### ### ### ### ### ...\n" +
	"#.# ##. ..# ..# #.# #.. #.. ..# #.# #.# ...\n" +
	"#.# .#. ### ### ### ### ### ..# ### ### ###\n" +
	"#.# .#. #.. ..# ..# ..# #.# ..# #.# ..# ...\n" +
	"### ### ### ### ..# ### ### ..# ### ### ..."

// numerals writes a number in large numerals, each five wide with its gap: a
// character is higher than wide, so the middle of a numeral is two.
func numerals(text string) [numeralLines]string {
	var out [numeralLines]string
	for at, row := range strings.Split(strokes, "\n") {
		for _, r := range text {
			i := 10
			if r >= '0' && r <= '9' {
				i = int(r - '0')
			}
			x := row[4*i : 4*i+3]
			out[at] += x[:1] + x[1:2] + x[1:] + "."
		}
	}
	for at := range out {
		out[at] = strings.NewReplacer("#", "█", ".", " ").Replace(out[at])
	}
	return out
}
