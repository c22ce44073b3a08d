package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/klauspost/compress/zstd"

	"joltwatch/cmd/develop/joltsim/drive"
)

// TestEmbeddedVan makes the embedded drive again and compares: the simulator,
// the scenario and the files belong together, and one seed gives one drive on
// every machine.
func TestEmbeddedVan(t *testing.T) {
	dir := filepath.Join("..", "..", "..", "testdata", "van")
	sc, err := drive.Load(filepath.Join(dir, "scenario.toml"))
	if err != nil {
		t.Fatal(err)
	}
	r, err := drive.Run(sc)
	if err != nil {
		t.Fatal(err)
	}
	files, err := resultFiles(r)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		want, err := os.ReadFile(filepath.Join(dir, f.name))
		if err != nil {
			t.Fatal(err)
		}
		got := f.data
		if filepath.Ext(f.name) == ".zst" {
			// The compressor may change; what it holds may not.
			got, want = unpack(t, got), unpack(t, want)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs from what the scenario gives (run: go run ./cmd/develop/joltsim make testdata/van/scenario.toml)", f.name)
		}
	}
}

func unpack(t *testing.T, b []byte) []byte {
	t.Helper()
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	out, err := d.DecodeAll(b, nil)
	if err != nil {
		t.Fatal(err)
	}
	return out
}
