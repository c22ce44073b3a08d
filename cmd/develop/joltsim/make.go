package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"

	"github.com/klauspost/compress/zstd"

	"joltwatch/cmd/develop/joltsim/drive"
)

// makeCmd writes a scenario's files.
type makeCmd struct {
	Scenario string `arg:"" help:"Scenario file (TOML)."`
	Out      string `arg:"" optional:"" help:"Folder for the files; the scenario's own by default."`
}

// Run simulates and writes drive.log.zst, vehicle.toml, the definition files
// and truth.jsonl.zst.
func (m *makeCmd) Run() error {
	sc, err := drive.Load(m.Scenario)
	if err != nil {
		return err
	}
	if m.Out == "" {
		m.Out = filepath.Dir(m.Scenario)
	}
	r, err := drive.Run(sc)
	if err != nil {
		return err
	}
	files, err := resultFiles(r)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(m.Out, 0o755); err != nil {
		return err
	}
	for _, f := range files {
		if err := os.WriteFile(filepath.Join(m.Out, f.name), f.data, 0o644); err != nil {
			return err
		}
	}
	fmt.Printf("%s: %d frames in %.1f s of driving, written to %s\n", sc.Name, len(r.Frames), (r.Truth.End - r.Truth.Start).Seconds(), m.Out)
	return nil
}

type outFile struct {
	name string
	data []byte
}

// resultFiles returns the files of a result, logs compressed.
func resultFiles(r *drive.Result) ([]outFile, error) {
	var truth bytes.Buffer
	if err := r.Truth.WriteLines(&truth); err != nil {
		return nil, err
	}
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBestCompression), zstd.WithEncoderConcurrency(1))
	if err != nil {
		return nil, err
	}
	files := []outFile{
		{"drive.log.zst", enc.EncodeAll(r.Log, nil)},
		{"vehicle.toml", []byte(r.VehicleTOML)},
		{"truth.jsonl.zst", enc.EncodeAll(truth.Bytes(), nil)},
	}
	for i, text := range r.DBC {
		if !r.Layout.J1939 {
			files = append(files, outFile{r.DBCNames[i], []byte(text)})
		}
	}
	return files, nil
}
