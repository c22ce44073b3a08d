package cli

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// WriteFile writes a file by way of a temporary one beside it, so that a failure
// leaves no half of it; "-" is standard output.
func WriteFile(stdout io.Writer, path string, write func(io.Writer) error) (err error) {
	if path == "-" {
		return write(stdout)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".jolt-*")
	if err != nil {
		return fmt.Errorf("%s: %w", path, errors.Unwrap(err))
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if err := write(f); err != nil {
		return err
	}
	if err := f.Chmod(0o644); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
