package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"joltwatch/bus"
	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/vehicle"
)

// loadVehicle reads the vehicle file, or makes one of the columns that --columns
// gives to the roles of a table.
func loadVehicle(path, columns, from string, settings *detect.Settings) (*vehicle.File, error) {
	switch {
	case columns == "" && path == "":
		return nil, fmt.Errorf("expected --vehicle FILE, or --columns with --from TABLE")
	case columns == "":
		return vehicle.Load(path, settings)
	case path != "":
		return nil, fmt.Errorf("--columns stands in place of --vehicle; in a vehicle file, [table] and channel = \"HEADING\" say the same")
	case from == "" || from == "-":
		return nil, fmt.Errorf("--columns needs --from TABLE, a file")
	}
	text, err := columnsFile(columns, from)
	if err != nil {
		return nil, err
	}
	return vehicle.Parse("--columns", []byte(text), settings)
}

// load reads the vehicle file; where there is none, it makes one of the columns of
// the table that --from names, and shows it.
func (c *checkCmd) load(h *host, settings *detect.Settings) (*vehicle.File, []columnReport, error) {
	if c.Vehicle != "" {
		file, err := vehicle.Load(c.Vehicle, settings)
		return file, nil, err
	}
	if c.From == "" || c.From == "-" {
		return nil, nil, fmt.Errorf("expected --vehicle FILE, or --from TABLE, a file of decoded values in columns")
	}
	found, err := proposeColumns(c.From)
	if err != nil {
		return nil, nil, err
	}
	if !c.JSON {
		found.print(h.stdout, c.From)
	}
	file, err := vehicle.Parse("proposed", []byte(found.vehicleFile(c.From)), settings)
	return file, found.list, err
}

// columnsFile is the vehicle file that --columns stands for: "found", or
// ROLE=HEADING, a comma apart, where a comma in a heading is doubled.
func columnsFile(columns, from string) (string, error) {
	if columns == "found" {
		found, err := proposeColumns(from)
		if err != nil {
			return "", err
		}
		return found.vehicleFile(from), nil
	}
	src, err := bus.OpenTable(from, bus.TableOptions{})
	if err != nil {
		return "", err
	}
	defer src.Close()
	var b strings.Builder
	fmt.Fprintf(&b, "label = %q\n[table]\n", filepath.Base(from))
	var roles strings.Builder
	for _, pair := range strings.Split(strings.ReplaceAll(columns, ",,", "\x00"), ",") {
		role, heading, ok := strings.Cut(strings.ReplaceAll(pair, "\x00", ","), "=")
		role, heading = strings.TrimSpace(role), strings.TrimSpace(heading)
		if !ok || role == "" || heading == "" {
			return "", fmt.Errorf("--columns: %q; expected ROLE=HEADING, a comma apart, as in engine_speed=Drehzahl,vehicle_speed=Geschwindigkeit, or found", pair)
		}
		if role == "time" {
			fmt.Fprintf(&b, "time = %q\n", heading)
			continue
		}
		fmt.Fprintf(&roles, "[[role]]\nname = %q\nchannel = %q\n", role, heading)
		unit, err := unitOf(src.Head(), role, heading)
		if err != nil {
			return "", fmt.Errorf("%s: %w", from, err)
		}
		roles.WriteString(unit)
	}
	return b.String() + roles.String(), nil
}

// unitOf is the line that states a column's unit, where its role has one.
func unitOf(h *bus.TableHead, role, heading string) (string, error) {
	i, err := h.Column(heading)
	if err != nil {
		return "", err
	}
	r, ok := stream.ParseRole(role)
	if !ok || r.Unit() == "" {
		return "", nil
	}
	return fmt.Sprintf("unit = %q\n", unitOr(h.Columns[i].Unit, r)), nil
}

// openTable opens the table that --from names for the vehicle file's [table].
func openTable(h *host, file *vehicle.File, from string) (*input, error) {
	channels, at, _ := file.TableChannels()
	src, err := bus.OpenTable(from, bus.TableOptions{
		Channels: channels, Time: file.Table.Time, TimeUnit: file.Table.TimeUnit, Bus: uint8(at),
		Report: func(line int, reason string) {
			h.log.Warn().Int("line", line).Str("file", from).Msg(reason)
		},
	})
	if err != nil {
		return nil, err
	}
	return withBoot(&input{source: src, name: from})
}
