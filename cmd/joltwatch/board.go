package main

import (
	"fmt"
	"os"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// busReport is what was heard on one bus.
type busReport struct {
	Bus    string `json:"bus"`
	Frames uint64 `json:"frames"`
	Errors uint64 `json:"error_frames"`
	// LoadPercent is the share of the bit rate in use, without stuff bits
	// (they add up to a fifth); 0 where the bit rate is not stated.
	LoadPercent float64 `json:"load_percent"`
	OK          bool    `json:"ok"`
	Says        string  `json:"says"`
}

func (k *checker) busReports(file *vehicle.File, secs float64) []busReport {
	var out []busReport
	for i, b := range file.Buses {
		x := busReport{Bus: b.Name, Frames: k.frames[i], Errors: k.errors[i], OK: true}
		if secs > 0 && b.Bitrate > 0 {
			x.LoadPercent = round3(100 * float64(k.bits[i]) / secs / float64(b.Bitrate))
		}
		x.Says = fmt.Sprintf("%d frames, %.0f a second", x.Frames, float64(x.Frames)/max(secs, 0.001))
		if x.LoadPercent > 0 {
			x.Says += fmt.Sprintf(", load %.0f %% and stuff bits", x.LoadPercent)
		}
		stats := bus.Stats{Frames: x.Frames + x.Errors, Errors: x.Errors, Dropped: k.dropped[i], BadLines: k.bad[i]}
		if advice := bus.Advice(b.Name, stats, uint32(b.Bitrate), bus.Micros(secs*1e6)); advice != "" {
			x.OK, x.Says = false, advice
		}
		out = append(out, x)
	}
	return out
}

// Figures for the room that a stay takes: hours driven a day, and bytes an hour
// of driving. The embedded drive takes 0.5 MB an hour (`joltbench summary` shows
// it for a stay); a vehicle with many events and faster buses takes more, so the
// estimate is made on the safe side.
const (
	drivingHoursADay = 4.0
	bytesAnHour      = 12e6
	slowSyncMs       = 2000
)

// board looks at the computer itself: its clock, its room, its card, its
// supply. On a recording only the room and the card mean anything.
func board(k *checker, in *input, c *checkCmd) []remark {
	var out []remark
	if in.live {
		trusted := bus.BootClock().Known
		says := "the system clock is set by a time source"
		if !trusted {
			says = "the system clock is not synchronised: give the time with joltwatch clock, or findings will say \"time unknown\""
		}
		out = append(out, remark{"clock", trusted, says})
	}
	free, err := freeBytes(c.Store)
	if err != nil {
		out = append(out, remark{"room", false, err.Error()})
	} else {
		days := float64(free) / (bytesAnHour * drivingHoursADay)
		out = append(out, remark{"room", days >= 7, fmt.Sprintf("%.1f GB free in %s: about %.0f days at %g driving hours a day", float64(free)/1e9, c.Store, min(days, 9999), drivingHoursADay)})
	}
	if st, err := os.Stat(c.Store); err == nil && st.IsDir() {
		if s, err := tryCard(c.Store); err != nil {
			out = append(out, remark{"card", false, err.Error()})
		} else {
			out = append(out, remark{"card", s.SyncMs < slowSyncMs, fmt.Sprintf("writes %.0f MB/s; the slowest small synced write took %.0f ms", s.WriteMBs, s.SyncMs)})
		}
	}
	if k.seen[stream.SupplyVoltage] > 0 {
		lo, hi := k.min[stream.SupplyVoltage], k.max[stream.SupplyVoltage]
		out = append(out, remark{"supply", lo >= 9, fmt.Sprintf("%.1f to %.1f V", lo, hi)})
	}
	return out
}
