package vehicle

import (
	"bytes"
	"fmt"
	"strconv"

	"github.com/pelletier/go-toml/v2/unstable"
)

// place is a place in the vehicle file, counted from 1.
type place struct{ line, column int }

// positions maps the path of every key ("role[2].signal") to where its value
// and the key itself stand.
type positions struct {
	file   string
	values map[string]place
	keys   map[string]place
}

func index(file string, text []byte) positions {
	p := positions{file, map[string]place{}, map[string]place{}}
	q := unstable.Parser{}
	q.Reset(text)
	prefix := ""
	counts := map[string]int{}
	at := func(r unstable.Range) place {
		head := text[:min(int(r.Offset), len(text))]
		nl := bytes.LastIndexByte(head, '\n')
		return place{1 + bytes.Count(head, []byte{'\n'}), len(head) - nl}
	}
	path := func(base string, n *unstable.Node) (string, place) {
		var first place
		for it := n.Key(); it.Next(); {
			k := it.Node()
			if first.line == 0 {
				first = at(k.Raw)
			}
			if base != "" {
				base += "."
			}
			base += string(k.Data)
		}
		return base, first
	}
	for q.NextExpression() {
		n := q.Expression()
		switch n.Kind {
		case unstable.Table:
			var pl place
			prefix, pl = p.tableName(n, counts, at)
			p.keys[prefix] = pl
		case unstable.ArrayTable:
			name, pl := p.tableName(n, counts, at)
			prefix = name + "[" + strconv.Itoa(counts[name]) + "]"
			counts[name]++
			p.keys[prefix] = pl
		case unstable.KeyValue:
			p.add(prefix, n, path, at)
		}
	}
	return p
}

// tableName is the path of a table header; within an array of tables the last
// element so far is meant.
func (p *positions) tableName(n *unstable.Node, counts map[string]int, at func(unstable.Range) place) (string, place) {
	name := ""
	var first place
	it := n.Key()
	for it.Next() {
		k := it.Node()
		if first.line == 0 {
			first = at(k.Raw)
		}
		if c := counts[name]; name != "" && c > 0 {
			name += "[" + strconv.Itoa(c-1) + "]"
		}
		if name != "" {
			name += "."
		}
		name += string(k.Data)
	}
	return name, first
}

func (p *positions) add(prefix string, n *unstable.Node, path func(string, *unstable.Node) (string, place), at func(unstable.Range) place) {
	name, key := path(prefix, n)
	p.keys[name] = key
	p.value(name, key, n.Value(), path, at)
}

func (p *positions) value(name string, key place, v *unstable.Node, path func(string, *unstable.Node) (string, place), at func(unstable.Range) place) {
	p.values[name] = key
	if v.Raw.Length > 0 {
		p.values[name] = at(v.Raw)
	}
	switch v.Kind {
	case unstable.InlineTable:
		for it := v.Children(); it.Next(); {
			p.add(name, it.Node(), path, at)
		}
	case unstable.Array:
		i := 0
		for it := v.Children(); it.Next(); {
			if it.Node().Kind == unstable.Comment {
				continue
			}
			p.value(name+"["+strconv.Itoa(i)+"]", p.values[name], it.Node(), path, at)
			i++
		}
	}
}

// errorf is an error at the value of the path; where the key is missing, at
// the table that should have it.
func (p *positions) errorf(path, format string, a ...any) error {
	at, ok := p.values[path]
	for q := path; !ok && q != ""; {
		if at, ok = p.keys[q]; ok {
			break
		}
		i := len(q) - 1
		for i > 0 && q[i] != '.' && q[i] != '[' {
			i--
		}
		q = q[:max(i, 0)]
	}
	if at.line == 0 {
		at = place{1, 1}
	}
	return fmt.Errorf("%s:%d:%d: %s", p.file, at.line, at.column, fmt.Sprintf(format, a...))
}
