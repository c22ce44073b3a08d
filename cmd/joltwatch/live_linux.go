package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"joltwatch/bus"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// openLive opens the vehicle file's buses as one source. Devices that are
// missing for now are waited for: the gap is on file.
func openLive(h *host, file *vehicle.File) (*input, error) {
	boot, err := bootID()
	if err != nil {
		return nil, err
	}
	var sources []bus.Source
	for i, b := range file.Buses {
		if b.Source == "" {
			h.log.Warn().Str("bus", b.Name).Msg("the vehicle file gives this bus no source; nothing will be heard from it")
			continue
		}
		s, err := openBus(file, i, b)
		if err != nil {
			for _, o := range sources {
				o.Close() //nolint:errcheck // the first error is the one to tell
			}
			return nil, fmt.Errorf("bus %s: %w", b.Name, err)
		}
		sources = append(sources, s)
	}
	if len(sources) == 0 {
		return nil, fmt.Errorf("%s: no bus has a source; give one (source = \"socketcan:can0\"), or replay a recording with --from", file.Path)
	}
	src := sources[0]
	if len(sources) > 1 {
		src = bus.Merge(sources, bus.MergeOptions{Now: bus.BootNow})
	}
	return &input{source: src, name: "the vehicle's buses", boot: boot, live: true,
		now: bus.BootNow, opened: bus.BootNow(), foreign: func() uint64 { return 0 }}, nil
}

// openBus opens one bus by its source's kind.
func openBus(file *vehicle.File, index int, b vehicle.Bus) (bus.Source, error) {
	kind, device, ok := strings.Cut(b.Source, ":")
	if !ok || device == "" {
		return nil, fmt.Errorf("source %q: expected a kind and a device, such as socketcan:can0", b.Source)
	}
	switch kind {
	case "socketcan":
		return bus.OpenSocketCAN(device, bus.SocketOptions{Bus: uint8(index), Filters: filters(file.Plan, index, b), Wait: true})
	case "serial":
		return bus.OpenSerialCAN(device, bus.AdapterOptions{
			SerialOptions: bus.SerialOptions{Bus: uint8(index), Wait: true}, Bitrate: uint32(b.Bitrate)})
	case "records":
		return bus.OpenRecords(device, bus.RecordOptions{
			SerialOptions: bus.SerialOptions{Bus: uint8(index), Wait: true}, Channels: b.Channels})
	}
	return nil, fmt.Errorf("source %q: expected socketcan:INTERFACE, serial:DEVICE or records:DEVICE", b.Source)
}

// filters lists the identifiers that the plan wants of one bus.
func filters(plan *stream.Plan, index int, b vehicle.Bus) []bus.Filter {
	var out []bus.Filter
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
