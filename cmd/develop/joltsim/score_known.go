package main

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
)

// known are the aims that a recorded run missed, and by what value. It is for
// CI: make score fails on every aim that is missed, CI on those that were not
// missed before or are missed by more.
type known map[string]float64

const knownHead = "# Aims that are missed, one a line: aim, class, value. Written by joltsim with --record;\n# an aim that is met goes from here, none is added without a word on why.\n"

func (a *aim) key() string { return a.What + "\t" + a.Class }

// openKnown reads a record before anything is driven; nil where there is no path.
func openKnown(path string) (known, error) {
	if path == "" {
		return nil, nil
	}
	return readKnown(path)
}

// readKnown reads a record; each line has an aim, a class and a value, with
// tabs between them.
func readKnown(path string) (known, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	k := known{}
	for i, line := range strings.Split(string(b), "\n") {
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		at := strings.LastIndexByte(line, '\t')
		v, err := strconv.ParseFloat(line[at+1:], 64)
		if at < 0 || err != nil {
			return nil, fmt.Errorf("%s:%d: expected aim, class and value with tabs between them", path, i+1)
		}
		k[line[:at]] = v
	}
	return k, nil
}

// writeKnown records the aims that are missed.
func writeKnown(path string, list []aim) error {
	var lines []string
	for i := range list {
		if x := &list[i]; x.Verdict == missed {
			lines = append(lines, fmt.Sprintf("%s\t%.4g", x.key(), x.Value))
		}
	}
	slices.Sort(lines)
	return os.WriteFile(path, []byte(knownHead+strings.Join(lines, "\n")+"\n"), 0o644)
}

// worse returns the aims that are missed and were not, or by more than a
// twentieth of what was recorded.
func (k known) worse(list []aim) []string {
	var bad []string
	for i := range list {
		x := &list[i]
		if x.Verdict != missed {
			continue
		}
		was, ok := k[x.key()]
		slack := 0.05 * math.Abs(was)
		if !ok || x.AtLeast && x.Value < was-slack || !x.AtLeast && x.Value > was+slack {
			text := fmt.Sprintf("%s, %s: %.4g", x.What, x.Class, x.Value)
			if ok {
				text += fmt.Sprintf(", recorded %.4g", was)
			}
			bad = append(bad, text)
		}
	}
	return bad
}

// judgeAims writes the record, or holds the aims against the one that is known, or,
// without either, says that aims were missed.
func judgeAims(list []aim, k known, path, record string) error {
	switch {
	case record != "":
		return writeKnown(record, list)
	case k != nil:
		return k.judge(list, path)
	}
	if n := count(list, missed); n > 0 {
		return missedError(n)
	}
	return nil
}

// judge compares a run with the record and says what became worse.
func (k known) judge(list []aim, path string) error {
	bad := k.worse(list)
	if len(bad) == 0 {
		fmt.Printf("%d aims missed, each of them in the record %s and none by more\n", count(list, missed), path)
		return nil
	}
	fmt.Printf("missed by more than the record %s has:\n  %s\n", path, strings.Join(bad, "\n  "))
	return missedError(len(bad))
}
