package dbc

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	card "go.einride.tech/can/pkg/dbc"
)

// Parse reads the text of a definition file.
func Parse(name string, data []byte) *File {
	f := &File{Name: name}
	p := &parser{file: f, messages: map[uint32]*Message{}, names: map[string]*Message{}, signals: map[signalKey]*Signal{}, attributes: map[string]string{}}
	s := scanner{text: toUTF8(data), line: 1, file: f}
	for {
		st, ok := s.next()
		if !ok {
			break
		}
		p.definition(st)
	}
	for _, m := range f.Messages {
		p.finish(m)
	}
	f.sortProblems()
	return f
}

// extendedFlag marks 29-bit identifiers in definition files.
const extendedFlag = 0x80000000

// independent is the identifier of the pseudo message that holds signals that
// belong to none.
const independent = 0xC0000000

// signalKey finds a signal, the first of its name in its message.
type signalKey struct {
	message *Message
	name    string
}

type parser struct {
	file *File
	// messages by identifier with its flag bit, names by name: the first of each.
	messages map[uint32]*Message
	names    map[string]*Message
	signals  map[signalKey]*Signal
	// attributes are the texts of the attribute definitions by name: the
	// card's parser needs the type to read a value.
	attributes map[string]string
	current    *Message // that signals belong to
	skipping   bool     // the current message was refused
}

func (p *parser) definition(st statement) {
	if st.keyword != "SG_" {
		p.current, p.skipping = nil, false
	}
	switch st.keyword {
	case "BO_":
		p.message(st)
	case "SG_":
		p.signal(st)
	case "VAL_":
		p.values(st)
	case "SIG_VALTYPE_":
		p.valueType(st)
	case "SG_MUL_VAL_":
		p.muxValues(st)
	case "CM_":
		p.comment(st)
	case "BA_DEF_":
		p.attributeDefinition(st)
	case "BA_":
		p.attribute(st)
	default:
		// The others say nothing that decoding needs.
	}
}

// library runs one definition through the card's parser.
func library(text string) (def card.Def, err error) {
	// The parser's own panics are all of its parse errors; anything else
	// that hostile text provokes in it must not take the program down.
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%v", r)
		}
	}()
	q := card.NewParser("", []byte(text))
	if e := q.Parse(); e != nil {
		return nil, refusal{e}
	}
	if len(q.Defs()) == 0 {
		return nil, fmt.Errorf("empty definition")
	}
	return q.Defs()[len(q.Defs())-1], nil
}

// refusal is an error of the card's parser; its line and column count from the
// start of the definition.
type refusal struct{ at card.Error }

func (r refusal) Error() string { return r.at.Reason() }

func (p *parser) refuse(st statement, what string, err error) {
	p.file.problem(st.pos, true, "%s left out: %v: %s", what, err, quote(strings.TrimSpace(st.text)))
}

var messageForm = regexp.MustCompile(`^BO_\s*(0[xX][0-9A-Fa-f]+|\d+)\s*([^\s:]+)\s*:\s*(\d+)\s*([^\s;,]*)(.*)$`)

func (p *parser) message(st statement) {
	p.skipping = true
	text := strings.TrimSpace(st.text)
	m := messageForm.FindStringSubmatch(text)
	if m == nil {
		p.refuse(st, "message", fmt.Errorf("expected BO_ identifier name: bytes sender"))
		return
	}
	id, err := strconv.ParseUint(m[1], 0, 33)
	if base := strings.TrimLeft(m[1], "0"); err != nil && base != "" {
		id, err = strconv.ParseUint(base, 10, 33) // leading zeros do not mean octal here
	}
	if len(m[1]) > 1 && m[1][0] == '0' && m[1][1] != 'x' && m[1][1] != 'X' {
		id, err = strconv.ParseUint(m[1], 10, 33)
	}
	if err != nil || id > math.MaxUint32 {
		p.refuse(st, "message", fmt.Errorf("identifier %s is out of range", m[1]))
		return
	}
	if id == independent {
		return
	}
	if id&extendedFlag == 0 && id > 0x7ff && id <= 0x1fffffff {
		id |= extendedFlag
		p.file.problem(st.pos, false, "identifier %s of %s has more than 11 bits and no flag bit: taken as a 29-bit identifier", m[1], m[2])
	}
	if id&0x40000000 != 0 && id&extendedFlag != 0 {
		id &^= 0x40000000
		p.file.problem(st.pos, false, "identifier %s of %s has an unknown flag bit: left out of account", m[1], m[2])
	}
	name := p.name(st, m[2])
	sender := m[4]
	canonical := fmt.Sprintf("BO_ %d %s: %s %s", id, placeholder(name), m[3], placeholder(sender))
	def, err := library(canonical)
	if err != nil {
		p.refuse(st, "message "+name, err)
		return
	}
	d, ok := def.(*card.MessageDef)
	if !ok || d.Size > 1<<16 {
		p.refuse(st, "message "+name, fmt.Errorf("a size of %s bytes", m[3]))
		return
	}
	if sender == "" {
		p.file.problem(st.pos, false, "message %s has no sender", name)
	}
	if rest := strings.TrimSpace(strings.TrimLeft(m[5], " ;,\t")); rest != "" && !strings.HasPrefix(rest, "//") {
		p.file.problem(st.pos, false, "text after message %s, passed over: %s", name, quote(rest))
	}
	msg := &Message{Pos: st.pos, Name: name, ID: uint32(id) &^ extendedFlag,
		Extended: id&extendedFlag != 0, Size: int(d.Size), Transmitter: sender}
	if old := p.messages[uint32(id)]; old != nil {
		p.file.problem(st.pos, false, "identifier %s of %s is also that of %s on line %d: both are kept", m[1], name, old.Name, old.Pos.Line)
	} else {
		p.messages[uint32(id)] = msg
	}
	if o := p.names[name]; o != nil {
		p.file.problem(st.pos, false, "message name %s was used before on line %d: a role gets the first", name, o.Pos.Line)
	} else {
		p.names[name] = msg
	}
	p.file.Messages = append(p.file.Messages, msg)
	p.current, p.skipping = msg, false
}

// name checks a name against the form that definition files prescribe; a name
// that breaks it is reported and used all the same.
func (p *parser) name(st statement, name string) string {
	if err := card.Identifier(name).Validate(); err != nil {
		p.file.problem(st.pos, false, "%v: used as it stands", err)
	}
	return name
}

// placeholder stands in for a name that the card's parser would refuse.
func placeholder(name string) string {
	if card.Identifier(name).Validate() != nil {
		return "_"
	}
	return name
}

const number = `[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?`

var (
	signalHead = regexp.MustCompile(`^SG_\s*([^\s:]+)\s*([^:]*?)\s*:`)
	signalForm = regexp.MustCompile(`^\s*(\d+)\s*\|\s*(\d+)\s*@\s*([01])\s*([-+])\s*\(\s*(` +
		number + `)\s*,\s*(` + number + `)\s*\)\s*(?:\[\s*(` + number + `)?\s*\|\s*(` + number + `)?\s*\])?\s*("(?:[^"]*)")?\s*(.*)$`)
	muxForm = regexp.MustCompile(`^(M|m(\d+)(M?))$`)
)

func (p *parser) signal(st statement) {
	if p.skipping {
		return // its message was refused or belongs to none: said once
	}
	text := strings.TrimSpace(strings.ReplaceAll(st.text, "\n", " "))
	if p.current == nil {
		p.refuse(st, "signal", fmt.Errorf("no message before it"))
		return
	}
	h := signalHead.FindStringSubmatch(text)
	if h == nil {
		p.refuse(st, "signal", fmt.Errorf("expected SG_ name : start|length@order"))
		return
	}
	s := &Signal{Pos: st.pos, Name: p.name(st, h[1])}
	what := "signal " + p.current.Name + "." + s.Name
	if err := s.multiplex(h[2]); err != nil {
		p.refuse(st, what, err)
		return
	}
	m := signalForm.FindStringSubmatch(text[len(h[0]):])
	if m == nil {
		p.stops(st, what, h[0], text)
		return
	}
	if err := p.bits(st, s, what, m); err != nil {
		p.refuse(st, what, err)
		return
	}
	key := signalKey{p.current, s.Name}
	old := p.signals[key]
	if old != nil && !(old.Multiplexed && s.Multiplexed) {
		p.file.problem(st.pos, false, "%s was defined before on line %d: a role gets the first", what, old.Pos.Line)
	}
	if old == nil {
		p.signals[key] = s
	}
	p.current.Signals = append(p.current.Signals, s)
}

// multiplex reads what stands between name and colon.
func (s *Signal) multiplex(text string) error {
	if text == "" {
		return nil
	}
	m := muxForm.FindStringSubmatch(strings.ReplaceAll(text, " ", ""))
	if m == nil {
		return fmt.Errorf("expected M, m<number> or m<number>M, found %s", quote(text))
	}
	s.Switch = m[1] == "M" || m[3] == "M"
	if m[2] != "" {
		v, err := strconv.ParseUint(m[2], 10, 64)
		if err != nil {
			return fmt.Errorf("multiplexer value %s is too large", m[2])
		}
		s.Multiplexed, s.muxValue = true, v
	}
	return nil
}

// stops refuses a signal that is not in the form; the card's parser says where it
// stops.
func (p *parser) stops(st statement, what, head, text string) {
	const stand = "SG_ S :"
	_, err := library("BO_ 0 M: 8 X\n" + stand + text[len(head):])
	if r, ok := err.(refusal); ok && r.at.Position().Line == 2 {
		st.pos.Column += len(head) + r.at.Position().Column - 1 - len(stand)
	} else {
		err = fmt.Errorf("expected start|length@order sign (factor,offset) [min|max] \"unit\" receivers")
	}
	p.refuse(st, what, err)
}

// bits takes the parts of the form: place, scale, limits, unit and receivers.
func (p *parser) bits(st statement, s *Signal, what string, m []string) error {
	if m[7] == "" && m[8] == "" {
		p.file.problem(st.pos, false, "%s has no limits", what)
	}
	for i := 7; i <= 8; i++ {
		if m[i] == "" {
			m[i] = "0"
		}
	}
	if m[9] == "" {
		// An unquoted or missing unit: what is left may be both the unit and
		// the receivers. Receivers are names; a unit need not be.
		p.file.problem(st.pos, false, "%s has no unit in quotes", what)
	}
	s.Unit = strings.Trim(m[9], `"`)
	s.Receivers = strings.FieldsFunc(strings.TrimSpace(m[10]), func(r rune) bool { return r == ',' || r == ' ' || r == '\t' || r == '\r' || r == ';' })
	if len(s.Receivers) == 0 {
		p.file.problem(st.pos, false, "%s names no receiver", what)
	}
	for i := 5; i <= 8; i++ {
		m[i] = plainNumber(m[i])
	}
	def, err := library(fmt.Sprintf("BO_ 0 M: 8 X\nSG_ S : %s|%s@%s%s (%s,%s) [%s|%s] \"\" X", m[1], m[2], m[3], m[4], m[5], m[6], m[7], m[8]))
	if err != nil {
		return err
	}
	d := def.(*card.MessageDef).Signals[0]
	if d.StartBit >= 1<<16 || d.Size < 1 || d.Size > 64 {
		return fmt.Errorf("start bit %d, length %d: expected a length of 1 to 64 bits within the frame", d.StartBit, d.Size)
	}
	s.Start, s.Length = int(d.StartBit), int(d.Size)
	s.BigEndian, s.Signed = d.IsBigEndian, d.IsSigned
	s.Factor, s.Offset, s.Min, s.Max = d.Factor, d.Offset, d.Minimum, d.Maximum
	if s.Factor == 0 {
		s.Factor = 1
		p.file.problem(st.pos, false, "%s has a factor of 0: taken as 1", what)
	}
	last := s.lastByte()
	if last >= 64 {
		return fmt.Errorf("its bits end in byte %d, beyond the 64 of the longest frame", last)
	}
	if p.current.Size > 0 && last >= p.current.Size {
		p.file.problem(st.pos, false, "%s ends in byte %d, the message has %d", what, last, p.current.Size)
	}
	return nil
}

// plainNumber takes off what the card's parser does not read: a plus sign, a
// point with nothing before it.
func plainNumber(s string) string {
	s = strings.TrimPrefix(s, "+")
	neg := strings.HasPrefix(s, "-")
	s = strings.TrimPrefix(s, "-")
	if strings.HasPrefix(s, ".") {
		s = "0" + s
	}
	if neg {
		return "-" + s
	}
	return s
}

// lastByte is the last byte that the signal touches.
func (s *Signal) lastByte() int {
	if !s.BigEndian {
		return (s.Start + s.Length - 1) / 8
	}
	inFirst := s.Start%8 + 1
	if s.Length <= inFirst {
		return s.Start / 8
	}
	return s.Start/8 + (s.Length-inFirst+7)/8
}

// find returns the message and signal that another definition speaks of. The
// identifier may lack its flag bit here too.
func (p *parser) find(id uint64, signal string) (*Message, *Signal) {
	m := p.messages[uint32(id)]
	if m == nil && id <= 0x1fffffff {
		m = p.messages[uint32(id)|extendedFlag]
	}
	if m == nil || signal == "" {
		return m, nil
	}
	return m, p.signals[signalKey{m, signal}]
}

// about looks up what a definition speaks of and reports what does not exist.
func (p *parser) about(st statement, idText, signal string) (*Message, *Signal, bool) {
	id, err := strconv.ParseUint(idText, 10, 32)
	if err != nil {
		p.refuse(st, "definition", fmt.Errorf("identifier %s is out of range", idText))
		return nil, nil, false
	}
	if id == independent {
		return nil, nil, false
	}
	m, s := p.find(id, signal)
	if m == nil {
		p.file.problem(st.pos, false, "%s speaks of message %s, which is not defined above: passed over", st.keyword, idText)
		return nil, nil, false
	}
	if signal != "" && s == nil {
		p.file.problem(st.pos, false, "%s speaks of signal %s.%s, which is not defined above: passed over", st.keyword, m.Name, signal)
		return nil, nil, false
	}
	return m, s, true
}

var (
	valueHead = regexp.MustCompile(`^VAL_\s+(?:(\d+)\s+)?([^\s"]+)`)
	valuePair = regexp.MustCompile(`^\s*(` + number + `)\s*"([^"]*)"`)
)

func (p *parser) values(st statement) {
	h := valueHead.FindStringSubmatch(st.text)
	if h == nil {
		p.refuse(st, "value descriptions", fmt.Errorf("expected VAL_ identifier signal number \"text\" … ;"))
		return
	}
	if h[1] == "" {
		return // of an environment variable
	}
	_, s, ok := p.about(st, h[1], h[2])
	if !ok {
		return
	}
	// A whole definition in good form goes through the card's parser.
	rest := st.text[len(h[0]):]
	if def, err := library(fmt.Sprintf("VAL_ 0 S%s", rest)); err == nil {
		if d, ok := def.(*card.ValueDescriptionsDef); ok {
			for _, v := range d.ValueDescriptions {
				s.Values = append(s.Values, Value{clampRaw(v.Value), v.Description})
			}
			return
		}
	}
	for {
		m := valuePair.FindStringSubmatch(rest)
		if m == nil {
			break
		}
		v, _ := strconv.ParseFloat(m[1], 64)
		s.Values = append(s.Values, Value{clampRaw(v), strings.ReplaceAll(m[2], "\n", " ")})
		rest = rest[len(m[0]):]
	}
	rest = strings.TrimSpace(rest)
	switch rest {
	case ";":
	case "":
		p.file.problem(st.pos, false, "value descriptions of %s lack their semicolon", s.Name)
	default:
		p.file.problem(st.pos, true, "value descriptions of %s are used up to %s", s.Name, quote(rest))
	}
}

func clampRaw(v float64) int64 {
	if v >= math.MaxInt64 {
		return math.MaxInt64
	}
	if v <= math.MinInt64 {
		return math.MinInt64
	}
	return int64(v)
}

var valueTypeForm = regexp.MustCompile(`^SIG_VALTYPE_\s+(\d+)\s+([^\s:;]+)\s*:?\s*(\d+)\s*;?`)

func (p *parser) valueType(st statement) {
	m := valueTypeForm.FindStringSubmatch(st.text)
	if m == nil {
		p.refuse(st, "value type", fmt.Errorf("expected SIG_VALTYPE_ identifier signal : 0, 1 or 2 ;"))
		return
	}
	msg, s, ok := p.about(st, m[1], m[2])
	if !ok {
		return
	}
	def, err := library(fmt.Sprintf("SIG_VALTYPE_ 0 S : %s;", m[3]))
	if err != nil {
		p.lose(msg, s, st, err.Error())
		return
	}
	switch d := def.(*card.SignalValueTypeDef); {
	case d.SignalValueType == card.SignalValueTypeInt:
	case d.SignalValueType == card.SignalValueTypeFloat32 && s.Length == 32,
		d.SignalValueType == card.SignalValueTypeFloat64 && s.Length == 64:
		s.Float, s.Signed = true, false
	default:
		p.lose(msg, s, st, fmt.Sprintf("value type %s is a floating-point number of another length than the signal's %d bits", m[3], s.Length))
	}
}

// lose takes a signal out: what it means is not known.
func (p *parser) lose(m *Message, s *Signal, st statement, why string) {
	s.lost = true
	delete(p.signals, signalKey{m, s.Name})
	p.file.problem(st.pos, true, "signal %s.%s left out: %s", m.Name, s.Name, why)
}

var (
	muxHead  = regexp.MustCompile(`^SG_MUL_VAL_\s+(\d+)\s+(\S+)\s+(\S+)\s+([^;]*);?`)
	muxRange = regexp.MustCompile(`^(\d+)\s*-\s*(\d+)$`)
)

func (p *parser) muxValues(st statement) {
	h := muxHead.FindStringSubmatch(st.text)
	if h == nil {
		p.refuse(st, "multiplexer ranges", fmt.Errorf("expected SG_MUL_VAL_ identifier signal switch from-to, … ;"))
		return
	}
	msg, s, ok := p.about(st, h[1], h[2])
	if !ok {
		return
	}
	var ranges [][2]uint64
	for _, part := range strings.Split(h[4], ",") {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		m := muxRange.FindStringSubmatch(part)
		var a, b uint64
		var err error
		if m != nil {
			a, err = strconv.ParseUint(m[1], 10, 64)
			if err == nil {
				b, err = strconv.ParseUint(m[2], 10, 64)
			}
		}
		if m == nil || err != nil || b < a {
			p.lose(msg, s, st, "multiplexer range "+quote(part)+": expected from-to")
			return
		}
		ranges = append(ranges, [2]uint64{a, b})
	}
	if len(ranges) == 0 {
		p.lose(msg, s, st, "no multiplexer range")
		return
	}
	s.muxBy, s.Multiplexed = h[3], true
	s.ranges = append(s.ranges, ranges...)
}

var commentForm = regexp.MustCompile(`(?s)^CM_\s*(?:(BO_|SG_)\s+(\d+)\s+)?([^\s"]*)\s*"(.*)$`)

func (p *parser) comment(st statement) {
	m := commentForm.FindStringSubmatch(st.text)
	if m == nil || m[1] == "" {
		return // of the file, a node or an environment variable
	}
	text := strings.TrimRight(m[4], " \t\r\n;")
	text = strings.Join(strings.Fields(strings.TrimSuffix(text, `"`)), " ")
	switch m[1] {
	case "BO_":
		if msg, _, ok := p.about(st, m[2], ""); ok {
			msg.Comment = text
		}
	case "SG_":
		if _, s, ok := p.about(st, m[2], m[3]); ok && s != nil {
			s.Comment = text
		}
	}
}

var attributeName = regexp.MustCompile(`^BA_DEF_\s+(?:(?:BU_|BO_|SG_|EV_)\s+)?"([^"]*)"`)

func (p *parser) attributeDefinition(st statement) {
	if m := attributeName.FindStringSubmatch(st.text); m != nil {
		p.attributes[m[1]] = st.text
	}
}

var attributeForm = regexp.MustCompile(`(?s)^BA_\s+"([^"]*)"\s*BO_\s*(\d+)\s*(.*?)\s*;?\s*$`)

// attribute keeps the attributes of messages.
func (p *parser) attribute(st statement) {
	m := attributeForm.FindStringSubmatch(st.text)
	if m == nil {
		return
	}
	msg, _, ok := p.about(st, m[2], "")
	if !ok {
		return
	}
	if msg.Attributes == nil {
		msg.Attributes = map[string]string{}
	}
	value := m[3]
	if d, known := p.attributes[m[1]]; known {
		if def, err := library(d + "\nBA_ \"" + m[1] + "\" BO_ 0 " + value + ";"); err == nil {
			if a, ok := def.(*card.AttributeValueForObjectDef); ok && a.StringValue != "" {
				value = a.StringValue
			}
		} else if !strings.HasPrefix(value, `"`) {
			p.file.problem(st.pos, false, "the value of attribute %s of %s has no quotes", m[1], msg.Name)
		}
	}
	msg.Attributes[m[1]] = strings.Trim(value, `"`)
}

// finish works out which multiplexer conditions each signal has.
func (p *parser) finish(m *Message) {
	var main *Signal
	for _, s := range m.Signals {
		if s.Switch && !s.Multiplexed && !s.lost {
			if main != nil {
				p.file.problem(s.Pos, false, "message %s has two multiplexer switches, %s and %s: signals without a stated switch go by the first", m.Name, main.Name, s.Name)
				continue
			}
			main = s
		}
	}
	kept := m.Signals[:0:0]
	for _, s := range m.Signals {
		if s.lost {
			continue
		}
		if err := p.resolveMux(m, main, s); err != nil {
			p.file.problem(s.Pos, true, "signal %s.%s left out: %v", m.Name, s.Name, err)
			continue
		}
		kept = append(kept, s)
	}
	m.Signals = kept
}

// maxSwitches is how deep switches may be nested; definition files in use have
// two or three (common practice, no source).
const maxSwitches = 16

// resolveMux follows a signal's switches up to the first that is always there.
func (p *parser) resolveMux(m *Message, main, s *Signal) error {
	s.Mux = nil
	for x, n := s, 0; x.Multiplexed; n++ {
		if n > maxSwitches {
			return fmt.Errorf("its multiplexer switches go in a circle, or are nested more than %d deep", maxSwitches)
		}
		by, ranges := main, x.ranges
		if x.muxBy != "" {
			if by = p.signals[signalKey{m, x.muxBy}]; by == nil {
				return fmt.Errorf("its multiplexer switch %s does not exist", x.muxBy)
			}
		}
		if by == nil {
			return fmt.Errorf("it is multiplexed and message %s has no switch", m.Name)
		}
		if len(ranges) == 0 {
			ranges = [][2]uint64{{x.muxValue, x.muxValue}}
		}
		s.Mux = append(s.Mux, Condition{by, ranges})
		x = by
	}
	return nil
}
