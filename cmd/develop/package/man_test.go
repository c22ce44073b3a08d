package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The pages are written by hand; what the programs say of themselves decides
// whether they are complete.
func TestManualPagesNameEveryCommand(t *testing.T) {
	yamls, err := filepath.Glob("*.yaml")
	if err != nil || len(yamls) == 0 {
		t.Fatalf("no package is described: %v", err)
	}
	for _, yaml := range yamls {
		name := strings.TrimSuffix(yaml, ".yaml")
		program := filepath.Join(t.TempDir(), name)
		if out, err := exec.Command("go", "build", "-o", program, "joltwatch/cmd/"+name).CombinedOutput(); err != nil {
			t.Errorf("go build: %v\n%s", err, out)
			continue
		}
		page, err := os.ReadFile("man/" + name + ".1")
		if err != nil {
			t.Error(err)
			continue
		}
		commands := commandsOf(t, program)
		if len(commands) < 2 {
			t.Errorf("%s --help names %v", name, commands)
		}
		var described []string
		for _, m := range regexp.MustCompile(`(?m)^\.It Cm ([a-z-]+)$`).FindAllStringSubmatch(string(page), -1) {
			described = append(described, m[1])
		}
		for _, c := range commands {
			if !slices.Contains(described, c) {
				t.Errorf("%s.1 does not describe %q", name, c)
			}
		}
		for _, d := range described {
			if !slices.Contains(commands, d) {
				t.Errorf("%s.1 describes %q, which the program does not have", name, d)
			}
		}
		if name != "joltwatch" {
			continue
		}
		// A board in a vehicle has no other documentation at hand: there,
		// every option is in the page too.
		for _, c := range commands {
			help, err := exec.Command(program, c, "--help").Output()
			if err != nil {
				t.Errorf("%s %s --help: %v", name, c, err)
			}
			for _, flag := range regexp.MustCompile(`--([a-z][a-z-]+)`).FindAllStringSubmatch(optionsPart(string(help)), -1) {
				if !strings.Contains(string(page), "Fl -"+flag[1]) {
					t.Errorf("%s.1 does not name --%s of %s", name, flag[1], c)
				}
			}
		}
	}
}

// commandsOf reads the list of commands in a program's help, where each begins
// a line after two spaces.
func commandsOf(t *testing.T, program string) []string {
	t.Helper()
	help, err := exec.Command(program, "--help").Output()
	if err != nil {
		t.Fatal(err)
	}
	_, list, _ := strings.Cut(string(help), "\nCommands:\n")
	list, _, _ = strings.Cut(list, "\nRun \"")
	var commands []string
	for _, m := range regexp.MustCompile(`(?m)^  ([a-z][a-z-]*)`).FindAllStringSubmatch(list, -1) {
		commands = append(commands, m[1])
	}
	return commands
}

// optionsPart is the help from its list of flags on.
func optionsPart(help string) string {
	_, flags, _ := strings.Cut(help, "\nFlags:\n")
	return flags
}
