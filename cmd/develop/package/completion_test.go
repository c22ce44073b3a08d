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

// Each script names what the program's own help names: every command, and every
// flag of each command.
func TestCompletionNamesEverything(t *testing.T) {
	for _, name := range []string{"joltwatch", "joltbench", "joltship", "joltshop"} {
		program := filepath.Join(t.TempDir(), name)
		if out, err := exec.Command("go", "build", "-o", program, "joltwatch/cmd/"+name).CombinedOutput(); err != nil {
			t.Fatalf("go build: %v\n%s", err, out)
		}
		scripts := map[string]string{}
		for _, shell := range []string{"bash", "zsh", "fish"} {
			out, err := exec.Command(program, "--completion", shell).Output()
			if err != nil {
				t.Fatalf("%s --completion %s: %v", name, shell, err)
			}
			scripts[shell] = string(out)
			parses(t, shell, out)
		}
		if err := exec.Command(program, "--completion", "none").Run(); err == nil {
			t.Errorf("%s: a shell that is not known is taken", name)
		}
		for _, c := range commandsOf(t, program) {
			help, err := exec.Command(program, c, "--help").Output()
			if err != nil {
				t.Fatalf("%s %s --help: %v", name, c, err)
			}
			offered := bashOffers(t, scripts["bash"], name, c, "-")
			if len(offered) < 2 {
				t.Errorf("bash offers %v for %s %s", offered, name, c)
			}
			for _, m := range regexp.MustCompile(`(?m)^ +(?:-\w, )?--([a-z][a-z0-9-]*)`).FindAllStringSubmatch(optionsPart(string(help)), -1) {
				if !slices.Contains(offered, "--"+m[1]) {
					t.Errorf("bash does not offer --%s for %s %s", m[1], name, c)
				}
				if _, after, _ := strings.Cut(scripts["zsh"], "    "+c+")\n"); !strings.Contains(part(after, ";;"), "'--"+m[1]+"[") {
					t.Errorf("zsh does not offer --%s for %s %s", m[1], name, c)
				}
				if !strings.Contains(scripts["fish"], "'__fish_seen_subcommand_from "+c+"' -l "+m[1]+" ") {
					t.Errorf("fish does not offer --%s for %s %s", m[1], name, c)
				}
			}
			if !slices.Contains(bashOffers(t, scripts["bash"], name, ""), c) || !strings.Contains(scripts["zsh"], "'"+c+":") ||
				!strings.Contains(scripts["fish"], "-a "+c+" ") {
				t.Errorf("%s: the command %s is not offered", name, c)
			}
		}
		if name == "joltbench" {
			if got := bashOffers(t, scripts["bash"], name, "export", "--as", "p"); !slices.Equal(got, []string{"parquet"}) {
				t.Errorf("export --as p: %v, expected parquet", got)
			}
			if got := bashOffers(t, scripts["bash"], name, "export", "-o", ""); len(got) > 0 {
				t.Errorf("export -o: %v, expected files alone", got)
			}
		}
	}
}

func part(text, end string) string {
	text, _, _ = strings.Cut(text, end)
	return text
}

// bashOffers runs a script in bash as at the end of a command line.
func bashOffers(t *testing.T, script, name string, words ...string) []string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "script")
	if err := os.WriteFile(path, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	run := `. "$1"; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _` + name + `; printf '%s\n' "${COMPREPLY[@]}"`
	out, err := exec.Command("bash", append([]string{"-c", run, "bash", path, name}, words...)...).CombinedOutput()
	if err != nil {
		t.Fatalf("bash: %v\n%s", err, out)
	}
	return strings.Fields(string(out))
}

// parses has the shell read a script without running it, where the shell is there.
func parses(t *testing.T, shell string, script []byte) {
	t.Helper()
	if _, err := exec.LookPath(shell); err != nil {
		t.Logf("no %s on this machine: its script was not read by it", shell)
		return
	}
	path := filepath.Join(t.TempDir(), "script")
	if err := os.WriteFile(path, script, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(shell, "-n", path).CombinedOutput(); err != nil {
		t.Errorf("%s -n: %v\n%s", shell, err, out)
	}
}
