package drive

import "testing"

// BenchmarkDrive reports how much faster than the clock on the wall a drive
// goes on one core.
func BenchmarkDrive(b *testing.B) {
	for _, v := range Vehicles() {
		b.Run(v.Name, func(b *testing.B) {
			seconds, frames := 0.0, 0
			for b.Loop() {
				sc := Normal(Tuning, v.Name, 1, 600)
				sc.NoTrace = true
				s, err := New(sc)
				if err != nil {
					b.Fatal(err)
				}
				for {
					f, ok := s.Next()
					if !ok {
						break
					}
					frames += len(f)
				}
				seconds += float64(s.ms) / 1000
			}
			b.ReportMetric(seconds/b.Elapsed().Seconds(), "x-real-time")
			b.ReportMetric(float64(frames)/seconds, "frames/s-driven")
		})
	}
}
