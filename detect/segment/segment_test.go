package segment

import (
	"testing"

	"joltwatch/bus"
	"joltwatch/stream"
)

// row is one with the engine at rpm, or unknown where negative, and the road
// speed likewise.
func row(atS, rpm, kmh float64) *stream.Row {
	r := &stream.Row{At: bus.Micros(atS * 1e6)}
	for role, v := range map[stream.Role]float64{stream.EngineSpeed: rpm, stream.VehicleSpeed: kmh} {
		if v >= 0 {
			r.V[role], r.Known = v, r.Known|1<<role
		}
	}
	return r
}

// drive takes a row every half second until endS, and counts.
func drive(d *Drives, fromS, endS, rpm, kmh float64) (began, ended, stops int) {
	for at := fromS; at < endS; at += 0.5 {
		x := d.Follow(row(at, rpm, kmh))
		for n, ok := range map[*int]bool{&began: x.Began, &ended: x.Ended, &stops: x.Stopped} {
			if ok {
				*n++
			}
		}
	}
	return began, ended, stops
}

var settings = Settings{RunningRPM: 350, MovingKmh: 2, EndS: 4, StopStartS: 300}

func TestDriveGoesFromEngineStartToStop(t *testing.T) {
	d := New(settings, &stream.Facts{})
	for _, x := range []struct {
		name                string
		fromS, endS         float64
		rpm, kmh            float64
		began, ended, stops int
	}{
		{"cranking", 0, 2, 250, 0, 0, 0, 0},
		{"idling", 2, 10, 700, 0, 1, 0, 0},
		{"creeping is no stop to come", 10, 12, 900, 4, 0, 0, 0},
		{"queueing", 12, 14, 700, 0, 0, 0, 0},
		{"driving", 14, 30, 1500, 50, 0, 0, 0},
		{"stopping", 30, 33, 700, 0, 0, 0, 1},
		{"an engine that is off for a moment", 33, 36, 0, 0, 0, 0, 0},
		{"runs again", 36, 40, 700, 0, 0, 0, 0},
		{"off", 40, 50, 0, 0, 0, 1, 0},
		{"the next drive", 50, 55, 700, 0, 1, 0, 0},
	} {
		began, ended, stops := drive(&d, x.fromS, x.endS, x.rpm, x.kmh)
		if began != x.began || ended != x.ended || stops != x.stops {
			t.Errorf("%s: began %d, ended %d, stops %d; expected %d, %d, %d", x.name, began, ended, stops, x.began, x.ended, x.stops)
		}
	}
	if d.Drive() != 2 || !d.InDrive() || d.SinceStart(51*bus.Second) != 1 {
		t.Errorf("drive %d, in drive %v, %g s since its start; expected 2, true, 1", d.Drive(), d.InDrive(), d.SinceStart(51*bus.Second))
	}
}

// An engine that stops itself at a light ends no drive, one unheard of ends it
// only after a minute, and a bus that slept ends it before the next row.
func TestWhatEndsADrive(t *testing.T) {
	for _, x := range []struct {
		name      string
		stopStart bool
		rpm       float64
		silentS   float64
		ended     int
	}{
		{"off", false, 0, 10, 1},
		{"stopped itself", true, 0, 10, 0},
		{"stopped itself for too long", true, 0, 302, 1},
		{"unheard of", false, -1, 50, 0},
		{"unheard of for a minute", false, -1, 62, 1},
	} {
		d := New(settings, &stream.Facts{StopStart: x.stopStart})
		drive(&d, 0, 5, 700, 0)
		if _, ended, _ := drive(&d, 5, 5+x.silentS, x.rpm, 0); ended != x.ended {
			t.Errorf("%s: ended %d, expected %d", x.name, ended, x.ended)
		}
	}
	d := New(settings, &stream.Facts{})
	drive(&d, 0, 5, 700, 0)
	if d.Expired(60*bus.Second) || !d.Expired(66*bus.Second) {
		t.Errorf("expired at 60 s: %v, at 66 s: %v; expected false, true", d.Expired(60*bus.Second), d.Expired(66*bus.Second))
	}
}
