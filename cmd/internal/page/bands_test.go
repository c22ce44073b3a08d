package page

import (
	"strings"
	"testing"

	"joltwatch/detect"
	"joltwatch/storage/review"
)

// Speed bands stand by speed, also beside another stay's: 100 comes after 20.
func TestBandsBySpeed(t *testing.T) {
	var a detect.Account
	for _, from := range []float64{0, 20, 100} {
		label := map[float64]string{0: "0–20", 20: "20–40", 100: "100–120"}[from]
		a.Bands = append(a.Bands, detect.Band{Of: "speed_kmh", Label: label, From: from, To: from + 20, Closed: 60})
	}
	s := &review.Stay{Drives: []review.Drive{{Account: a}}}
	text := string(sharesBySpeed(s, s).Figure)
	at := -1
	for _, name := range []string{">0–20<", ">0–20 (other)<", ">20–40<", ">20–40 (other)<", ">100–120<", ">100–120 (other)<"} {
		i := strings.Index(text, name)
		if i <= at {
			t.Errorf("%s stands at %d, before what is slower", name, i)
		}
		at = i
	}
}
