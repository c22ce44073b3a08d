package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"

	"joltwatch/cmd/internal/cli"
	"joltwatch/detect"
	"joltwatch/stream"
	"joltwatch/stream/find"
	"joltwatch/stream/vehicle"
)

// acceptedSignal is one proposal that goes into the files.
type acceptedSignal struct {
	role stream.Role
	p    *find.Proposal
}

var acceptedNames = map[stream.Role]string{
	stream.EngineSpeed: "EngineSpeed", stream.TurbineSpeed: "TurbineSpeed", stream.OutputSpeed: "OutputSpeed",
	stream.VehicleSpeed: "RoadSpeed", stream.Gear: "Gear", stream.Accelerator: "Accelerator", stream.Brake: "Brake",
}

// accept writes the vehicle file and a definition file for each bus, and reads
// them back.
func (c *findCmd) accept(h *host, res *find.Result, interfaces []string, take map[stream.Role]int) error {
	var all []acceptedSignal
	for i := range res.Roles {
		r := &res.Roles[i]
		rank, asked := take[r.Role]
		if !asked {
			rank = 0
			if r.Found {
				rank = 1
			}
		}
		if rank == 0 {
			continue
		}
		if rank > len(r.Proposals) {
			return fmt.Errorf("--take %s=%d: there are %d proposals", r.Role, rank, len(r.Proposals))
		}
		all = append(all, acceptedSignal{r.Role, &r.Proposals[rank-1]})
	}
	if len(all) == 0 {
		return fmt.Errorf("--accept %s: nothing was found that could go into a vehicle file", c.Accept)
	}
	base := strings.TrimSuffix(filepath.Base(c.Accept), filepath.Ext(c.Accept))
	dir := filepath.Dir(c.Accept)
	if len(interfaces) == 0 {
		interfaces = []string{"can0"}
	}
	type file struct {
		path, text string
	}
	var files []file
	var buses strings.Builder
	for n, name := range interfaces {
		text := acceptedDefinitions(all, uint8(n))
		if text == "" {
			continue
		}
		def := base + ".dbc"
		if len(interfaces) > 1 {
			def = fmt.Sprintf("%s-%d.dbc", base, n)
		}
		files = append(files, file{filepath.Join(dir, def), text})
		fmt.Fprintf(&buses, "[[bus]]\nname = %s\ndefinitions = [%s]\n\n", strconv.Quote(name), strconv.Quote(def))
	}
	files = append(files, file{c.Accept, c.acceptedVehicle(res, all, interfaces, buses.String())})
	for _, f := range files {
		if _, err := os.Lstat(f.path); err == nil && !c.Force {
			return fmt.Errorf("%s is there already: give another name to --accept, or --force to write over it", f.path)
		}
	}
	for _, f := range files {
		if err := cli.WriteFile(h.stdout, f.path, func(w io.Writer) error { _, err := io.WriteString(w, f.text); return err }); err != nil {
			return err
		}
	}
	settings := detect.DefaultSettings()
	if _, err := vehicle.Load(c.Accept, &settings); err != nil {
		return fmt.Errorf("what was written cannot be read back: %w", err)
	}
	if !c.JSON {
		fmt.Fprintf(h.stdout, "\nwrote %s", files[len(files)-1].path)
		for _, f := range files[:len(files)-1] {
			fmt.Fprintf(h.stdout, " and %s", f.path)
		}
		fmt.Fprintln(h.stdout)
	}
	return nil
}

func acceptedMessage(id find.ID) string { return "Id" + id.String() }

// acceptedDefinitions is the definition file of one bus, empty where nothing
// was accepted on it.
func acceptedDefinitions(all []acceptedSignal, n uint8) string {
	byID := map[find.ID][]acceptedSignal{}
	var ids []find.ID
	for _, x := range all {
		if x.p.ID.Bus != n {
			continue
		}
		if byID[x.p.ID] == nil {
			ids = append(ids, x.p.ID)
		}
		byID[x.p.ID] = append(byID[x.p.ID], x)
	}
	if len(ids) == 0 {
		return ""
	}
	sort.Slice(ids, func(i, j int) bool { return ids[i].ID < ids[j].ID })
	var b strings.Builder
	b.WriteString("VERSION \"\"\n\nNS_ :\n\nBS_:\n\nBU_: Vehicle Reader\n\n")
	for _, id := range ids {
		raw := uint64(id.ID)
		if id.Extended {
			raw |= 1 << 31
		}
		size := 8
		for _, x := range byID[id] {
			last := x.p.Field.Start/8 + (x.p.Field.Length+7)/8
			if last >= 8 {
				size = min(64, (last+8)/8*8)
			}
		}
		fmt.Fprintf(&b, "BO_ %d %s: %d Vehicle\n", raw, acceptedMessage(id), size)
		if m := byID[id][0].p.Mux; m != nil {
			fmt.Fprintf(&b, " SG_ Switch M : %s (1,0) [0|0] \"\" Reader\n", m.Field)
		}
		for _, x := range byID[id] {
			mux := ""
			if x.p.Mux != nil {
				mux = fmt.Sprintf(" m%d", x.p.MuxValue)
			}
			lo, hi := x.p.Offset, x.p.Scale*float64(x.p.RawMax)+x.p.Offset
			if x.p.Field.Signed {
				half := math.Ldexp(1, x.p.Field.Length-1)
				lo, hi = x.p.Offset-half*x.p.Scale, x.p.Offset+(half-1)*x.p.Scale
			}
			if lo > hi {
				lo, hi = hi, lo
			}
			fmt.Fprintf(&b, " SG_ %s%s : %s (%s,%s) [%s|%s] %s Reader\n", acceptedNames[x.role], mux, x.p.Field,
				exactly(x.p.Scale), exactly(x.p.Offset), exactly(lo), exactly(hi), strconv.Quote(acceptedUnit(x.role)))
		}
		b.WriteString("\n")
	}
	return b.String()
}

func exactly(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func acceptedUnit(r stream.Role) string { return r.Unit() }

// acceptedVehicle is the vehicle file.
func (c *findCmd) acceptedVehicle(res *find.Result, all []acceptedSignal, interfaces []string, buses string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# Proposed by joltbench find from a recording. What is here is likely, not certain:\n# check it with joltwatch check on a drive before you rely on it.\n")
	fmt.Fprintf(&b, "label = %s\n", strconv.Quote(c.Label))
	if res.IdleRPM > 0 {
		fmt.Fprintf(&b, "idle_rpm = %g\n", res.IdleRPM)
	}
	if res.OutputPerKmh > 0 {
		fmt.Fprintf(&b, "output_rpm_per_kmh = %.4g\n", res.OutputPerKmh)
	}
	if len(res.Ratios) > 0 {
		var list []string
		for i, r := range res.Ratios {
			list = append(list, fmt.Sprintf("%d = %.4g", i+1, r))
		}
		text := "ratios = { " + strings.Join(list, ", ") + " }"
		if !res.FirstGear {
			text = "# The drive did not begin at a standstill: the first of these need not be first gear.\n# " + text
		}
		fmt.Fprintf(&b, "%s\n", text)
	}
	b.WriteString("\n" + buses)
	for _, x := range all {
		b.WriteString("[[role]]\n")
		fmt.Fprintf(&b, "name = %s\nsignal = %s\n", strconv.Quote(x.role.String()), strconv.Quote(acceptedMessage(x.p.ID)+"."+acceptedNames[x.role]))
		if strings.Count(buses, "[[bus]]") > 1 {
			fmt.Fprintf(&b, "bus = %s\n", strconv.Quote(interfaces[x.p.ID.Bus]))
		}
		if x.p.Guessed {
			b.WriteString("# The scale is a guess: compare with a reading you trust.\n")
		}
		if x.role == stream.Gear && len(x.p.States) > 0 {
			if !res.FirstGear {
				b.WriteString("# Numbered from the lowest gear of the recording, which need not be first.\n")
			}
			var raws []int64
			for raw := range x.p.States {
				raws = append(raws, raw)
			}
			sort.Slice(raws, func(i, j int) bool { return x.p.States[raws[i]] < x.p.States[raws[j]] })
			var list []string
			for _, raw := range raws {
				list = append(list, fmt.Sprintf("%d = %d", raw, x.p.States[raw]))
			}
			// Gears not driven in the recording follow the same steps.
			if n := len(raws); n >= 2 && raws[n-1]-raws[0] == int64(n-1) {
				for k := int64(1); k <= 4 && uint64(raws[n-1]+k) <= x.p.RawMax && n+int(k) <= 10; k++ {
					list = append(list, fmt.Sprintf("%d = %d", raws[n-1]+k, int64(n)+k))
				}
			}
			fmt.Fprintf(&b, "states = { %s }\n", strings.Join(list, ", "))
		}
		b.WriteString("\n")
	}
	return b.String()
}
