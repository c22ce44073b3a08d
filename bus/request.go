package bus

import "fmt"

// Request is a value that a controller gives only when asked.
type Request struct {
	Name string
	// Service is 0x01 (SAE J1979, current data) or 0x22 (ISO 14229, read data
	// by identifier); no other can be asked for. Parameter is the PID or the
	// data identifier.
	Service   uint8
	Parameter uint16
	// RequestID and AnswerID are CAN identifiers; over 0x7FF they have 29
	// bits. 0 means 0x7E0 and the request's plus 8 (ISO 15765-4).
	RequestID, AnswerID uint32
	// Period is the time between two requests while nothing is urgent, 0 for
	// the urgency's own.
	Period Micros
	// Urgency says what waits for what.
	Urgency Urgency
	// Wakes marks a value that ends a silence: engine speed, supply voltage.
	Wakes bool
	// Size is the number of data bytes in the answer, 0 where it is not
	// known: it is then learned from an answer that holds nothing else.
	Size int
	// Standard requests are asked only of a controller that says it supports
	// them, in the bitmaps of SAE J1979 / ISO 15031-5 (or, by service 0x22,
	// ISO 27145); their identifiers are found with it.
	Standard bool
	// Instead names a group of standard requests of which only the first that
	// is supported is asked; empty for none.
	Instead string
}

// Urgency orders requests.
type Urgency uint8

const (
	// Coupling is what tells whether the clutch is closed: the speeds and the
	// command. It gets the whole budget while the vehicle slows or climbs.
	Coupling Urgency = iota
	// Driving is pedal, torque, gear and the like.
	Driving
	// Slow is temperature and voltage, which wait.
	Slow
)

// period is the time between two requests of that urgency where nothing else
// is stated.
func (u Urgency) period() Micros {
	switch u {
	case Driving:
		return 500_000
	case Slow:
		return 5 * Second
	}
	return 200_000
}

const (
	serviceCurrent = 0x01 // SAE J1979
	serviceStored  = 0x03
	servicePending = 0x07
	serviceRead    = 0x22 // ISO 14229-1 ReadDataByIdentifier
	negative       = 0x7F
	positive       = 0x40 // added to the service in a positive answer

	// functional addresses everybody (ISO 15765-4).
	functional11 = 0x7DF
	functional29 = 0x18DB33F1

	// Parameters in one request: SAE J1979 allows six in service 01; three
	// identifiers of service 22 fill a single frame.
	mostCurrent = 6
	mostRead    = 3
)

// encodeRequest gives the payload of a request. These four services read and
// change nothing; there is no way to encode another.
func encodeRequest(service uint8, parameters ...uint16) ([]byte, error) {
	b := []byte{service}
	switch service {
	case serviceCurrent:
		for _, p := range parameters {
			if p > 0xFF {
				return nil, fmt.Errorf("service 0x01 has parameters of one byte; 0x%X is not one", p)
			}
			b = append(b, byte(p))
		}
	case serviceRead:
		for _, p := range parameters {
			b = append(b, byte(p>>8), byte(p))
		}
	case serviceStored, servicePending:
	default:
		return nil, fmt.Errorf("service 0x%02X cannot be asked for; expected 0x01 or 0x22, which only read", service)
	}
	if len(b) > 7 {
		return nil, fmt.Errorf("%d parameters do not fit a request", len(parameters))
	}
	return b, nil
}

// addresses fills in the standard's identifiers.
func addresses(r Request) (to, from uint32) {
	to, from = r.RequestID, r.AnswerID
	if to == 0 {
		to = 0x7E0
	}
	if from == 0 {
		from = AnswerTo(to)
	}
	return to, from
}

// AnswerTo is the identifier with which a controller answers one request
// identifier by ISO 15765-4: the request's plus 8, 0x7E8 (the engine) to
// everybody's 0x7DF, and 0x18DAF1xx to 0x18DAxxF1.
func AnswerTo(request uint32) uint32 {
	switch {
	case request == functional11:
		return 0x7E8
	case request&^0xFF00 == 0x18DA00F1:
		return 0x18DAF100 | request>>8&0xFF
	case request == functional29:
		return 0x18DAF110
	}
	return request + 8
}

// requestTo is the identifier that reaches the controller which answers with
// from, and nobody else (ISO 15765-4); ok is false where the standard has none.
func requestTo(from uint32) (to uint32, ok bool) {
	switch {
	case from >= 0x7E8 && from <= 0x7EF:
		return from - 8, true
	case from&^0xFF == 0x18DAF100:
		return 0x18DA00F1 | from&0xFF<<8, true
	}
	return 0, false
}

func isFunctional(to uint32) bool { return to == functional11 || to == functional29 }
