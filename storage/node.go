package storage

import (
	"encoding/json"
	"slices"
	"strings"
)

// parseNode reads compact JSON as encoding/json makes it: without white space
// between values, which is all that is written here.
func parseNode(text []byte) (node, error) { return new(nodeParser).parse(text) }

// parse is parseNode with the room of the texts before.
func (p *nodeParser) parse(text []byte) (node, error) {
	*p = nodeParser{in: string(text), items: p.items[:0], keys: p.keys[:0]}
	n := p.value()
	if p.bad || p.at != len(p.in) {
		return n, errCompact
	}
	return n, nil
}

// nodeParser reads JSON of this program's own making. What it returns shares the
// text's memory.
type nodeParser struct {
	in    string
	at    int
	depth int
	bad   bool
	// What has been read of the lists that are not at their end yet, one list after
	// the other: each is then made as long as it is.
	items []node
	keys  []string
}

func (p *nodeParser) fail() node {
	p.bad = true
	return node{}
}

func (p *nodeParser) next() byte {
	if p.at < len(p.in) {
		return p.in[p.at]
	}
	return 0
}

// skip passes over a byte where it stands next.
func (p *nodeParser) skip(b byte) bool {
	if p.next() != b {
		return false
	}
	p.at++
	return true
}

func (p *nodeParser) value() node {
	switch p.next() {
	case '"':
		return node{kind: nodeString, text: p.quoted()}
	case '{':
		return p.list(nodeObject, '}')
	case '[':
		return p.list(nodeArray, ']')
	case 't':
		return p.word("true", nodeTrue)
	case 'f':
		return p.word("false", nodeFalse)
	case 'n':
		return p.word("null", nodeNull)
	}
	from := p.at
	for p.at < len(p.in) && strings.IndexByte("+-.0123456789Ee", p.in[p.at]) >= 0 {
		p.at++
	}
	if p.at == from {
		return p.fail()
	}
	return node{kind: nodeNumber, text: p.in[from:p.at]}
}

func (p *nodeParser) word(word string, kind nodeKind) node {
	if !strings.HasPrefix(p.in[p.at:], word) {
		return p.fail()
	}
	p.at += len(word)
	return node{kind: kind}
}

// list reads an array or an object.
func (p *nodeParser) list(kind nodeKind, end byte) node {
	n := node{kind: kind}
	p.at++
	if p.depth++; p.depth > maxDepth || p.skip(end) {
		p.bad = p.bad || p.depth > maxDepth
		p.depth--
		return n
	}
	item, key := len(p.items), len(p.keys)
	for !p.bad {
		if kind == nodeObject {
			p.keys = append(p.keys, p.quoted())
			p.bad = p.bad || !p.skip(':')
		}
		p.items = append(p.items, p.value())
		if p.skip(end) {
			break
		}
		p.bad = p.bad || !p.skip(',')
	}
	n.items, p.items = slices.Clone(p.items[item:]), p.items[:item]
	if kind == nodeObject {
		n.keys, p.keys = slices.Clone(p.keys[key:]), p.keys[:key]
	}
	p.depth--
	return n
}

// quoted reads a string; one with an escape in it is left to the library.
func (p *nodeParser) quoted() string {
	if !p.skip('"') {
		p.bad = true
		return ""
	}
	from := p.at
	for p.next() != '"' && p.at < len(p.in) {
		if p.in[p.at] == '\\' {
			return p.escaped(from)
		}
		p.at++
	}
	p.bad = p.bad || p.at == len(p.in)
	s := p.in[from:p.at]
	p.at++
	return s
}

func (p *nodeParser) escaped(from int) (s string) {
	for p.at < len(p.in) && p.in[p.at] != '"' {
		if p.in[p.at] == '\\' {
			p.at++
		}
		p.at++
	}
	if p.at++; p.at > len(p.in) || json.Unmarshal([]byte(p.in[from-1:p.at]), &s) != nil {
		p.bad = true
	}
	return s
}
