package bus

import (
	"fmt"
	"maps"
	"slices"
)

// J1939Codes listens for active trouble codes (SAE J1939-73 DM1), which every
// controller broadcasts once a second, in one frame or, where there is more
// than one code, by the transport protocol's broadcast (SAE J1939-21 BAM).
type J1939Codes struct {
	sessions map[uint32]*bam // by bus and source address
	latest   map[uint32]Codes
}

// bam is one announced message on its way.
type bam struct {
	data   []byte
	size   int
	next   uint8
	latest Micros
}

const (
	pgnDM1      = 0xFECA
	pfTransport = 0xEC // TP.CM
	pfData      = 0xEB // TP.DT
	bamControl  = 32
	bamTimeout  = 750_000 // T1
	maxBAM      = 1785
	globalAddr  = 0xFF
)

// J1939CodeFilters are the identifiers that J1939Codes has to hear.
func J1939CodeFilters() []Filter {
	return []Filter{
		{ID: pgnDM1 << 8, Mask: 0x03FFFF00, Extended: true},
		{ID: pfTransport<<16 | globalAddr<<8, Mask: 0x03FFFF00, Extended: true},
		{ID: pfData<<16 | globalAddr<<8, Mask: 0x03FFFF00, Extended: true},
	}
}

// Frame takes one frame of a J1939 bus. Where it completes a DM1 whose codes
// differ from the ones the controller sent before, they are returned.
func (w *J1939Codes) Frame(f *Frame) (Codes, bool) {
	if f.Kind != Data || f.Flags&(Extended|FD) != Extended || f.Len != 8 {
		return Codes{}, false
	}
	key := uint32(f.Bus)<<8 | f.ID&0xFF
	pf, ps := f.ID>>16&0xFF, f.ID>>8&0xFF
	switch {
	case f.ID>>8&0x3FFFF == pgnDM1:
		return w.complete(f, key, f.Data[:8])
	case f.ID>>24&3 != 0 || ps != globalAddr:
	case pf == pfTransport:
		delete(w.sessions, key) // whatever it is, it ends the last one
		size := int(f.Data[1]) | int(f.Data[2])<<8
		pgn := uint32(f.Data[5]) | uint32(f.Data[6])<<8 | uint32(f.Data[7])<<16
		if f.Data[0] != bamControl || pgn != pgnDM1 || size < 9 || size > maxBAM {
			break
		}
		if w.sessions == nil {
			w.sessions = map[uint32]*bam{}
		}
		w.sessions[key] = &bam{size: size, next: 1, latest: f.At}
	case pf == pfData:
		s := w.sessions[key]
		if s == nil {
			break
		}
		if f.Data[0] != s.next || f.At-s.latest > bamTimeout {
			delete(w.sessions, key)
			break
		}
		s.data = append(s.data, f.Data[1:8]...)
		s.next++
		s.latest = f.At
		if len(s.data) >= s.size {
			delete(w.sessions, key)
			return w.complete(f, key, s.data[:s.size])
		}
	}
	return Codes{}, false
}

func (w *J1939Codes) complete(f *Frame, key uint32, b []byte) (Codes, bool) {
	c := Codes{At: f.At, Bus: f.Bus, Source: fmt.Sprintf("0x%02X", f.ID&0xFF)}
	// Four lamps of two bits: 01 is on.
	for i := 0; i < 8; i += 2 {
		c.Lamp = c.Lamp || b[0]>>i&3 == 1
	}
	for b = b[2:]; len(b) >= 4; b = b[4:] {
		spn := uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2]>>5)<<16
		fmi := b[2] & 0x1F
		if spn == 0 && fmi == 0 || spn == 0x7FFFF {
			continue // none
		}
		c.Codes = append(c.Codes, fmt.Sprintf("SPN %d FMI %d", spn, fmi))
	}
	old, known := w.latest[key]
	if w.latest == nil {
		w.latest = map[uint32]Codes{}
	}
	w.latest[key] = c
	return c, !known && (len(c.Codes) > 0 || c.Lamp) || known && (old.Lamp != c.Lamp || !slices.Equal(old.Codes, c.Codes))
}

// Active returns what each controller sent last, where that was after since and
// it had codes or a lamp on, by bus and address.
func (w *J1939Codes) Active(since Micros) []Codes {
	var out []Codes
	for _, k := range slices.Sorted(maps.Keys(w.latest)) {
		if c := w.latest[k]; c.At > since && (len(c.Codes) > 0 || c.Lamp) {
			out = append(out, c)
		}
	}
	return out
}
