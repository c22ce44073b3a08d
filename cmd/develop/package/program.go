package main

import (
	"debug/buildinfo"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/google/licensecheck"
)

// targets gives Go's settings for Debian's names. ARMv6 has a floating-point
// unit on every board that Debian's armhf is meant for and on the oldest small
// boards, which armhf itself (ARMv7) leaves out.
var targets = map[string][]string{
	"amd64": {"GOARCH=amd64", "GOAMD64=v1"},
	"arm64": {"GOARCH=arm64", "GOARM64=v8.0"},
	"armhf": {"GOARCH=arm", "GOARM=6"},
}

// buildProgram builds cmd/NAME into out: static, without symbols, and with
// nothing in it that depends on where or when it is built.
func buildProgram(name, arch string, rel release, out string) error {
	cmd := exec.Command("go", "build", "-trimpath", "-buildvcs=false",
		"-ldflags", "-s -w -buildid= -X joltwatch/cmd/internal/cli.build="+rel.version, "-o", out, "./cmd/"+name)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOFLAGS=", "GOEXPERIMENT=")
	cmd.Env = append(cmd.Env, targets[arch]...)
	cmd.Stdout, cmd.Stderr = os.Stderr, os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("go build ./cmd/%s: %w", name, err)
	}
	return nil
}

// module is a library that is part of a program.
type module struct {
	path, version string
	sum           string   // go.sum's hash of the module's files
	licences      []string // SPDX identifiers
	text          string   // its licence and notice files, whole
}

// modulesInside reads from the program itself which modules are in it, with the
// standard library first, and adds their licences from the module cache.
func modulesInside(program string) ([]module, error) {
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return nil, err
	}
	goroot, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return nil, fmt.Errorf("go env GOROOT: %w", err)
	}
	version := strings.TrimPrefix(strings.Fields(info.GoVersion)[0], "go")
	std := module{path: "std", version: version}
	if err := std.readLicences(strings.TrimSpace(string(goroot))); err != nil {
		return nil, err
	}
	inside := []module{std}
	for _, dep := range info.Deps {
		if dep.Replace != nil {
			dep = dep.Replace
		}
		m := module{path: dep.Path, version: dep.Version, sum: dep.Sum}
		dir, err := moduleFolder(dep.Path, dep.Version)
		if err != nil {
			return nil, err
		}
		if err := m.readLicences(dir); err != nil {
			return nil, err
		}
		inside = append(inside, m)
	}
	return inside, nil
}

func moduleFolder(path, version string) (string, error) {
	out, err := exec.Command("go", "mod", "download", "-json", path+"@"+version).Output()
	if err != nil {
		return "", fmt.Errorf("go mod download %s@%s: %w", path, version, err)
	}
	var got struct{ Dir string }
	if err := json.Unmarshal(out, &got); err != nil {
		return "", err
	}
	return got.Dir, nil
}

// readLicences takes the licence and notice files at the root of the module. A
// module without any cannot be passed on, so that is an error.
func (m *module) readLicences(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	var text strings.Builder
	for _, e := range entries {
		upper := strings.ToUpper(e.Name())
		if e.IsDir() || strings.HasSuffix(upper, ".GO") || !slices.ContainsFunc([]string{"LICENSE", "LICENCE", "COPYING", "NOTICE", "PATENTS"},
			func(p string) bool { return strings.HasPrefix(upper, p) }) {
			continue
		}
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			return err
		}
		found := licensecheck.Scan(b)
		fmt.Fprintf(&text, "%s:\n\n%s\n\n", e.Name(), licenceText(b, found))
		for _, match := range found.Match {
			// A header that only refers to a licence names the same licence again.
			id := strings.TrimSuffix(match.ID, "-Header")
			if !match.IsURL && !slices.Contains(m.licences, id) {
				m.licences = append(m.licences, id)
			}
		}
	}
	if text.Len() == 0 {
		return fmt.Errorf("module %s %s has no licence file in %s", m.path, m.version, filepath.Base(dir))
	}
	slices.Sort(m.licences)
	m.text = text.String()
	return nil
}

// licenceText is the file as it is, but for the Apache licence, which every
// Debian system has already: of that, only the copyright lines (Debian policy
// manual 12.5).
func licenceText(b []byte, found licensecheck.Coverage) string {
	if len(found.Match) != 1 || found.Match[0].ID != "Apache-2.0" || found.Match[0].IsURL || found.Percent < 90 {
		return strings.TrimSpace(string(b))
	}
	out := "The Apache License, version 2.0: /usr/share/common-licenses/Apache-2.0"
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSpace(line)
		if copyrightLine.MatchString(line) {
			out = line + "\n" + out
		}
	}
	return out
}

// copyrightLine is a filled-in one, not the licence's own sample.
var copyrightLine = regexp.MustCompile(`^Copyright .*[0-9]{4}`)
