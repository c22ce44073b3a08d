// Package writes the Debian packages of joltwatch and, beside each, the list of
// what is inside it (CycloneDX). It is run from the repository's root:
//
//	go run ./cmd/develop/package --out build/packages
//
// The same commit gives the same bytes: the programs are built without paths,
// time stamps and build identifiers, and every time in a package is that of the
// commit, or SOURCE_DATE_EPOCH where that is set.
package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/alecthomas/kong"

	"joltwatch/cmd/internal/cli"
)

type options struct {
	Out     string   `default:"build/packages" type:"path" help:"Folder for the packages."`
	Arch    []string `default:"amd64,arm64,armhf" enum:"amd64,arm64,armhf" help:"Kinds of board, by Debian's names (armhf is built for ARMv6, so that it runs on the oldest boards too)."`
	Only    []string `default:"joltwatch,joltbench,joltship,joltshop" enum:"joltwatch,joltbench,joltship,joltshop" help:"Packages to write."`
	Version string   `help:"Version of the packages (default: the programs' own, with what git says of the commit)."`
}

func main() {
	var c options
	kong.Parse(&c, kong.Name("package"), kong.Description("Write the Debian packages of joltwatch."))
	cli.Tool("package", func(context.Context) error { return c.write() })
}

func (c *options) write() error {
	rel, err := currentRelease(c.Version)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(c.Out, 0o755); err != nil {
		return err
	}
	for _, name := range c.Only {
		for _, arch := range c.Arch {
			deb, err := writePackage(name, arch, rel, c.Out)
			if err != nil {
				return fmt.Errorf("%s for %s: %w", name, arch, err)
			}
			info, err := os.Stat(deb)
			if err != nil {
				return err
			}
			fmt.Printf("%s %.1f MB\n", filepath.Base(deb), float64(info.Size())/1e6)
		}
	}
	return nil
}

// writePackage builds one program for one kind of board and packs it. It
// returns the path of the package; the list of contents lies beside it with the
// ending .cdx.json.
func writePackage(name, arch string, rel release, out string) (string, error) {
	stage, err := os.MkdirTemp("", "joltwatch-package-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(stage)

	program := filepath.Join(stage, name)
	if err := buildProgram(name, arch, rel, program); err != nil {
		return "", err
	}
	inside, err := modulesInside(program)
	if err != nil {
		return "", err
	}
	list, err := contentsList(name, arch, rel, program, inside)
	if err != nil {
		return "", err
	}
	if err := makeDocuments(name, stage, rel, inside, list); err != nil {
		return "", err
	}
	deb := filepath.Join(out, fmt.Sprintf("%s_%s_%s.deb", name, rel.version, arch))
	if err := pack2deb(name, arch, rel, stage, deb); err != nil {
		return "", err
	}
	return deb, os.WriteFile(strings.TrimSuffix(deb, ".deb")+".cdx.json", list, 0o644)
}
