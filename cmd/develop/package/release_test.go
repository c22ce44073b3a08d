package main

import (
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"joltwatch/cmd/internal/cli"
)

// The change log that users read and the version that the programs say are one.
func TestChangeLogBeginsWithTheVersion(t *testing.T) {
	log, err := os.ReadFile("files/changelog")
	if err != nil {
		t.Fatal(err)
	}
	// Debian policy manual 4.4: package (version) distributions; metadata.
	first := regexp.MustCompile(`^joltwatch \(([^)]+)\) [a-z]+; urgency=[a-z]+\n`).FindSubmatch(log)
	if first == nil || string(first[1]) != cli.Number {
		t.Fatalf("the change log begins with %.60q, the programs are version %s", log, cli.Number)
	}
	rel := release{version: cli.Number + "~12.gabcdef0123", commit: strings.Repeat("a", 40), time: time.Unix(1800000000, 0).UTC()}
	made, err := changeLog("files/changelog", "joltship", rel)
	if err != nil || !strings.HasPrefix(made, "joltship ("+rel.version+") ") || strings.Contains(made, "joltwatch (") || !strings.Contains(made, "commit aaaaaaaaaaaa") {
		t.Errorf("a package's change log: %v\n%s", err, made)
	}
	if parse := exec.Command("dpkg-parsechangelog", "-l", "files/changelog", "-S", "Version"); parse.Err == nil {
		if said, err := parse.Output(); err != nil || strings.TrimSpace(string(said)) != cli.Number {
			t.Errorf("dpkg reads version %q from the change log: %v", said, err)
		}
	}
}

// The order is dpkg's own (Debian policy manual 5.6.12): a board must never
// take an older build for an upgrade.
func TestVersionsSortAsTheyCame(t *testing.T) {
	if _, err := exec.LookPath("dpkg"); err != nil {
		t.Skip("dpkg is not here to say how it sorts versions")
	}
	inOrder := []string{"0+9.gffffffffff", "0+153.g0000000000", "1.0~9.gffffffffff", "1.0~153.g0000000000", "1.0", "1.0+1.gffff", "1.0+12.g0000", "1.0.1", "1.2"}
	for i := 1; i < len(inOrder); i++ {
		if err := exec.Command("dpkg", "--compare-versions", inOrder[i-1], "lt", inOrder[i]).Run(); err != nil {
			t.Errorf("dpkg does not sort %s before %s: %v", inOrder[i-1], inOrder[i], err)
		}
	}
}
