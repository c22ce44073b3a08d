package vehicle

import (
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/dbc"
	"joltwatch/stream/j1939"
)

// resolver works out a decoded vehicle file. The first error stays.
type resolver struct {
	file     *File
	pos      *positions
	roles    []role
	requests []Request
	defs     [][]*dbc.File // by bus
	err      error
}

func (r *resolver) fail(path, format string, a ...any) {
	if r.err == nil {
		r.err = r.pos.errorf(path, format, a...)
	}
}

func (r *resolver) warn(path, format string, a ...any) {
	r.file.Warnings = append(r.file.Warnings, r.pos.errorf(path, format, a...).Error())
}

func (r *resolver) facts(idle, perKmh, torque float64, stopStart bool, ratios map[string]float64) {
	f := &r.file.Plan.Facts
	f.IdleRPM, f.OutputPerKmh, f.TorqueReferenceNm, f.StopStart = idle, perKmh, torque, stopStart
	for _, x := range []struct {
		path string
		v    float64
	}{{"idle_rpm", idle}, {"output_rpm_per_kmh", perKmh}, {"torque_reference_nm", torque}} {
		if !(x.v >= 0) || math.IsInf(x.v, 0) {
			r.fail(x.path, "%s: expected a number above 0", x.path)
		}
	}
	if s := r.file.Plan.StaleFactor; s != 0 && !(s >= 1.5 && s <= 100) {
		r.fail("stale_factor", "stale_factor: expected 1.5 to 100")
	}
	var keys []string
	for k := range ratios {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		v, path := ratios[k], "ratios."+k
		g, err := strconv.Atoi(k)
		if k == "reverse" {
			g, err = stream.GearReverse, nil
		}
		if err != nil || g == 0 || g > 24 || g < stream.GearReverse {
			r.fail(path, "ratios: %q is no gear: expected 1 to 24 or reverse", k)
			return
		}
		if !(v > 0.1 && v < 20) {
			r.fail(path, "ratios: %v for gear %s: expected turbine speed over output speed, a number between 0.1 and 20", v, k)
			return
		}
		if f.Ratios == nil {
			f.Ratios = map[int]float64{}
		}
		f.Ratios[g] = v
	}
}

func (r *resolver) buses() {
	if len(r.file.Buses) == 0 {
		r.fail("", "no [[bus]]: expected at least one, with a name (or a [table])")
		return
	}
	if len(r.file.Buses) > 64 {
		r.fail("bus[64]", "more than 64 buses")
		return
	}
	for i := range r.file.Buses {
		b, path := &r.file.Buses[i], fmt.Sprintf("bus[%d]", i)
		if b.Name == "" {
			r.fail(path, "bus without a name: expected name = \"…\"")
			return
		}
		if b.Interface == "" {
			b.Interface = b.Name
		}
		for j := range i {
			if r.file.Buses[j].Name == b.Name {
				r.fail(path+".name", "bus name %q is used twice", b.Name)
			}
			if r.file.Buses[j].Interface == b.Interface {
				r.fail(path+".interface", "interface %q belongs to bus %q already", b.Interface, r.file.Buses[j].Name)
			}
		}
		if b.Bitrate < 0 || b.Bitrate > 1_000_000 {
			r.fail(path+".bitrate", "bitrate %d: expected up to 1000000 bit/s (data_bitrate for the fast part of CAN FD)", b.Bitrate)
		}
		if b.DataBitrate < 0 || b.DataBitrate > 8_000_000 {
			r.fail(path+".data_bitrate", "data_bitrate %d: expected up to 8000000 bit/s", b.DataBitrate)
		}
		r.source(path, b)
		r.asking(path+".asking", b)
		r.file.Plan.Buses = append(r.file.Plan.Buses, b.Name)
		var files []*dbc.File
		for j, name := range b.Definitions {
			at := fmt.Sprintf("%s.definitions[%d]", path, j)
			if clean := filepath.Clean(name); clean != name {
				r.fail(at, "definitions: %q: write the path as %q", name, clean)
				return
			}
			full := name
			if !filepath.IsAbs(name) {
				full = filepath.Join(filepath.Dir(r.file.Path), name)
			}
			d, err := dbc.Read(full)
			if err != nil {
				r.fail(at, "definitions: %v", err)
				return
			}
			for _, p := range d.Problems {
				if p.Lost {
					r.file.Warnings = append(r.file.Warnings, p.Error())
				}
			}
			files = append(files, d)
		}
		r.defs = append(r.defs, files)
	}
	for i := range r.requests {
		r.request(i)
	}
}

// source settles what a bus's source is to do.
func (r *resolver) source(path string, b *Bus) {
	kind, _, ok := bus.FindSourceKind(b.Source)
	if b.Source != "" && !ok {
		r.fail(path+".source", "source %q: expected %s", b.Source, bus.SourceKindsText(0))
		return
	}
	b.Ask = b.Ask || b.Standard
	has := func(t bus.SourceTakes) bool { return b.Source == "" || kind.Takes&t == t }
	switch {
	case b.Ask && !has(bus.TakesRequests):
		r.fail(path+".source", "source %q takes no requests: expected %s", b.Source, bus.SourceKindsText(bus.TakesRequests))
	case b.MayAcknowledge && !has(bus.TakesCAN):
		r.fail(path+".may_acknowledge", "may_acknowledge: source %q is on no CAN bus", b.Source)
	case b.Listen && (b.Ask || !has(bus.TakesChoice)):
		r.fail(path+".listen", "listen: expected on a source that can ask or listen and not both (%s), without ask or standard", bus.SourceKindsText(bus.TakesChoice))
	case b.Source != "" && kind.Takes&bus.TakesChoice != 0 && !b.Ask && !b.Listen:
		r.fail(path, "source %q can ask or listen: expected standard = true, ask = true or listen = true", b.Source)
	}
	if b.Ask {
		r.file.Plan.Asks = append(r.file.Plan.Asks, b.Name)
	}
	if b.MayAcknowledge {
		r.file.Plan.MayAcknowledge = append(r.file.Plan.MayAcknowledge, b.Name)
	}
}

func (r *resolver) asking(path string, b *Bus) {
	a := b.Asking
	if a != (Asking{}) && !b.Ask {
		r.fail(path, "asking on bus %q is off: expected ask = true (or standard = true) in its [[bus]], which lets the program send there", b.Name)
	}
	if a.PerSecond < 0 || a.PerSecond > 100 {
		r.fail(path+".per_second", "per_second %d: expected 1 to 100 requests", a.PerSecond)
	}
	if a.BurstPerSecond < 0 || a.BurstPerSecond > 100 || a.BurstPerSecond > 0 && a.BurstPerSecond < cmp.Or(a.PerSecond, 10) {
		r.fail(path+".burst_per_second", "burst_per_second %d: expected per_second (10 where left out) to 100 requests", a.BurstPerSecond)
	}
	for _, x := range []struct {
		name string
		is   float64
		most float64
		unit string
	}{
		{"min_voltage", a.MinVoltage, 60, "V"},
		{"engine_off_s", a.EngineOffS, 3600, "s"},
		{"tester_silence_s", a.TesterSilenceS, 86400, "s"},
	} {
		if !(x.is >= 0 && x.is <= x.most) {
			r.fail(path+"."+x.name, "%s %v: expected up to %v %s", x.name, x.is, x.most, x.unit)
		}
	}
}

func (r *resolver) request(i int) {
	q, path := r.requests[i], fmt.Sprintf("request[%d]", i)
	n := r.busOf(path, q.Bus)
	if n < 0 {
		return
	}
	b := &r.file.Buses[n]
	if q.Name == "" {
		r.fail(path, "request without a name: expected name = \"…\"")
	}
	for _, o := range b.Requests {
		if o.Name == q.Name {
			r.fail(path+".name", "request name %q is used twice", q.Name)
		}
	}
	if !b.Ask {
		r.fail(path, "requests on bus %q are off: expected ask = true (or standard = true) in its [[bus]], which lets the program send there", b.Name)
	}
	switch q.Service {
	case 0x01:
		if q.Parameter > 0xff {
			r.fail(path+".parameter", "parameter 0x%X: service 0x01 has one byte, 0 to 0xFF", q.Parameter)
		}
	case 0x22:
	default:
		r.fail(path+".service", "service 0x%02X: expected 0x01 (current data) or 0x22 (read by identifier); no other can be sent", q.Service)
	}
	if q.RequestID > 0x1fffffff || q.AnswerID > 0x1fffffff {
		r.fail(path, "identifiers have at most 29 bits")
	}
	if !(q.PeriodS >= 0) || q.PeriodS > 3600 {
		r.fail(path+".period_s", "period_s: expected seconds above 0")
	}
	if q.RequestID == 0 {
		q.RequestID = 0x7E0
	}
	if q.AnswerID == 0 {
		q.AnswerID = bus.AnswerTo(q.RequestID)
	}
	q.Bus, q.Urgency = b.Name, bus.Driving
	q.Size = standardSize(q.Service, q.Parameter)
	b.Requests = append(b.Requests, q)
}

// busOf returns the index of the named bus; the only bus needs no name.
func (r *resolver) busOf(path, name string) int {
	if name == "" && len(r.file.Buses) == 1 {
		return 0
	}
	var names []string
	for i, b := range r.file.Buses {
		if b.Name == name {
			return i
		}
		names = append(names, b.Name)
	}
	if name == "" {
		r.fail(path, "there are several buses: expected bus = one of %s", strings.Join(names, ", "))
	} else {
		r.fail(path+".bus", "unknown bus %q%s; the file has %s", name, near(name, names), strings.Join(names, ", "))
	}
	return -1
}

func (r *resolver) storeTable() {
	s := r.file.Store
	for _, x := range []struct {
		name string
		v    float64
		max  float64
	}{{"look_back_s", s.LookBackS, 600}, {"look_on_s", s.LookOnS, 600}, {"quota_mb", float64(s.QuotaMB), 1e9}, {"free_floor_mb", float64(s.FreeFloorMB), 1e9}} {
		if !(x.v >= 0 && x.v <= x.max) {
			r.fail("store."+x.name, "%s: expected 0 to %g", x.name, x.max)
		}
	}
}

func (r *resolver) resolve() {
	if r.err != nil {
		return
	}
	p := r.file.Plan
	p.Sources = map[string][]string{}
	if len(r.roles) == 0 {
		r.file.BuiltIn = true
		for i, b := range r.file.Buses {
			if b.J1939 {
				r.builtIn(i)
			}
		}
	}
	for i := range r.roles {
		r.role(i)
		if r.err != nil {
			return
		}
	}
	for i, b := range r.file.Buses {
		if b.Standard {
			r.standard(i)
		}
	}
	if len(p.Messages) == 0 {
		r.fail("", "no [[role]]: expected at least engine_speed and a shaft or road speed (a bus with standard = true or j1939 = true has them built in)")
	}
	has := func(x stream.Role) bool { return len(p.Sources[x.String()]) > 0 }
	switch {
	case r.err != nil:
	case !has(stream.EngineSpeed):
		r.warn("", "no role engine_speed: without it no detector can work")
	case !has(stream.TurbineSpeed) && !has(stream.OutputSpeed) && !has(stream.VehicleSpeed):
		r.warn("", "none of the roles turbine_speed, output_speed and vehicle_speed: without one no detector can work")
	case !has(stream.TurbineSpeed) && !has(stream.Gear) && !has(stream.VehicleSpeed):
		r.warn("", "no role turbine_speed, and no role gear to work it out with: slip will be unknown")
	}
}

// builtIn maps all built-in roles of a J1939 bus, in their order of
// preference.
func (r *resolver) builtIn(n int) {
	type candidate struct {
		group     j1939.Group
		parameter j1939.Parameter
	}
	var all []candidate
	for _, g := range j1939.Groups() {
		for _, p := range g.Parameters {
			if p.HasRole && !slices.Contains(r.file.None, p.Role) {
				all = append(all, candidate{g, p})
			}
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].parameter.Order < all[j].parameter.Order })
	for _, c := range all {
		s := r.parameterSignal(c.parameter, c.parameter.Role)
		r.add(stream.Message{Name: c.group.Name, Match: stream.MatchPGN, Bus: n, ID: c.group.PGN, Extended: true, SourceAddress: -1},
			s, c.group.Name+"."+c.parameter.Name)
	}
}

// parameterSignal is the plan's form of a built-in parameter, in its own unit.
func (r *resolver) parameterSignal(p j1939.Parameter, role stream.Role) stream.Signal {
	s := stream.Signal{Name: p.Name, Role: role, Start: p.Start, Length: p.Length, Scale: p.Scale,
		Offset: p.Offset, RawMin: p.RawMin, RawMax: p.RawMax, States: p.States}
	s.PercentOfReference = p.PercentOfReference && role == stream.EngineTorque
	return s
}

// add puts a signal into the plan: into the message that is there already, or
// a new one.
func (r *resolver) add(m stream.Message, s stream.Signal, label string) {
	p := r.file.Plan
	name := s.Role.String()
	s.Source = uint8(len(p.Sources[name]))
	p.Sources[name] = append(p.Sources[name], label)
	if s.PercentOfReference && p.Facts.TorqueReferenceNm == 0 && m.Match == stream.MatchPGN {
		r.addTransport(m.Bus)
	}
	for i := range p.Messages {
		o := &p.Messages[i]
		if o.Match == m.Match && o.Bus == m.Bus && o.ID == m.ID && o.Extended == m.Extended && o.SourceAddress == m.SourceAddress {
			o.Signals = append(o.Signals, s)
			return
		}
	}
	m.Signals = []stream.Signal{s}
	p.Messages = append(p.Messages, m)
}

// addTransport maps the frames in which an engine broadcasts its reference
// torque.
func (r *resolver) addTransport(n int) {
	p := r.file.Plan
	for _, m := range p.Messages {
		if m.Match == stream.MatchPGN && m.Bus == n && m.ID == stream.TransportAnnounce {
			return
		}
	}
	p.Messages = append(p.Messages,
		stream.Message{Name: "TP.CM", Match: stream.MatchPGN, Bus: n, ID: stream.TransportAnnounce, Extended: true, SourceAddress: -1},
		stream.Message{Name: "TP.DT", Match: stream.MatchPGN, Bus: n, ID: stream.TransportData, Extended: true, SourceAddress: -1})
}

func (r *resolver) role(i int) {
	x, path := &r.roles[i], fmt.Sprintf("role[%d]", i)
	if x.Name == "" {
		r.fail(path, "role without a name: expected name = one of %s", strings.Join(roleNames(), ", "))
		return
	}
	role, ok := stream.ParseRole(x.Name)
	if !ok {
		r.fail(path+".name", "%s", unknownRole(x.Name))
		return
	}
	if slices.Contains(r.file.None, role) {
		r.fail(path+".name", "role %s is mapped, and stands in none: take one of them out", x.Name)
		return
	}
	given := 0
	for _, t := range []string{x.Signal, x.Channel, x.Answer} {
		if t != "" {
			given++
		}
	}
	if given != 1 {
		r.fail(path, "role %s: expected one of signal = \"MESSAGE.SIGNAL\", channel = \"…\" or answer = \"…\"", x.Name)
		return
	}
	n := r.busOf(path, x.Bus)
	if n < 0 {
		return
	}
	for j := range i {
		o := &r.roles[j]
		if o.Name == x.Name && o.Signal == x.Signal && o.Channel == x.Channel && o.Answer == x.Answer &&
			r.busOf(path, o.Bus) == n && sameAddress(o.SourceAddress, x.SourceAddress) {
			r.fail(path, "role %s is mapped to %s%s%s twice, first on line %d", x.Name, x.Signal, x.Channel, x.Answer,
				r.pos.keys[fmt.Sprintf("role[%d]", j)].line)
			return
		}
	}
	if len(r.file.Plan.Sources[x.Name]) >= 200 {
		r.fail(path, "role %s has more than 200 sources", x.Name)
		return
	}
	switch {
	case x.Channel != "":
		r.channelRole(x, path, role, n)
	case x.Answer != "":
		r.answerRole(x, path, role, n)
	default:
		r.signalRole(x, path, role, n)
	}
}

func sameAddress(a, b *uint8) bool {
	return a == nil && b == nil || a != nil && b != nil && *a == *b
}

// unknownRole says that there is no role of that name, and which there are.
func unknownRole(name string) string {
	return fmt.Sprintf("unknown role %q%s; the roles are %s", name, near(name, roleNames()), strings.Join(roleNames(), ", "))
}

func roleNames() []string {
	var names []string
	for r := stream.Role(0); r < stream.NumRoles; r++ {
		names = append(names, r.String())
	}
	return names
}

// signalRole maps a signal of a definition file, or of a built-in parameter
// group.
func (r *resolver) signalRole(x *role, path string, role stream.Role, n int) {
	if x.Start != nil || x.Length != nil || x.Signed || x.Scale != nil || x.Offset != nil {
		r.fail(path, "role %s: start, length, signed, scale and offset are for channels and answers; a signal has them in its definition", x.Name)
		return
	}
	message, signal, ok := strings.Cut(x.Signal, ".")
	if !ok || message == "" || signal == "" {
		r.fail(path+".signal", "signal %q: expected MESSAGE.SIGNAL", x.Signal)
		return
	}
	var candidates []string
	for _, d := range r.defs[n] {
		for _, m := range d.Messages {
			for _, s := range m.Signals {
				candidates = append(candidates, m.Name+"."+s.Name)
			}
		}
		if m := d.Message(message); m != nil {
			if s := m.Signal(signal); s != nil {
				r.definedRole(x, path, role, n, m, s)
				return
			}
		}
	}
	if r.file.Buses[n].J1939 {
		if g, p, ok := j1939.Find(x.Signal); ok {
			r.builtInRole(x, path, role, n, g, p)
			return
		}
		for _, g := range j1939.Groups() {
			for _, p := range g.Parameters {
				candidates = append(candidates, g.Name+"."+p.Name)
			}
		}
	}
	if len(candidates) == 0 {
		r.fail(path+".signal", "bus %q has no definitions: expected definitions = [\"….dbc\"] or j1939 = true in its [[bus]]", r.file.Buses[n].Name)
		return
	}
	for _, d := range r.defs[n] {
		for _, q := range d.Problems {
			if q.Lost && strings.Contains(q.Text, signal) {
				r.fail(path+".signal", "signal %s could not be used: %v", x.Signal, q)
				return
			}
		}
	}
	r.fail(path+".signal", "unknown signal %s%s", x.Signal, near(x.Signal, candidates))
}

func (r *resolver) builtInRole(x *role, path string, role stream.Role, n int, g j1939.Group, p j1939.Parameter) {
	s := r.parameterSignal(p, role)
	unit := p.Unit
	if s.PercentOfReference {
		unit = "N·m" // by the stream
	}
	m := stream.Message{Name: g.Name, Match: stream.MatchPGN, Bus: n, ID: g.PGN, Extended: true, SourceAddress: -1}
	label := g.Name + "." + p.Name
	if x.SourceAddress != nil {
		m.SourceAddress = int(*x.SourceAddress)
		label += fmt.Sprintf(" from 0x%02X", *x.SourceAddress)
	}
	if !r.meaning(x, path, &s, unit) {
		return
	}
	r.add(m, s, label)
}

func (r *resolver) definedRole(x *role, path string, role stream.Role, n int, m *dbc.Message, d *dbc.Signal) {
	s := Signal(d)
	s.Role = role
	if s.RawMin > s.RawMax {
		r.fail(path+".signal", "signal %s: the limits %g to %g in its definition leave no value that it can have", x.Signal, d.Min, d.Max)
		return
	}
	msg := stream.Message{Name: m.Name, Match: stream.MatchID, Bus: n, ID: m.ID, Extended: m.Extended, SourceAddress: -1}
	label := m.Name + "." + d.Name
	if r.file.Buses[n].J1939 && m.Extended {
		msg.Match = stream.MatchPGN
		if !d.Signed && !d.Float {
			s.RawMax = min(s.RawMax, j1939.MaxRaw(d.Length))
		}
		msg.ID, _ = stream.PGN(m.ID)
		if x.SourceAddress != nil {
			msg.SourceAddress = int(*x.SourceAddress)
			label += fmt.Sprintf(" from 0x%02X", *x.SourceAddress)
		}
	} else if x.SourceAddress != nil {
		r.fail(path+".source_address", "source_address: %s is matched by its whole identifier; expected a 29-bit identifier on a bus with j1939 = true", x.Signal)
		return
	}
	if !r.meaning(x, path, &s, d.Unit) {
		return
	}
	if o := m.Over(d); o != nil {
		r.file.Overlaps = append(r.file.Overlaps, Overlap{Role: role, Signal: m.Name + "." + d.Name, Other: o.Name})
	}
	r.add(msg, s, label)
}

// Signal is the plan's form of a defined signal, in the definition's own unit.
func Signal(d *dbc.Signal) stream.Signal {
	s := stream.Signal{Name: d.Name, Start: uint16(d.Start), Length: uint8(d.Length),
		BigEndian: d.BigEndian, Signed: d.Signed, Float: d.Float, Scale: d.Factor, Offset: d.Offset}
	for _, c := range d.Mux {
		s.Mux = append(s.Mux, stream.MuxCond{Start: uint16(c.Switch.Start), Length: uint8(c.Switch.Length),
			BigEndian: c.Switch.BigEndian, Ranges: c.Ranges})
	}
	s.RawMin, s.RawMax = rawLimits(d)
	return s
}

// rawLimits are the raw values between which a signal is a number: those whose
// physical value lies in [min|max] where the definition states limits, else
// all that fit.
func rawLimits(d *dbc.Signal) (lo, hi float64) {
	switch {
	case d.Float:
		lo, hi = -math.MaxFloat64, math.MaxFloat64
	case d.Signed:
		lo, hi = -math.Ldexp(1, d.Length-1), math.Ldexp(1, d.Length-1)-1
	default:
		lo, hi = 0, math.Ldexp(1, d.Length)-1
	}
	if !(d.Min < d.Max) {
		return lo, hi
	}
	a, b := (d.Min-d.Offset)/d.Factor, (d.Max-d.Offset)/d.Factor
	if a > b {
		a, b = b, a
	}
	if d.Float {
		return max(lo, a), min(hi, b)
	}
	// Limits are written with few digits: let a raw value stand whose
	// physical value rounds to the limit.
	return max(lo, math.Ceil(a-1e-6)), min(hi, math.Floor(b+1e-6))
}

// meaning sets the scale of numbers and the states of the others.
func (r *resolver) meaning(x *role, path string, s *stream.Signal, unit string) bool {
	if x.States != nil {
		if s.Float {
			r.fail(path+".states", "states: %s is a floating-point number", x.Signal)
			return false
		}
		s.States = r.states(x, path, s.Role)
		return s.States != nil
	}
	want := s.Role.Unit()
	if want == "" {
		return r.stateless(x, path, s)
	}
	if x.Unit != "" {
		unit = x.Unit
	}
	if strings.TrimSpace(unit) == "" {
		r.fail(path, "role %s: the definition of %s%s%s gives no unit: expected unit = one of %s", x.Name, x.Signal, x.Channel, x.Answer, understood(s.Role))
		return false
	}
	if s.Role == stream.EngineTorque && units["%"][strings.ToLower(strings.TrimSpace(unit))].scale == 1 {
		if r.file.Plan.Facts.TorqueReferenceNm == 0 {
			r.fail(path, "role %s: %s%s%s is in %% of a reference: expected torque_reference_nm = … at the top of the file", x.Name, x.Signal, x.Channel, x.Answer)
			return false
		}
		s.PercentOfReference = true
		return true
	}
	c, ok := convert(unit, s.Role)
	if !ok {
		at := path
		if x.Unit != "" {
			at += ".unit"
		}
		var names []string
		for n := range units[want] {
			names = append(names, n)
		}
		sort.Strings(names)
		r.fail(at, "role %s: unknown unit %q%s; expected unit = one of %s", x.Name, unit, near(unit, names), understood(s.Role))
		return false
	}
	s.Scale, s.Offset = s.Scale*c.scale, float64(s.Offset*c.scale)+c.offset
	return true
}

// stateless settles roles that are states and were given none: built-in
// parameters bring their own, gears are their number, switches 0 and 1.
func (r *resolver) stateless(x *role, path string, s *stream.Signal) bool {
	switch {
	case len(s.States) > 0, s.Role == stream.Gear, s.Float:
		return true
	case s.Role == stream.LockupState:
		r.fail(path, "role %s: expected states = { 0 = \"open\", … } that says which value of %s means open, partial and closed", x.Name, x.Signal)
		return false
	}
	// Brake, shifting, driver mark: anything but 0 and 1 is not known.
	s.States = map[int64]float64{0: 0, 1: 1}
	return true
}

var stateNames = map[stream.Role]map[string]float64{
	stream.LockupState:   {"open": stream.LockupOpen, "partial": stream.LockupPartial, "closed": stream.LockupClosed},
	stream.ClutchCommand: {"open": 0, "partial": 50, "closed": 100},
	stream.Gear:          {"neutral": stream.GearNeutral, "reverse": stream.GearReverse, "park": stream.GearPark, "shifting": stream.GearShifting},
	stream.Shifting:      {"off": 0, "on": 1},
	stream.Brake:         {"off": 0, "on": 1},
	stream.DriverMark:    {"off": 0, "on": 1},
}

func (r *resolver) states(x *role, path string, role stream.Role) map[int64]float64 {
	names := stateNames[role]
	if names == nil {
		r.fail(path+".states", "role %s is a number: it has no states", x.Name)
		return nil
	}
	var words []string
	for n := range names {
		words = append(words, n)
	}
	sort.Strings(words)
	var keys []string
	for k := range x.States {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	out := map[int64]float64{}
	for _, k := range keys {
		at := path + ".states." + k
		raw, err := strconv.ParseInt(k, 0, 64)
		if err != nil {
			r.fail(at, "states: %q is no raw value: expected a whole number", k)
			return nil
		}
		switch v := x.States[k].(type) {
		case string:
			w, ok := names[v]
			if !ok {
				r.fail(at, "states: unknown state %q%s; expected %s", v, near(v, words), strings.Join(words, ", "))
				return nil
			}
			out[raw] = w
		case int64:
			if role != stream.Gear || v < 1 || v > 24 {
				r.fail(at, "states: expected %s (or a gear number from 1 to 24 for the role gear)", strings.Join(words, ", "))
				return nil
			}
			out[raw] = float64(v)
		default:
			r.fail(at, "states: expected %s, or a gear number", strings.Join(words, ", "))
			return nil
		}
	}
	if len(out) == 0 {
		r.fail(path+".states", "states: expected at least one raw value")
		return nil
	}
	return out
}

// channelRole maps a channel of a source of decoded records.
func (r *resolver) channelRole(x *role, path string, role stream.Role, n int) {
	if x.Start != nil || x.Length != nil || x.Signed || x.States != nil || x.SourceAddress != nil {
		r.fail(path, "role %s: a channel takes unit, scale and offset only", x.Name)
		return
	}
	b := &r.file.Buses[n]
	at := -1
	for i, c := range b.Channels {
		if c == x.Channel {
			at = i
		}
	}
	if at < 0 {
		at = len(b.Channels)
		b.Channels = append(b.Channels, x.Channel)
	}
	s := stream.Signal{Name: x.Channel, Role: role, Length: 64, Float: true, Scale: 1, RawMin: -math.MaxFloat64, RawMax: math.MaxFloat64}
	r.linear(x, &s)
	if !r.meaning(x, path, &s, "") {
		return
	}
	r.add(stream.Message{Name: x.Channel, Match: stream.MatchReading, Bus: n, ID: uint32(at), SourceAddress: -1}, s, "channel "+x.Channel)
}

func (r *resolver) linear(x *role, s *stream.Signal) {
	if x.Scale != nil {
		s.Scale = *x.Scale
	}
	if x.Offset != nil {
		s.Offset = *x.Offset
	}
}

// answerRole maps the answer to a request.
func (r *resolver) answerRole(x *role, path string, role stream.Role, n int) {
	b := &r.file.Buses[n]
	at := -1
	var names []string
	for i, q := range b.Requests {
		names = append(names, q.Name)
		if q.Name == x.Answer {
			at = i
		}
	}
	if at < 0 {
		r.fail(path+".answer", "unknown request %q%s; expected a [[request]] of that name on bus %q", x.Answer, near(x.Answer, names), b.Name)
		return
	}
	s, unit, ok := standardAnswer(b.Requests[at].Service, b.Requests[at].Parameter)
	if x.Start != nil || x.Length != nil {
		s, unit, ok = stream.Signal{Start: 7, Length: 8, BigEndian: true, Scale: 1}, "", true
		if x.Start != nil {
			s.Start = *x.Start
		}
		if x.Length != nil {
			s.Length = *x.Length
		}
	}
	if !ok {
		r.fail(path, "role %s: parameter 0x%X of service 0x%02X is not built in: expected start, length, scale and unit that say where its value is", x.Name, b.Requests[at].Parameter, b.Requests[at].Service)
		return
	}
	s.Name, s.Role, s.Signed = x.Answer, role, s.Signed || x.Signed
	if s.RawMax == 0 && s.Length >= 1 && s.Length <= 64 {
		s.RawMin, s.RawMax = rawLimits(&dbc.Signal{Length: int(s.Length), Signed: s.Signed, Factor: 1})
	}
	r.linear(x, &s)
	if x.Unit != "" {
		unit = x.Unit
	}
	if !r.meaning(x, path, &s, unit) {
		return
	}
	b.Requests[at].serves(role)
	r.add(stream.Message{Name: x.Answer, Match: stream.MatchAnswer, Bus: n, ID: uint32(at), SourceAddress: -1}, s, "answer "+x.Answer)
}
