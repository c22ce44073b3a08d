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
		now: bus.BootNow, opened: bus.BootNow(), foreign: func() uint64 { return 0 }}
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
		s, err := openBus(file, i, b, all)
		if err != nil {
			return nil, fmt.Errorf("bus %s: %w", b.Name, err)
		}
		sources = append(sources, s)
		if b.Ask && len(b.Requests) > 0 {
			a, err := in.openAsker(i, b, s)
			if err != nil {
				return nil, fmt.Errorf("bus %s: %w", b.Name, err)
			}
			sources = append(sources, a)
		}
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

// openBus opens one bus by its source's kind.
func openBus(file *vehicle.File, index int, b vehicle.Bus, all bool) (bus.Source, error) {
	kind, device, ok := strings.Cut(b.Source, ":")
	if !ok || device == "" {
		return nil, fmt.Errorf("source %q: expected a kind and a device, such as socketcan:can0", b.Source)
	}
	n := uint8(index)
	line := bus.SerialOptions{Bus: n, Wait: true}
	switch kind {
	case "socketcan":
		opt := bus.SocketOptions{Bus: n, Wait: true}
		if !all {
			opt.Filters = filters(file.Plan, index, b)
		}
		return bus.OpenSocketCAN(device, opt)
	case "serial":
		return bus.OpenSerialCAN(device, bus.AdapterOptions{SerialOptions: line, Bitrate: uint32(b.Bitrate), Ask: b.Ask && len(b.Requests) > 0})
	case "records":
		return bus.OpenRecords(device, bus.RecordOptions{SerialOptions: line, Channels: b.Channels})
	case "accelerometer":
		return bus.OpenAccelerometer(device, bus.AccelerometerOptions{Bus: n, Channels: b.Channels, Wait: true})
	case "button":
		return bus.OpenButton(device, bus.ButtonOptions{Bus: n, Wait: true})
	}
	return nil, fmt.Errorf("source %q: expected socketcan:INTERFACE, serial:DEVICE, records:DEVICE, accelerometer:DEVICE or button:DEVICE", b.Source)
}

// minVoltage is the supply below which nothing is asked unless the vehicle file
// says otherwise, as it should with 24 V: a battery at rest below about 12 V is
// half empty (common practice, no source).
const minVoltage = 12.0

// openAsker opens what asks on a bus whose vehicle file turns requests on.
func (in *input) openAsker(index int, b vehicle.Bus, listener bus.Source) (bus.Source, error) {
	opt := bus.AskOptions{Bus: uint8(index), Codes: in.codes.answer,
		Budget:        b.Asking.PerSecond,
		MinVoltage:    cmp.Or(b.Asking.MinVoltage, minVoltage),
		EngineOff:     bus.Micros(b.Asking.EngineOffS * 1e6),
		TesterSilence: bus.Micros(b.Asking.TesterSilenceS * 1e6),
		Heard:         func() uint64 { return listener.Stats().Frames }}
	for _, r := range b.Requests {
		opt.Requests = append(opt.Requests, bus.Request{Name: r.Name, Service: r.Service, Parameter: r.Parameter,
			RequestID: r.RequestID, AnswerID: r.AnswerID, Period: bus.Micros(r.PeriodS * 1e6)})
	}
	var a *bus.Asker
	var err error
	if adapter, ok := listener.(*bus.SerialCAN); ok {
		a, err = adapter.NewAsker(opt)
	} else if iface, ok := b.CANInterface(); ok {
		a, err = bus.OpenAsker(iface, opt)
	} else {
		err = fmt.Errorf("source %q takes no requests: expected socketcan:INTERFACE or serial:DEVICE", b.Source)
	}
	if err != nil {
		return nil, err
	}
	in.asker = a
	return a, nil
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
