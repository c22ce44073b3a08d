package page

import (
	"bytes"
	"compress/zlib"
	"encoding/base64"
	"encoding/binary"
	"math"

	"joltwatch/bus"
	"joltwatch/storage/review"
)

// Traces travel in the page as text: base64 of a zlib stream of varints. For
// each line: the number of points; then the time of each as the difference to
// the one before, in ticks of 0.1 ms from the start of the stretch; then the
// value of each: 0 for unknown, else 1 + the zigzag of the difference to the
// last known one in quanta. The page's script reads the same.

// tick is the resolution of times in the page.
const tick bus.Micros = 100

func pack(lines []review.Trace, from bus.Micros) (string, error) {
	var raw []byte
	for _, l := range lines {
		raw = binary.AppendUvarint(raw, uint64(len(l.T)))
		last := int64(0)
		for _, at := range l.T {
			t := max(int64((at-from)/tick), last)
			raw = binary.AppendUvarint(raw, uint64(t-last))
			last = t
		}
		last = 0
		for _, v := range l.V {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				raw = append(raw, 0)
				continue
			}
			q := int64(math.Round(max(-1e12, min(1e12, (v-l.Offset)/l.Quantum))))
			d := q - last
			last = q
			raw = binary.AppendUvarint(raw, 1+uint64(d<<1^d>>63))
		}
	}
	var b bytes.Buffer
	z, err := zlib.NewWriterLevel(&b, zlib.BestCompression)
	if err != nil {
		return "", err
	}
	if _, err := z.Write(raw); err != nil {
		return "", err
	}
	if err := z.Close(); err != nil {
		return "", err
	}
	return base64.StdEncoding.EncodeToString(b.Bytes()), nil
}
