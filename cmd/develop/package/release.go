package main

import (
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"time"

	"joltwatch/cmd/internal/cli"
)

// release says which state of the sources is packed.
type release struct {
	version string    // by Debian's rules, so that a later commit sorts later
	commit  string    // full hash, empty where there is no git
	time    time.Time // of the commit: the only time that goes into a package
}

// currentRelease asks git, unless a version is given. The time is
// SOURCE_DATE_EPOCH where set (reproducible-builds.org/specs/source-date-epoch),
// else the commit's.
func currentRelease(version string) (release, error) {
	r := release{version: version}
	if hash, err := git("rev-parse", "HEAD"); err == nil {
		r.commit = hash
	}
	epoch := os.Getenv("SOURCE_DATE_EPOCH")
	if epoch == "" {
		var err error
		if epoch, err = git("log", "-1", "--format=%ct"); err != nil {
			return r, fmt.Errorf("no commit to take the time from (%w): set SOURCE_DATE_EPOCH", err)
		}
	}
	seconds, err := strconv.ParseInt(epoch, 10, 64)
	if err != nil {
		return r, fmt.Errorf("SOURCE_DATE_EPOCH is %q: expected seconds since 1970", epoch)
	}
	r.time = time.Unix(seconds, 0).UTC()
	if r.version == "" {
		if r.version, err = gitVersion(); err != nil {
			return r, fmt.Errorf("no version from git (%w): give --version", err)
		}
	}
	if !debianVersion.MatchString(r.version) {
		return r, fmt.Errorf("version %q: a Debian version begins with a digit and has only letters, digits and . + ~", r.version)
	}
	return r, nil
}

// debianVersion is the upstream version of the Debian policy manual 5.6.12,
// without epoch, hyphen and colon, which we do not use.
var debianVersion = regexp.MustCompile(`^[0-9][A-Za-z0-9.+~]*$`)

// gitVersion is the programs' version number where its tag is on this commit; after
// the tag with the number of commits since, and before it, sorting earlier, with the
// number of all commits.
func gitVersion() (string, error) {
	hash, err := git("rev-parse", "--short=10", "HEAD")
	if err != nil {
		return "", err
	}
	tag, sign := "v"+cli.Number, "+"
	if _, err := git("merge-base", "--is-ancestor", tag, "HEAD"); err != nil {
		tag, sign = "HEAD", "~"
	} else {
		tag += "..HEAD"
	}
	count, err := git("rev-list", "--count", tag)
	if err != nil {
		return "", err
	}
	if sign == "+" && count == "0" {
		return cli.Number, nil
	}
	return cli.Number + sign + count + ".g" + hash, nil
}

func git(args ...string) (string, error) {
	out, err := exec.Command("git", args...).Output()
	if err != nil {
		return "", fmt.Errorf("git %s: %w", args[0], err)
	}
	return strings.TrimSpace(string(out)), nil
}
