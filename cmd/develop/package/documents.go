package main

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/deb"
)

// own is where the packages are described: NAME.yaml, and the files they name.
const own = "cmd/develop/package/"

// pack2deb writes the package to path as own/NAME.yaml describes it, by way of
// a new file beside it so that a failure leaves no half package. stage holds
// what was made for it.
func pack2deb(name, arch string, rel release, stage, path string) error {
	set := map[string]string{"STAGE": stage, "VERSION": rel.version, "ARCH": arch}
	c, err := nfpm.ParseFileWithEnvMapping(own+name+".yaml", func(key string) string { return set[key] })
	if err != nil {
		return fmt.Errorf("%s.yaml: %w", name, err)
	}
	info := &c.Info
	info.Deb.Arch, info.MTime = arch, rel.time
	for _, f := range info.Contents {
		f.FileInfo.MTime = rel.time
	}
	if err := info.Validate(); err != nil {
		return err
	}
	f, err := os.Create(path + ".new")
	if err != nil {
		return err
	}
	if err := (&deb.Deb{}).Package(info, f); err != nil {
		f.Close()
		os.Remove(path + ".new")
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

// makeDocuments writes to stage what the package of a program has beside the
// program: its manual pages and change log, compressed, the licences, the list
// of contents, completion for shells and what its checker need not remark on.
func makeDocuments(name, stage string, rel release, inside []module, list []byte) error {
	made := map[string][]byte{name + ".cdx.json": list, "overrides": []byte(overrides(name))}
	pages, err := filepath.Glob(own + "man/" + name + "*.[1-9]")
	if err != nil {
		return err
	}
	for _, page := range pages {
		b, err := os.ReadFile(page)
		if err != nil {
			return err
		}
		if made[filepath.Base(page)+".gz"], err = squeeze(b); err != nil {
			return err
		}
	}
	changes, err := changeLog(own+"files/changelog", name, rel)
	if err != nil {
		return err
	}
	if made["changelog.gz"], err = squeeze([]byte(changes)); err != nil {
		return err
	}
	if made["copyright"], err = copyright(name, inside); err != nil {
		return err
	}
	if err := completions(name, stage, made); err != nil {
		return err
	}
	for file, b := range made {
		if err := os.WriteFile(filepath.Join(stage, file), b, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// completions makes the scripts by which shells complete the program's command
// line. The program says them itself, built for this machine.
func completions(name, stage string, made map[string][]byte) error {
	program := filepath.Join(stage, "here")
	build := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-o", program, "./cmd/"+name)
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=", "GOEXPERIMENT=")
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("go build ./cmd/%s: %w\n%s", name, err, out)
	}
	for _, shell := range []string{"bash", "zsh", "fish"} {
		script, err := exec.Command(program, "--completion", shell).Output()
		if err != nil {
			return fmt.Errorf("%s --completion %s: %w", name, shell, err)
		}
		made[name+"."+shell] = script
	}
	return nil
}

// squeeze is gzip -9n: no name and no time inside.
func squeeze(b []byte) ([]byte, error) {
	var out bytes.Buffer
	z, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(b); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// changeLog is the project's, of Debian's form, under the package's name. Its first
// entry is of this very build: its version, its time and, where known, its commit.
func changeLog(path, name string, rel release) (string, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	head, rest, ok := strings.Cut(string(b), "\n -- ")
	signed, rest, more := strings.Cut(rest, "\n")
	by, _, _ := strings.Cut(signed, "  ")
	title, changes, titled := strings.Cut(head, "\n")
	if !ok || !more || !titled {
		return "", fmt.Errorf("%s: expected an entry of a Debian change log", path)
	}
	_, after, _ := strings.Cut(title, ")")
	if rel.commit != "" {
		changes += "  * Built from commit " + rel.commit[:12] + ".\n"
	}
	rest = strings.ReplaceAll(rest, "\njoltwatch (", "\n"+name+" (")
	return fmt.Sprintf("%s (%s)%s\n%s\n -- %s  %s\n%s", name, rel.version, after, changes, by, rel.time.Format(time.RFC1123Z), rest), nil
}

// copyright is the licence of the program and, since the libraries are linked
// into it, theirs in full.
func copyright(name string, inside []module) ([]byte, error) {
	licence, err := os.ReadFile("LICENSE")
	if err != nil {
		return nil, err
	}
	var out strings.Builder
	fmt.Fprintf(&out, "%s\n\n%s\n", name, licence)
	fmt.Fprintf(&out, "The program contains the libraries below, each under its own licence.\n")
	for _, m := range inside {
		what := m.path + " " + m.version
		if m.path == "std" {
			what = "The Go standard library " + m.version
		}
		fmt.Fprintf(&out, "\n%s\n%s (%s)\n\n%s", strings.Repeat("-", 72), what, strings.Join(m.licences, ", "), m.text)
	}
	return []byte(out.String()), nil
}

// overrides tells the package checker which of its remarks are on purpose.
func overrides(name string) string {
	return fmt.Sprintf(`# One static file runs on any board image, whatever libraries that has.
%[1]s: statically-linked-binary *
# Some libraries have several licences in one file, which stays as it is.
%[1]s: copyright-file-contains-full-apache-2-license
%[1]s: copyright-not-using-common-license-for-apache2
`, name)
}
