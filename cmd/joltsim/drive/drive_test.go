package drive

import (
	"fmt"
	"os"
	"testing"
	"time"
)

func TestDump(t *testing.T) {
	if os.Getenv("DUMP") == "" {
		t.Skip()
	}
	sc, err := Load("../../../testdata/van/scenario.toml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(sc)
	if err != nil {
		t.Fatal(err)
	}
	t0 := time.Now()
	n := 0
	for {
		f, ok := s.Next()
		if !ok {
			break
		}
		n += len(f)
		p, c := s.w.p, s.w.c
		fmt.Printf("%6.1f step%2d v%6.1f ref%5.1f eng%5.0f tur%5.0f slip%6.0f g%d sh%d mode%d cmd%4.0f p%4.0f cap%4.0f ped%3.0f brk%6.0f load%4.0f ls%.2f hill%d gr%.1f\n",
			float64(s.ms)/1000, s.w.d.at, p.kmh(), s.w.d.ref*3.6, p.engine*radToRPM, p.turbine*radToRPM, (p.engine-p.turbine)*radToRPM,
			c.gear, c.shift, c.mode, c.command, p.pressure, p.capacity, s.w.d.pedal*100, s.w.d.brake, p.load, c.loadSlow, c.hill, s.w.d.grade)
	}
	fmt.Println(n, "frames", time.Since(t0), float64(s.ms)/1000)
	s.Truth().WriteLines(os.Stdout)
}
