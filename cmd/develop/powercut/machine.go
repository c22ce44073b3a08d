package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"time"
)

// machine is a started emulator. Its second serial line carries the lines of
// the program inside.
type machine struct {
	cmd   *exec.Cmd
	in    io.WriteCloser
	lines chan string
}

// start runs the emulator, from the kernel on or, where state is given, from a
// kept state.
func start(work, disk, state string) (*machine, error) {
	args := []string{"-m", "256", "-smp", "1", "-display", "none", "-monitor", "none", "-no-reboot", "-nodefaults", "-net", "none",
		"-kernel", "build/vm/vmlinuz", "-initrd", filepath.Join(work, "initrd"), "-append", "console=ttyS0 panic=-1 quiet",
		"-serial", "file:" + filepath.Join(work, "console"), "-serial", "stdio",
		"-qmp", "unix:" + filepath.Join(work, "qmp") + ",server=on,wait=off",
		"-drive", "file=" + disk + ",format=raw,if=virtio,cache=none"}
	if state != "" {
		args = append(args, "-incoming", "exec:cat "+state)
	}
	os.Remove(filepath.Join(work, "qmp")) //nolint:errcheck // may not exist
	m := &machine{cmd: exec.Command("qemu-system-x86_64", args...), lines: make(chan string, 4096)}
	m.cmd.Stderr = os.Stderr
	in, err := m.cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := m.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	m.in = in
	if err := m.cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		s := bufio.NewScanner(out)
		for s.Scan() {
			m.lines <- s.Text()
		}
		close(m.lines)
	}()
	return m, nil
}

// kill takes the power away: this process, by its own id, and nothing else.
func (m *machine) kill() {
	m.cmd.Process.Kill() //nolint:errcheck // it may be gone
	for range m.lines {
	}
	m.cmd.Wait() //nolint:errcheck // killed
}

// keep writes the state of the running machine to a file.
func keep(ctx context.Context, work, state string) error {
	var d net.Dialer
	c, err := d.DialContext(ctx, "unix", filepath.Join(work, "qmp"))
	if err != nil {
		return err
	}
	defer c.Close()
	dec, enc := json.NewDecoder(c), json.NewEncoder(c)
	type answer struct {
		Return map[string]any
		Error  map[string]any
		Event  string
		QMP    map[string]any
	}
	ask := func(command string, args map[string]any) (map[string]any, error) {
		m := map[string]any{"execute": command}
		if args != nil {
			m["arguments"] = args
		}
		if err := enc.Encode(m); err != nil {
			return nil, err
		}
		for {
			var a answer
			if err := dec.Decode(&a); err != nil {
				return nil, err
			}
			if a.Error != nil {
				return nil, fmt.Errorf("%s: %v", command, a.Error)
			}
			if a.Return != nil {
				return a.Return, nil
			}
		}
	}
	if _, err := ask("qmp_capabilities", nil); err != nil {
		return err
	}
	// A machine that runs while its state is taken runs on when resumed; this
	// one only waits for its input.
	if _, err := ask("migrate", map[string]any{"uri": "exec:cat > " + state}); err != nil {
		return err
	}
	for {
		r, err := ask("query-migrate", nil)
		if err != nil {
			return err
		}
		switch r["status"] {
		case "completed":
			return nil
		case "failed":
			return fmt.Errorf("keeping the machine's state failed: %v", r)
		}
		time.Sleep(100 * time.Millisecond)
	}
}
