package main

import (
	"fmt"
	"strings"
	"time"

	"joltwatch/bus"
	"joltwatch/storage"
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

// busReports tells what was heard, and of ready what stood against hearing it.
func (k *checker) busReports(file *vehicle.File, secs float64, ready map[string]error) []busReport {
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
		if err := ready[b.Name]; err != nil {
			x.OK, x.Says = false, err.Error()+"; "+x.Says
		} else if x.LoadPercent > 100 && secs > 1 {
			x.OK, x.Says = false, fmt.Sprintf("%s; more than bitrate = %d carries: give the bus's bit rate, in bit/s", x.Says, b.Bitrate)
		} else if advice := bus.Advice(b.Name, stats, uint32(b.Bitrate), bus.Micros(secs*1e6)); advice != "" {
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
	// minSupply in V: below it many a board's own supply fails, and at the next
	// start of the engine surely (common practice, no source).
	minSupply = 9
)

// board looks at the computer itself: its clock, its room, its card, its
// supply. On a recording only the room and the card mean anything.
func board(k *checker, in *input, c *checkCmd) []remark {
	var out []remark
	if in.live {
		out = append(out, clockRemark(c.Store, in.boot))
	}
	dir := nearest(c.Store)
	if free, err := freeBytes(dir); err != nil {
		out = append(out, remark{"room", false, err.Error()})
	} else {
		days := float64(free) / (bytesAnHour * drivingHoursADay)
		out = append(out, remark{"room", days >= 7, fmt.Sprintf("%.1f GB free for %s: about %.0f days at %g driving hours a day", float64(free)/1e9, c.Store, min(days, 9999), drivingHoursADay)})
	}
	if s, err := tryCard(dir); err != nil {
		out = append(out, remark{"card", false, err.Error()})
	} else {
		out = append(out, remark{"card", s.SyncMs < slowSyncMs, fmt.Sprintf("writes %.0f MB/s; the slowest small synced write took %.0f ms", s.WriteMBs, s.SyncMs)})
	}
	if alarms := undervoltage("/sys/class/hwmon"); len(alarms) > 0 {
		out = append(out, remark{"board's supply", false, "the board reports undervoltage (" + strings.Join(alarms, ", ") + "): use a stronger supply or a shorter cable"})
	}
	switch lo, hi := k.min[stream.SupplyVoltage], k.max[stream.SupplyVoltage]; {
	case k.seen[stream.SupplyVoltage] > 0:
		out = append(out, remark{"vehicle's supply", lo >= minSupply, fmt.Sprintf("%.1f to %.1f V", lo, hi)})
	case in.live:
		out = append(out, remark{"vehicle's supply", true, "not known: no supply_voltage role was seen"})
	}
	return out
}

// clockRemark says whether findings will have a time.
func clockRemark(store, boot string) remark {
	if bus.BootClock().Known {
		return remark{"clock", true, "the system clock is set by a time source"}
	}
	if s, err := storage.Read(store); err == nil {
		if c := s.Clock(boot); c.Known {
			return remark{"clock", true, "the stay was told the time: it is " + time.UnixMicro(int64(c.Zero+bus.BootNow())).Format(time.RFC3339)}
		}
	}
	return remark{"clock", false, "the system clock is not synchronised: give the time with joltwatch clock, or findings will say \"time unknown\""}
}
