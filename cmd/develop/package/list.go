package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"time"

	"github.com/CycloneDX/cyclonedx-go"
	"github.com/google/uuid"
)

// contentsList is the CycloneDX 1.6 list of what is inside one program: the
// modules that the linker put in, their versions and licences.
func contentsList(name, arch string, rel release, program string, inside []module) ([]byte, error) {
	b, err := os.ReadFile(program)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(b)
	bom := cyclonedx.NewBOM()
	// The serial number is made from the program's bytes: random would differ
	// from build to build.
	bom.SerialNumber = uuid.NewHash(sha256.New(), uuid.NameSpaceOID, sum[:], 5).URN()
	ref := fmt.Sprintf("pkg:deb/debian/%s@%s?arch=%s", name, rel.version, arch)
	bom.Metadata = &cyclonedx.Metadata{
		Timestamp: rel.time.Format(time.RFC3339),
		Component: &cyclonedx.Component{
			BOMRef: ref, Type: cyclonedx.ComponentTypeApplication, Name: name, Version: rel.version, PackageURL: ref,
			Hashes:     &[]cyclonedx.Hash{{Algorithm: cyclonedx.HashAlgoSHA256, Value: hex.EncodeToString(sum[:])}},
			Licenses:   licences([]string{"MIT"}),
			Properties: &[]cyclonedx.Property{{Name: "joltwatch:commit", Value: rel.commit}},
		},
	}
	var components []cyclonedx.Component
	var refs []string
	for _, m := range inside {
		purl := "pkg:golang/" + m.path + "@" + m.version
		c := cyclonedx.Component{
			BOMRef: purl, Type: cyclonedx.ComponentTypeLibrary, Name: m.path, Version: m.version,
			PackageURL: purl, Scope: cyclonedx.ScopeRequired, Licenses: licences(m.licences),
		}
		if m.sum != "" {
			c.Properties = &[]cyclonedx.Property{{Name: "joltwatch:go.sum", Value: m.sum}}
		}
		components = append(components, c)
		refs = append(refs, purl)
	}
	bom.Components = &components
	// Which module needs which is not in the program; that the program contains
	// them all is.
	bom.Dependencies = &[]cyclonedx.Dependency{{Ref: ref, Dependencies: &refs}}
	bom.Compositions = &[]cyclonedx.Composition{{Aggregate: cyclonedx.CompositionAggregateComplete, Assemblies: &[]cyclonedx.BOMReference{cyclonedx.BOMReference(ref)}}}
	var out bytes.Buffer
	enc := cyclonedx.NewBOMEncoder(&out, cyclonedx.BOMFileFormatJSON).SetPretty(true)
	if err := enc.EncodeVersion(bom, cyclonedx.SpecVersion1_6); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func licences(ids []string) *cyclonedx.Licenses {
	var l cyclonedx.Licenses
	for _, id := range ids {
		l = append(l, cyclonedx.LicenseChoice{License: &cyclonedx.License{ID: id}})
	}
	if len(l) == 0 {
		return nil
	}
	return &l
}
