package bus

import (
	"strings"
	"testing"
)

func TestAdvice(t *testing.T) {
	for _, tt := range []struct {
		s    Stats
		want string
	}{
		{Stats{Frames: 50, Errors: 50}, "can0: error frames only: the bitrate is probably wrong (500000 bit/s is set)"},
		{Stats{BadLines: 9}, "can0: 9 lines and none understood"},
		{Stats{}, "can0: nothing heard in 5 s"},
		{Stats{Frames: 120, Errors: 20}, "can0: 20 error frames beside 100 good ones"},
		{Stats{Frames: 1000, Dropped: 3}, "can0: 3 frames lost"},
		{Stats{Frames: 100, BadLines: 5}, "can0: 5 bad lines beside 100 good ones"},
		{Stats{Frames: 1000, Errors: 3, BadLines: 1}, ""},
	} {
		got := Advice("can0", tt.s, 500000, 5*Second)
		if !strings.HasPrefix(got, tt.want) || tt.want == "" && got != "" {
			t.Errorf("%+v: %q, want %q", tt.s, got, tt.want)
		}
	}
}
