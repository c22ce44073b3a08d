package storage

// Bit fields are counted as in definition files (see stream.Signal): bit
// 8*byte+bit, the start being the least significant bit of little-endian
// fields and the most significant one of big-endian fields.

// bitField is a run of bits of a frame that is kept as a column of its own.
type bitField struct {
	start  uint16
	length uint8
	big    bool
}

// each calls visit for the bits from the most significant to the least, until
// it returns false.
func (b bitField) each(visit func(position int) bool) bool {
	p := int(b.start)
	for i := range int(b.length) {
		at := p
		if !b.big {
			at = p + int(b.length) - 1 - i
		}
		if !visit(at) {
			return false
		}
		if b.big {
			if p&7 == 0 {
				p += 15
			} else {
				p--
			}
		}
	}
	return true
}

// within reports whether the field lies in the first n bytes.
func (b bitField) within(n int) bool {
	return b.length >= 1 && b.length <= 64 && b.each(func(p int) bool { return p>>3 < n })
}

func (b bitField) take(data *[64]byte) uint64 {
	var v uint64
	b.each(func(p int) bool {
		v = v<<1 | uint64(data[p>>3]>>(p&7)&1)
		return true
	})
	return v
}

// inWord is how far the field stands from the right of the first eight bytes as
// one number, in the field's own byte order; ok is false where it leaves them.
func (b bitField) inWord() (shift int, ok bool) {
	shift = int(b.start)
	if b.big {
		shift = 57 - int(b.start)&^7 + int(b.start)&7 - int(b.length)
	}
	return shift, shift >= 0 && shift+int(b.length) <= 64
}

func (b bitField) put(data *[64]byte, v uint64) {
	left := int(b.length)
	b.each(func(p int) bool {
		left--
		if v>>left&1 != 0 {
			data[p>>3] |= 1 << (p & 7)
		} else {
			data[p>>3] &^= 1 << (p & 7)
		}
		return true
	})
}
