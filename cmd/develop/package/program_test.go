package main

import (
	"bytes"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/CycloneDX/cyclonedx-go"
)

// The test's own program stands in for a packaged one: which libraries it has
// is known from what this package imports.
func TestListSaysWhatIsInside(t *testing.T) {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	inside, err := modulesInside(program)
	if err != nil {
		t.Fatal(err)
	}
	rel := release{version: "1.2", commit: strings.Repeat("a", 40), time: time.Unix(1700000000, 0).UTC()}
	list, err := contentsList("joltwatch", "arm64", rel, program, inside)
	if err != nil {
		t.Fatal(err)
	}
	again, err := contentsList("joltwatch", "arm64", rel, program, inside)
	if err != nil || !bytes.Equal(list, again) {
		t.Errorf("the same program gave two lists (%v)", err)
	}
	var bom cyclonedx.BOM
	if err := cyclonedx.NewBOMDecoder(bytes.NewReader(list), cyclonedx.BOMFileFormatJSON).Decode(&bom); err != nil {
		t.Fatal(err)
	}
	if bom.SpecVersion != cyclonedx.SpecVersion1_6 || bom.Metadata.Timestamp != "2023-11-14T22:13:20Z" {
		t.Errorf("version %v, time %q", bom.SpecVersion, bom.Metadata.Timestamp)
	}
	// The licences are those that the libraries themselves state.
	want := map[string]string{"std": "BSD-3-Clause", "github.com/CycloneDX/cyclonedx-go": "Apache-2.0", "github.com/goreleaser/nfpm/v2": "MIT"}
	for _, c := range *bom.Components {
		id, asked := want[c.Name]
		if !asked {
			continue
		}
		delete(want, c.Name)
		if c.Version == "" || c.Licenses == nil || !slices.ContainsFunc(*c.Licenses, func(l cyclonedx.LicenseChoice) bool { return l.License.ID == id }) {
			t.Errorf("%s %s: licences %+v, want %s", c.Name, c.Version, c.Licenses, id)
		}
	}
	if len(want) > 0 {
		t.Errorf("not in the list: %v", want)
	}
}

func TestCopyrightHasEveryLicenceInFull(t *testing.T) {
	t.Chdir("../../..")
	m := module{path: "example.org/lib", version: "v1.0.0"}
	if err := m.readLicences("."); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(m.licences, []string{"MIT"}) {
		t.Errorf("this project's licence is read as %v", m.licences)
	}
	b, err := copyright("joltwatch", []module{m})
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(b), `THE SOFTWARE IS PROVIDED "AS IS"`); n != 2 {
		t.Errorf("%d licence texts, want this project's and the library's", n)
	}
	if err := (&module{path: "example.org/none"}).readLicences(t.TempDir()); err == nil {
		t.Error("a library without a licence passed")
	}
}
