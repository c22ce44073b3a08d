package drive

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"joltwatch/bus"
	"joltwatch/stream"
)

// AppendLog appends the data and remote frames to b as a text log. What is no
// frame on a wire (notices, readings) has no place in one.
func AppendLog(b []byte, frames []bus.Frame, buses []string) []byte {
	for i := range frames {
		if f := &frames[i]; f.Kind == bus.Data || f.Kind == bus.Remote {
			b = bus.AppendLogLine(b, f, buses[f.Bus])
		}
	}
	return b
}

// DBC returns the definition file of each bus and its name.
func (l *Layout) DBC(vehicle string) (texts, names []string) {
	for b, name := range l.Buses {
		texts = append(texts, l.dbc(b))
		file := vehicle + ".dbc"
		if len(l.Buses) > 1 {
			file = vehicle + "-" + name + ".dbc"
		}
		names = append(names, file)
	}
	return texts, names
}

// dbc writes one bus. Messages that share an identifier (answers told apart by
// their parameter byte) become one multiplexed message.
func (l *Layout) dbc(busIndex int) string {
	var b strings.Builder
	b.WriteString("VERSION \"\"\n\nNS_ :\n\nBS_:\n\nBU_: Engine Gearbox Chassis Logger\n\n")
	var vals []string
	done := map[uint32]bool{}
	for i := range l.Messages {
		m := &l.Messages[i]
		if m.Bus != busIndex || done[m.ID] {
			continue
		}
		done[m.ID] = true
		id := m.ID
		if m.Extended {
			id |= 1 << 31
		}
		fmt.Fprintf(&b, "BO_ %d %s: %d Engine\n", id, m.Name, m.Len)
		if len(m.Fixed) > 0 {
			at := 8*len(m.Fixed) - 8
			fmt.Fprintf(&b, " SG_ %sParameter M : %d|8@1+ (1,0) [0|255] \"\" Logger\n", m.Name, at)
			for k := range l.Messages {
				o := &l.Messages[k]
				if o.Bus != busIndex || o.ID != m.ID {
					continue
				}
				for s := range o.Signals {
					writeSignal(&b, &o.Signals[s], fmt.Sprintf(" m%d", o.Fixed[len(o.Fixed)-1]))
					vals = appendValues(vals, id, &o.Signals[s])
				}
			}
		} else {
			for s := range m.Signals {
				writeSignal(&b, &m.Signals[s], "")
				vals = appendValues(vals, id, &m.Signals[s])
			}
			for _, f := range []struct {
				name string
				f    Field
			}{{"Counter", m.Counter}, {"Checksum", m.Checksum}} {
				if f.f.Length > 0 {
					writeSignal(&b, &Signal{Name: m.Name + f.name, Field: f.f, Scale: 1}, "")
				}
			}
		}
		b.WriteByte('\n')
	}
	for _, v := range vals {
		b.WriteString(v)
	}
	return b.String()
}

func writeSignal(b *strings.Builder, s *Signal, mux string) {
	order, sign := 1, '+'
	if s.BigEndian {
		order = 0
	}
	lo, hi := 0.0, float64(uint64(1)<<s.Length-1)
	if s.MaxRaw > 0 {
		hi = float64(s.MaxRaw)
	}
	if s.Signed {
		sign = '-'
		hi = float64(uint64(1)<<(s.Length-1) - 1)
		lo = -hi
	}
	fmt.Fprintf(b, " SG_ %s%s : %d|%d@%d%c (%s,%s) [%s|%s] \"%s\" Logger\n", s.Name, mux,
		s.Start, s.Length, order, sign, num(s.Scale), num(s.Offset),
		num(mul(lo, s.Scale)+s.Offset), num(mul(hi, s.Scale)+s.Offset), s.Unit)
}

func num(x float64) string { return strconv.FormatFloat(x, 'g', 10, 64) }

func appendValues(vals []string, id uint32, s *Signal) []string {
	if s.Codes == nil {
		return vals
	}
	var b strings.Builder
	fmt.Fprintf(&b, "VAL_ %d %s", id, s.Name)
	for _, k := range codesByRaw(s) {
		fmt.Fprintf(&b, " %d \"%s\"", s.Codes[k], codeName(s.Role, k))
	}
	b.WriteString(" ;\n")
	return append(vals, b.String())
}

func codesByRaw(s *Signal) []int {
	return slices.SortedFunc(maps.Keys(s.Codes), func(a, b int) int {
		return cmp.Or(cmp.Compare(s.Codes[a], s.Codes[b]), cmp.Compare(a, b))
	})
}

func codeName(r stream.Role, k int) string {
	if r == stream.Gear {
		switch k {
		case stream.GearPark:
			return "park"
		case stream.GearReverse:
			return "reverse"
		case stream.GearNeutral:
			return "neutral"
		case stream.GearShifting:
			return "shifting"
		}
		return strconv.Itoa(k)
	}
	if r == stream.LockupState {
		return [...]string{"open", "partial", "closed"}[k]
	}
	return strconv.Itoa(k)
}

// VehicleTOML returns the vehicle file.
func (l *Layout) VehicleTOML(v *Vehicle, dbc []string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# An invented vehicle; written by joltsim.\nlabel = %q\n", v.Name)
	if l.WatchHz == 0 {
		facts(&b, v)
	}
	for i, name := range l.Buses {
		fmt.Fprintf(&b, "\n[[bus]]\nname = %q\nbitrate = %d\n", name, l.Bitrate[i])
		if l.J1939 {
			b.WriteString("j1939 = true\n")
		} else {
			fmt.Fprintf(&b, "definitions = [%q]\n", dbc[i])
		}
	}
	if l.J1939 {
		return b.String()
	}
	for r := range stream.NumRoles {
		for i := range l.Messages {
			m := &l.Messages[i]
			for k := range m.Signals {
				s := &m.Signals[k]
				if s.Role != r || s.Unmapped {
					continue
				}
				name := m.Name
				if len(m.Fixed) > 0 {
					name = l.first(m.ID, m.Bus)
				}
				fmt.Fprintf(&b, "\n[[role]]\nname = %q\nsignal = \"%s.%s\"\n", r.String(), name, s.Name)
				if len(l.Buses) > 1 {
					fmt.Fprintf(&b, "bus = %q\n", l.Buses[m.Bus])
				}
				writeCodes(&b, s)
			}
		}
	}
	return b.String()
}

// facts writes what is known of the vehicle besides its signals.
func facts(b *strings.Builder, v *Vehicle) {
	fmt.Fprintf(b, "idle_rpm = %s\noutput_rpm_per_kmh = %.3f\n", num(v.IdleRPM), v.OutputPerKmh())
	if v.StopStart {
		b.WriteString("stop_start = true\n")
	}
	if v.TorqueReferenceNm > 0 {
		fmt.Fprintf(b, "torque_reference_nm = %s\n", num(v.TorqueReferenceNm))
	}
	b.WriteString("ratios = { ")
	for i, r := range v.Ratios {
		fmt.Fprintf(b, "%d = %s, ", i+1, num(r))
	}
	fmt.Fprintf(b, "reverse = %s }\n", num(v.Reverse))
}

// first returns the name of the first message with that identifier.
func (l *Layout) first(id uint32, busIndex int) string {
	for i := range l.Messages {
		if l.Messages[i].ID == id && l.Messages[i].Bus == busIndex {
			return l.Messages[i].Name
		}
	}
	return ""
}

func writeCodes(b *strings.Builder, s *Signal) {
	if s.Codes == nil {
		return
	}
	if s.Role != stream.LockupState && s.Role != stream.Gear {
		return
	}
	b.WriteString("states = { ")
	sep := ""
	for _, k := range codesByRaw(s) {
		name := codeName(s.Role, k)
		if _, err := strconv.Atoi(name); err == nil {
			fmt.Fprintf(b, "%s%d = %s", sep, s.Codes[k], name)
			sep = ", "
			continue
		}
		fmt.Fprintf(b, "%s%d = %q", sep, s.Codes[k], name)
		sep = ", "
	}
	b.WriteString(" }\n")
}
