package main

import (
	"os/exec"
	"testing"
)

func TestDescribedVersion(t *testing.T) {
	for _, c := range []struct{ described, want string }{
		{"v1.2.0-0-gabcdef1", "1.2.0"},
		{"v1.2.0-7-gabcdef1", "1.2.0+7.gabcdef1"},
		{"v1.3-rc1-0-gabcdef1", "1.3~rc1"},
		{"v1.3-rc1-2-gabcdef1", "1.3~rc1+2.gabcdef1"},
	} {
		got, err := describedVersion(c.described)
		if err != nil || got != c.want {
			t.Errorf("describedVersion(%q) = %q, %v; want %q", c.described, got, err, c.want)
		}
		if !debianVersion.MatchString(got) {
			t.Errorf("%q is no Debian version", got)
		}
	}
	if _, err := describedVersion("something"); err == nil {
		t.Error("a description without count and hash passed")
	}
}

// The order is dpkg's own (Debian policy manual 5.6.12): a board must never
// take an older build for an upgrade.
func TestVersionsSortAsTheyCame(t *testing.T) {
	if _, err := exec.LookPath("dpkg"); err != nil {
		t.Skip("dpkg is not here to say how it sorts versions")
	}
	inOrder := []string{"0+9.gffffffffff", "0+153.g0000000000", "1.0~rc1", "1.0~rc1+2.gabcdef1", "1.0", "1.0+1.gffff", "1.0+12.g0000", "1.0.1", "1.2"}
	for i := 1; i < len(inOrder); i++ {
		if err := exec.Command("dpkg", "--compare-versions", inOrder[i-1], "lt", inOrder[i]).Run(); err != nil {
			t.Errorf("dpkg does not sort %s before %s: %v", inOrder[i-1], inOrder[i], err)
		}
	}
}
