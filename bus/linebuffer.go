package bus

import "bytes"

// lineBuffer cuts what a device sends into lines, which end with a carriage
// return, a line feed or a bell. A line longer than the limit is one bad line.
type lineBuffer struct {
	limit    int
	buf      [4096]byte
	from, to int
	skipping bool
}

func (l *lineBuffer) reset() { l.from, l.to, l.skipping = 0, 0, false }

// room is where the next bytes go; add says how many there are.
func (l *lineBuffer) room() []byte {
	l.to = copy(l.buf[:], l.buf[l.from:l.to])
	l.from = 0
	return l.buf[l.to:]
}

func (l *lineBuffer) add(n int) { l.to += n }

// next returns the next line without its end.
func (l *lineBuffer) next() (line []byte, ok, tooLong bool) {
	i := bytes.IndexAny(l.buf[l.from:l.to], "\r\n\a")
	if i < 0 {
		if l.to-l.from > l.limit {
			// Nothing of it is needed: what follows is skipped too.
			first := !l.skipping
			l.skipping = true
			l.from = l.to
			return nil, first, first
		}
		return nil, false, false
	}
	line = l.buf[l.from : l.from+i]
	l.from += i + 1
	if l.skipping {
		l.skipping = false
		return nil, true, false
	}
	return line, true, i > l.limit
}
