package vehicle

import (
	"fmt"

	"joltwatch/bus"
	"joltwatch/stream"
)

// standardParameter is one parameter of service 01 that serves a role.
type standardParameter struct {
	pid    uint16
	role   stream.Role
	size   int // data bytes of the answer
	signal stream.Signal
	unit   string
	// instead: of the parameters with one such word the first that the vehicle
	// supports is asked.
	instead string
}

// pidTorqueReference tells the torque that percents are of.
const pidTorqueReference = 0x63

// standardParameters are those of SAE J1979 / ISO 15031-5, service 01, that are
// roles, in order of preference; the first data byte is byte A. The dissector
// of the tests has all but 0xA4, which is from memory of SAE J1979-DA: bit 0 of A
// says that the gear is there, the upper half of B is its number; 0 is taken for
// no number, as neutral cannot be told from it. A pedal relative to its own rest
// comes before absolute ones, which rest at 10 to 20 % (common practice, no
// source), and those before the throttle.
func standardParameters() []standardParameter {
	one := stream.Signal{Start: 7, Length: 8, BigEndian: true, RawMax: 255}
	two := stream.Signal{Start: 7, Length: 16, BigEndian: true, RawMax: 65535}
	of := func(s stream.Signal, scale, offset float64) stream.Signal {
		s.Scale, s.Offset = scale, offset
		return s
	}
	percent := of(one, 100.0/255, 0)
	torque := of(one, 1, -125)
	torque.PercentOfReference = true
	gear := stream.Signal{Start: 15, Length: 4, BigEndian: true, Scale: 1, RawMin: 1, RawMax: 14,
		Mux: []stream.MuxCond{{Start: 0, Length: 1, BigEndian: true, Ranges: [][2]uint64{{1, 1}}}}}
	return []standardParameter{
		{pid: 0x0C, role: stream.EngineSpeed, size: 2, signal: of(two, 0.25, 0), unit: "rpm"},
		{pid: 0x0D, role: stream.VehicleSpeed, size: 1, signal: of(one, 1, 0), unit: "km/h"},
		{pid: 0x5A, role: stream.Accelerator, size: 1, signal: percent, unit: "%", instead: "pedal"},
		{pid: 0x49, role: stream.Accelerator, size: 1, signal: percent, unit: "%", instead: "pedal"},
		{pid: 0x4A, role: stream.Accelerator, size: 1, signal: percent, unit: "%", instead: "pedal"},
		{pid: 0x4B, role: stream.Accelerator, size: 1, signal: percent, unit: "%", instead: "pedal"},
		{pid: 0x45, role: stream.Accelerator, size: 1, signal: percent, unit: "%", instead: "pedal"},
		{pid: 0x11, role: stream.Accelerator, size: 1, signal: percent, unit: "%", instead: "pedal"},
		{pid: 0x47, role: stream.Accelerator, size: 1, signal: percent, unit: "%", instead: "pedal"},
		{pid: 0x62, role: stream.EngineTorque, size: 1, signal: torque, unit: "%"},
		{pid: 0xA4, role: stream.Gear, size: 4, signal: gear},
		{pid: 0x42, role: stream.SupplyVoltage, size: 2, signal: of(two, 0.001, 0), unit: "V"},
	}
}

// standardAnswer is the layout of a parameter that is built in.
func standardAnswer(service uint8, parameter uint16) (s stream.Signal, unit string, ok bool) {
	for _, p := range standardParameters() {
		if service == 1 && p.pid == parameter {
			return p.signal, p.unit, true
		}
	}
	return stream.Signal{}, "", false
}

// standardSize is the number of data bytes in an answer, 0 where not known.
func standardSize(service uint8, parameter uint16) int {
	if service == 1 && parameter == pidTorqueReference {
		return 2
	}
	for _, p := range standardParameters() {
		if service == 1 && p.pid == parameter {
			return p.size
		}
	}
	return 0
}

// serves notes a role that the request's answer serves.
func (q *Request) serves(r stream.Role) {
	u := bus.Driving
	switch r {
	case stream.EngineSpeed, stream.TurbineSpeed, stream.OutputSpeed, stream.VehicleSpeed,
		stream.ClutchPressureCommand, stream.ClutchPressure, stream.ClutchCommand, stream.LockupState, stream.SlipCommand, stream.SlipReported:
		u = bus.Coupling
	case stream.FluidTemperature, stream.SupplyVoltage, stream.Grade:
		u = bus.Slow
	}
	if u == bus.Coupling || q.Urgency != bus.Coupling {
		q.Urgency = u
	}
	q.Wakes = q.Wakes || r == stream.EngineSpeed || r == stream.SupplyVoltage
}

// standard adds the standard's requests and the roles they serve to a bus, after
// what the file itself states.
func (r *resolver) standard(n int) {
	b := &r.file.Buses[n]
	asked := func(pid uint16) bool {
		for _, q := range b.Requests {
			if q.Service == 1 && q.Parameter == pid {
				return true
			}
		}
		return false
	}
	torque := false
	for _, p := range standardParameters() {
		if asked(p.pid) {
			continue // by a request of the user's own
		}
		q := Request{Name: fmt.Sprintf("%s (parameter %02X)", p.role, p.pid), Bus: b.Name, Service: 1, Parameter: p.pid, Size: p.size,
			Urgency: bus.Driving, Standard: true, Instead: p.instead}
		q.serves(p.role)
		b.Requests = append(b.Requests, q)
		s := p.signal
		s.Name, s.Role = q.Name, p.role
		torque = torque || s.PercentOfReference
		r.add(stream.Message{Name: q.Name, Match: stream.MatchAnswer, Bus: n, ID: uint32(len(b.Requests) - 1), SourceAddress: -1}, s, q.Name)
	}
	if !torque || r.file.Plan.Facts.TorqueReferenceNm != 0 || asked(pidTorqueReference) {
		return
	}
	b.Requests = append(b.Requests, Request{Name: fmt.Sprintf("torque reference (parameter %02X)", pidTorqueReference), Bus: b.Name,
		Service: 1, Parameter: pidTorqueReference, Size: 2, PeriodS: 60, Urgency: bus.Slow, Standard: true})
	r.file.Plan.Messages = append(r.file.Plan.Messages, stream.Message{Name: "torque reference", Match: stream.MatchAnswer, Bus: n,
		ID: uint32(len(b.Requests) - 1), SourceAddress: -1, TorqueReference: true})
}
