package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// openLive opens the vehicle file's buses as one source. Devices that are
// missing for now are waited for: the gap is on file. With all, frames that no
// role and no trouble code needs are handed out too.
func openLive(h *host, file *vehicle.File, all bool) (_ *input, err error) {
	boot, err := bootID()
	if err != nil {
		return nil, err
	}
	in := &input{name: "the vehicle's buses", boot: boot, live: true,
		now: bus.BootNow, opened: bus.BootNow(),
		asking: asking{outputPerKmh: cmp.Or(file.Plan.Facts.OutputPerKmh, usualOutputPerKmh)}}
	var sources []bus.Source
	defer func() {
		if err != nil {
			for _, s := range sources {
				s.Close() //nolint:errcheck // the first error is the one to tell
			}
		}
	}()
	for i, b := range file.Buses {
		if b.Source == "" {
			h.log.Warn().Str("bus", b.Name).Msg("the vehicle file gives this bus no source; nothing will be heard from it")
			continue
		}
		opened, err := in.openBus(file, i, all)
		if err != nil {
			return nil, fmt.Errorf("bus %s: %w", b.Name, err)
		}
		sources = append(sources, opened...)
	}
	if len(sources) == 0 {
		return nil, fmt.Errorf("%s: no bus has a source; give one (source = \"socketcan:can0\"), or replay a recording with --from", file.Path)
	}
	if path := markPath(); path != "" {
		m, err := bus.ListenMarks(path, 0, bus.BootNow)
		if err != nil {
			h.log.Warn().Err(err).Msg("joltwatch mark will not reach this stay")
		} else {
			sources = append(sources, m)
		}
	}
	// Also a single one: merging reads ahead, so that a slow disk loses
	// nothing.
	in.source = bus.Merge(sources, bus.MergeOptions{Now: bus.BootNow})
	return in, nil
}

// opener opens a bus of one kind of source.
type opener func(in *input, device string, b *busToOpen) ([]bus.Source, error)

// busToOpen is a bus of the vehicle file, with what it is opened for.
type busToOpen struct {
	vehicle.Bus
	n    uint8
	file *vehicle.File
	all  bool // also what nothing is mapped to
}

// openers has one for each of bus.SourceKinds.
var openers = map[string]opener{
	"socketcan":     openSocketCAN,
	"serial":        openSerial,
	"interpreter":   openInterpreter,
	"records":       openRecords,
	"accelerometer": openAccelerometer,
	"button":        openButton,
}

// openBus opens one bus by its source's kind.
func (in *input) openBus(file *vehicle.File, index int, all bool) ([]bus.Source, error) {
	b := &busToOpen{Bus: file.Buses[index], n: uint8(index), file: file, all: all}
	kind, device, ok := bus.FindSourceKind(b.Source)
	if !ok {
		return nil, fmt.Errorf("source %q: expected %s", b.Source, bus.SourceKindsText(0))
	}
	return openers[kind.Name](in, device, b)
}

func one(s bus.Source, err error) ([]bus.Source, error) {
	if err != nil {
		return nil, err
	}
	return []bus.Source{s}, nil
}

func (b *busToOpen) line() bus.SerialOptions { return bus.SerialOptions{Bus: b.n, Wait: true} }

func openSocketCAN(in *input, device string, b *busToOpen) ([]bus.Source, error) {
	opt := bus.SocketOptions{Bus: b.n, Wait: true, ListenOnly: !b.Ask && !b.MayAcknowledge}
	if !b.all {
		opt.Filters = filters(b.file.Plan, int(b.n), b.Bus)
	}
	s, err := bus.OpenSocketCAN(device, opt)
	if err != nil {
		return nil, err
	}
	return in.withAsker(b, s, func(ask bus.AskOptions) (*bus.Asker, error) { return bus.OpenAsker(device, ask) })
}

func openSerial(in *input, device string, b *busToOpen) ([]bus.Source, error) {
	s, err := bus.OpenSerialCAN(device, bus.AdapterOptions{SerialOptions: b.line(), Bitrate: uint32(b.Bitrate), Ask: b.asks(), MayAcknowledge: b.MayAcknowledge})
	if err != nil {
		return nil, err
	}
	return in.withAsker(b, s, s.NewAsker)
}

func openInterpreter(in *input, device string, b *busToOpen) ([]bus.Source, error) {
	opt := bus.InterpreterOptions{SerialOptions: b.line(), Bitrate: uint32(b.Bitrate), MayAcknowledge: b.MayAcknowledge}
	if !b.Ask {
		opt.Filters = filters(b.file.Plan, int(b.n), b.Bus)
		extended := 0
		for _, f := range opt.Filters {
			if f.Extended {
				extended++
			}
		}
		opt.Extended = 2*extended > len(opt.Filters)
		return one(bus.OpenInterpreterMonitor(device, opt))
	}
	if !b.asks() {
		return nil, errors.New("ask = true, and no [[request]] says for what: expected one, or standard = true")
	}
	a, err := bus.OpenInterpreter(device, opt, in.askOptions(b))
	if err != nil {
		return nil, err
	}
	in.asking.buses = append(in.asking.buses, &askedBus{asker: a, name: b.Name})
	return []bus.Source{a}, nil
}

func openRecords(_ *input, device string, b *busToOpen) ([]bus.Source, error) {
	return one(bus.OpenRecords(device, bus.RecordOptions{SerialOptions: b.line(), Channels: b.Channels}))
}

func openAccelerometer(_ *input, device string, b *busToOpen) ([]bus.Source, error) {
	return one(bus.OpenAccelerometer(device, bus.AccelerometerOptions{Bus: b.n, Channels: b.Channels, Wait: true}))
}

func openButton(_ *input, device string, b *busToOpen) ([]bus.Source, error) {
	return one(bus.OpenButton(device, bus.ButtonOptions{Bus: b.n, Wait: true}))
}

// minVoltage is the supply below which nothing is asked unless the vehicle file
// says otherwise, as it should with 24 V: a battery at rest below about 12 V is
// half empty (common practice, no source).
const minVoltage = 12.0

func (b *busToOpen) asks() bool { return b.Ask && len(b.Requests) > 0 }

// withAsker adds what asks to a source, where the vehicle file turns requests
// on.
func (in *input) withAsker(b *busToOpen, s bus.Source, open func(bus.AskOptions) (*bus.Asker, error)) ([]bus.Source, error) {
	if !b.asks() {
		return []bus.Source{s}, nil
	}
	opt := in.askOptions(b)
	opt.Heard = func() uint64 { return s.Stats().Frames }
	a, err := open(opt)
	if err != nil {
		s.Close() //nolint:errcheck // the first error is the one to tell
		return nil, err
	}
	in.asking.buses = append(in.asking.buses, &askedBus{asker: a, name: b.Name})
	return []bus.Source{s, a}, nil
}

func (in *input) askOptions(b *busToOpen) bus.AskOptions {
	opt := bus.AskOptions{Bus: b.n, Codes: in.codes.answer, Mean: b.Asking.PerSecond, Burst: b.Asking.BurstPerSecond,
		MinVoltage:    cmp.Or(b.Asking.MinVoltage, minVoltage),
		EngineOff:     bus.Micros(b.Asking.EngineOffS * 1e6),
		TesterSilence: bus.Micros(b.Asking.TesterSilenceS * 1e6)}
	for _, r := range b.Requests {
		opt.Requests = append(opt.Requests, bus.Request{Name: r.Name, Service: r.Service, Parameter: r.Parameter,
			RequestID: r.RequestID, AnswerID: r.AnswerID, Period: bus.Micros(r.PeriodS * 1e6),
			Urgency: r.Urgency, Wakes: r.Wakes, Size: r.Size, Standard: r.Standard, Instead: r.Instead})
	}
	return opt
}

// markPath is where a running stay takes the driver's marks: in the folder that
// systemd gives the service, or the user's own run-time folder.
func markPath() string {
	if dir := os.Getenv("RUNTIME_DIRECTORY"); dir != "" {
		return filepath.Join(dir, "mark")
	}
	if dir := os.Getenv("XDG_RUNTIME_DIR"); dir != "" {
		return filepath.Join(dir, "joltwatch-mark")
	}
	return ""
}

// filters lists the identifiers that the plan wants of one bus.
func filters(plan *stream.Plan, index int, b vehicle.Bus) []bus.Filter {
	var out []bus.Filter
	if b.J1939 {
		out = append(out, bus.J1939CodeFilters()...)
	}
	for _, m := range plan.Messages {
		if m.Bus >= 0 && m.Bus != index {
			continue
		}
		switch m.Match {
		case stream.MatchID:
			mask := uint32(0x7FF)
			if m.Extended {
				mask = 0x1FFFFFFF
			}
			out = append(out, bus.Filter{ID: m.ID, Mask: mask, Extended: m.Extended})
		case stream.MatchPGN:
			// The priority (3 bits) and, where any will do, the source
			// address do not count (SAE J1939-21).
			mask := uint32(0x03FFFF00)
			id := m.ID << 8
			if m.SourceAddress >= 0 {
				mask |= 0xFF
				id |= uint32(m.SourceAddress)
			}
			out = append(out, bus.Filter{ID: id, Mask: mask, Extended: true})
		}
	}
	return out
}

// bootID is the kernel's identifier of this boot: the time line that live
// instants belong to.
func bootID() (string, error) {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "", err
	}
	id := strings.TrimSpace(string(b))
	if id == "" {
		return "", errors.New("the kernel gives no boot identifier")
	}
	return id, nil
}
