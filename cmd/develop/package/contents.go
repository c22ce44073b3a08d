package main

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/goreleaser/nfpm/v2/files"
)

// own is where the files lie that are packed as they are.
const own = "cmd/develop/package/"

const maintainer = "The joltwatch authors <authors@joltwatch.invalid>"

// pack is one package: one program, its manual page and what belongs to it.
type pack struct {
	name        string
	summary     string
	description string
	depends     []string
	recommends  []string
	suggests    []string
	files       []file
	folders     []string
	pages       []string // manual pages
	examples    string   // folder with example files, all of them packed
	scripts     string   // the service's maintainer scripts: what their names begin with, "" for none
}

// file is packed as it lies in the repository.
type file struct {
	from, to string
	// conffile marks a file that its user may change: an upgrade keeps the change.
	conffile bool
}

var packages = map[string]pack{
	"joltwatch": {
		name:    "joltwatch",
		summary: "recorder for torque converter clutches, left in a vehicle",
		description: `Joltwatch listens to a vehicle's CAN bus or a serial adapter, decodes the
signals that a vehicle file names, watches the clutch in the torque converter,
and keeps what it finds in files that survive the ignition being cut at any
instant. It has no network code and sends nothing on the bus unless the vehicle
file turns requests on.
.
Fit and read the unit with the vehicle stationary, and secure it and its cable
clear of pedals and airbags.`,
		depends:    []string{"systemd (>= 245)", "init-system-helpers (>= 1.52)"},
		recommends: []string{"udev"},
		suggests:   []string{"joltbench"},
		files: []file{
			{from: "files/joltwatch.service", to: "/usr/lib/systemd/system/joltwatch.service"},
			{from: "files/joltwatch-prepare.service", to: "/usr/lib/systemd/system/joltwatch-prepare.service"},
			{from: "files/joltwatch.sysusers", to: "/usr/lib/sysusers.d/joltwatch.conf"},
			{from: "files/joltwatch.sysctl", to: "/usr/lib/sysctl.d/70-joltwatch.conf"},
			{from: "files/70-joltwatch.rules", to: "/usr/lib/udev/rules.d/70-joltwatch.rules"},
			{from: "files/joltwatch.default", to: "/etc/default/joltwatch", conffile: true},
		},
		folders:  []string{"/etc/joltwatch"},
		pages:    []string{"joltwatch.1", "joltwatch-vehicle.5"},
		examples: "examples",
		scripts:  "joltwatch.",
	},
	"joltship": {
		name:    "joltship",
		summary: "courier of what joltwatch has recorded",
		description: `Joltship delivers what joltwatch has recorded in a vehicle to the server of a
fleet's shop, encrypted and with a certificate of the vehicle's own, when a
network is there. It runs as an account of its own that can only read the
recordings and has no access to the vehicle's buses.
.
Sending a customer's recordings needs the customer's consent, as recording
does.`,
		depends: []string{"joltwatch", "systemd (>= 245)", "init-system-helpers (>= 1.52)"},
		files: []file{
			{from: "files/joltship.service", to: "/usr/lib/systemd/system/joltship.service"},
			{from: "files/joltship.sysusers", to: "/usr/lib/sysusers.d/joltship.conf"},
			{from: "files/joltship-reads.conf", to: "/usr/lib/systemd/system/joltwatch.service.d/joltship.conf"},
		},
		folders:  []string{"/etc/joltship"},
		pages:    []string{"joltship.1"},
		examples: "examples-joltship",
		scripts:  "joltship.",
	},
	"joltbench": {
		name:    "joltbench",
		summary: "review of what joltwatch has recorded",
		description: `Joltbench reads the store that joltwatch leaves: what was caught, the traces
around it, how often each kind of event could have been seen, and how sure
"nothing caught" is. It writes reports as single pages and exports to other
tools.`,
		pages:    []string{"joltbench.1"},
		suggests: []string{"joltwatch"},
	},
	"joltshop": {
		name:    "joltshop",
		summary: "server of a shop to which vehicles deliver recordings",
		description: `Joltshop is the shop's side of a fleet whose vehicles carry joltwatch and its
courier: a server to which they deliver, encrypted and each with a certificate of
its own, the taking in of what they delivered, and enrolment with one-time codes.
.
The report on the fleet needs a build with the query engine, which this package
has not: see the README.`,
		pages:    []string{"joltshop.1"},
		suggests: []string{"joltbench"},
	},
}

// contents lists what goes into the package. What is made here (copyright,
// change log, compressed manual page) is written to the folder stage.
func (p pack) contents(stage string, rel release, inside []module, list []byte) (files.Contents, error) {
	doc := "/usr/share/doc/" + p.name + "/"
	var all files.Contents
	add := func(from, to, kind string, mode os.FileMode) {
		all = append(all, &files.Content{Source: from, Destination: to, Type: kind,
			FileInfo: &files.ContentFileInfo{Owner: "root", Group: "root", Mode: mode, MTime: rel.time}})
	}
	made := func(name, to string, b []byte) error {
		from := filepath.Join(stage, name)
		if err := os.WriteFile(from, b, 0o644); err != nil {
			return err
		}
		add(from, to, files.TypeFile, 0o644)
		return nil
	}

	add(filepath.Join(stage, p.name), "/usr/bin/"+p.name, files.TypeFile, 0o755)
	for _, f := range p.files {
		kind := files.TypeFile
		if f.conffile {
			kind = files.TypeConfigNoReplace
		}
		add(own+f.from, f.to, kind, 0o644)
	}
	for _, dir := range p.folders {
		add("", dir, files.TypeDir, 0o755)
	}
	if p.examples != "" {
		entries, err := os.ReadDir(own + p.examples)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			add(own+p.examples+"/"+e.Name(), doc+"examples/"+e.Name(), files.TypeFile, 0o644)
		}
	}

	for _, name := range p.pages {
		page, err := os.ReadFile(own + "man/" + name)
		if err != nil {
			return nil, err
		}
		if page, err = squeeze(page); err != nil {
			return nil, err
		}
		section := name[len(name)-1:]
		if err := made(name+".gz", "/usr/share/man/man"+section+"/"+name+".gz", page); err != nil {
			return nil, err
		}
	}
	changes, err := changeLog(own+"files/changelog", p.name, rel)
	if err != nil {
		return nil, err
	}
	log, err := squeeze([]byte(changes))
	if err != nil {
		return nil, err
	}
	if err := made("changelog.gz", doc+"changelog.gz", log); err != nil {
		return nil, err
	}
	rights, err := copyright(p.name, inside)
	if err != nil {
		return nil, err
	}
	if err := made("copyright", doc+"copyright", rights); err != nil {
		return nil, err
	}
	if err := made("contents.cdx.json", doc+p.name+".cdx.json", list); err != nil {
		return nil, err
	}
	if err := made("overrides", "/usr/share/lintian/overrides/"+p.name, []byte(overrides(p.name))); err != nil {
		return nil, err
	}
	return all, nil
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
	_, rest, more := strings.Cut(rest, "\n")
	title, changes, titled := strings.Cut(head, "\n")
	if !ok || !more || !titled {
		return "", fmt.Errorf("%s: expected an entry of a Debian change log", path)
	}
	_, after, _ := strings.Cut(title, ")")
	if rel.commit != "" {
		changes += "  * Built from commit " + rel.commit[:12] + ".\n"
	}
	rest = strings.ReplaceAll(rest, "\njoltwatch (", "\n"+name+" (")
	return fmt.Sprintf("%s (%s)%s\n%s\n -- %s  %s\n%s", name, rel.version, after, changes, maintainer, rel.time.Format(time.RFC1123Z), rest), nil
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
