package main

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"joltwatch/cmd/develop/wait"
)

// plug is a plug-in adapter with an AT-command interpreter, on the other end of a
// terminal, in a car that knows its engine and road speed.
type plug struct {
	path   string
	master *os.File

	mu    sync.Mutex
	rpm   int
	volts string
	// stopsAfter is how many more times the engine's speed is told before the
	// engine stands, 0 for never.
	stopsAfter int
}

func newPlug(t *testing.T) *plug {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Skip("no pseudo-terminals here:", err)
	}
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		t.Fatal(err)
	}
	p := &plug{path: slave.Name(), master: master, rpm: 800, volts: "13.8V"}
	t.Cleanup(func() { slave.Close(); master.Close() })
	go p.serve()
	return p
}

func (p *plug) set(rpm int, volts string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.rpm, p.volts = rpm, volts
}

func (p *plug) serve() {
	line, b, echo := []byte(nil), make([]byte, 1), true
	for {
		if _, err := p.master.Read(b); err != nil {
			return
		}
		if echo {
			p.master.Write(b)
		}
		if b[0] != '\r' {
			line = append(line, b[0])
			continue
		}
		command := string(line)
		line = line[:0]
		echo = echo && command != "ATE0" || command == "ATZ"
		p.master.WriteString(p.answer(command) + "\r>")
	}
}

func (p *plug) answer(command string) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case command == "ATZ":
		return "\r\rADAPTER V9\r"
	case command == "ATRV":
		return p.volts + "\r"
	case command == "ATDPN":
		return "A6\r"
	case strings.HasPrefix(command, "AT"):
		return "OK\r"
	}
	asked, err := hex.DecodeString(command[:len(command)&^1])
	if err != nil || len(asked) < 2 || asked[0] != 1 {
		return "NO DATA\r"
	}
	payload := []byte{0x41}
	for _, parameter := range asked[1:] {
		switch parameter {
		case 0x00: // what there is: engine speed and road speed
			payload = append(payload, 0, 0x00, 0x18, 0, 0)
		case 0x0C:
			if p.stopsAfter > 0 {
				if p.stopsAfter--; p.stopsAfter == 0 {
					p.rpm = 0
				}
			}
			payload = append(payload, 0x0C, byte(p.rpm*4>>8), byte(p.rpm*4))
		case 0x0D:
			payload = append(payload, 0x0D, 30)
		default:
			return "NO DATA\r"
		}
	}
	return fmt.Sprintf("7E8%02X%X\r", len(payload), payload)
}

// program is a command of this program, which the test's own binary is too.
func program(t *testing.T, args ...string) (cmd *exec.Cmd, out *bytes.Buffer) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	out = &bytes.Buffer{}
	cmd = &exec.Cmd{Path: self, Args: append([]string{"joltwatch"}, args...), Stdout: out, Stderr: out}
	return cmd, out
}

// Through an adapter with an interpreter, check, run and watch show the rate of each
// value, and why nothing is asked. How long anything takes does not matter.
func TestInterpreterEndToEnd(t *testing.T) {
	if testing.Short() {
		t.Skip("goes by the clock")
	}
	dir := t.TempDir()
	joltbench := filepath.Join(dir, "joltbench")
	if out, err := exec.Command("go", "build", "-o", joltbench, "joltwatch/cmd/joltbench").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	p := newPlug(t)
	file, stay := filepath.Join(dir, "car.toml"), filepath.Join(dir, "stay")
	text := fmt.Sprintf("label = \"car\"\n[[bus]]\nname = \"plug\"\nsource = \"interpreter:%s\"\nstandard = true\nasking = { engine_off_s = 10, min_voltage = 11.8 }\n", p.path)
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	check := func(seconds string, want ...string) {
		t.Helper()
		cmd, out := program(t, "check", "--vehicle", file, "--store", dir, "--for", seconds)
		cmd.Run() //nolint:errcheck // 3: a car of two values needs attention
		for _, w := range want {
			if !strings.Contains(out.String(), w) {
				t.Errorf("check: no %q in\n%s", w, out)
			}
		}
		if !strings.Contains(strings.Join(want, ""), "silent") && strings.Contains(out.String(), "silent:") {
			t.Errorf("check: silent in\n%s", out)
		}
	}
	check("8", "engine_speed", "vehicle_speed", " Hz", "2 of the standard's values are taken", `no answer: "Asked for" says why`)
	p.set(800, "11.1V")
	check("5", "silent: the supply is at 11.1 V")
	p.set(800, "13.8V")
	p.mu.Lock()
	p.stopsAfter = 40
	p.mu.Unlock()
	run, ran := program(t, "run", "--vehicle", file, "--store", stay)
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- run.Wait() }()
	defer run.Process.Kill() //nolint:errcheck // it has ended
	watch := func(want ...string) {
		t.Helper()
		var out []byte
		for end := wait.End(t); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
			select {
			case err := <-ended:
				t.Fatalf("run ended: %v\n%s", err, ran)
			default:
			}
			out, _ = exec.Command(joltbench, "watch", "--once", stay).CombinedOutput()
			have := 0
			for _, w := range want {
				if strings.Contains(string(out), w) {
					have++
				}
			}
			if have == len(want) {
				return
			}
		}
		t.Fatalf("watch: no %q in\n%s", want, out)
	}
	watch("plug asks: engine_speed ", "vehicle_speed ", " Hz (up to ", "plug: nothing is asked since ", "the engine has been off")
	run.Process.Signal(os.Interrupt) //nolint:errcheck // what comes of it is looked at
	select {
	case <-ended:
	case <-time.After(time.Until(wait.End(t))):
		t.Fatal("run does not end")
	}
	for _, w := range []string{"plug asks: engine_speed ", " Hz (up to ", "silent: the engine has been off"} {
		if !strings.Contains(ran.String(), w) {
			t.Errorf("run: no %q in\n%s", w, ran)
		}
	}
}
