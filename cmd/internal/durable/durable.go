// Package durable writes what is still there after the power was cut.
package durable

import (
	"errors"
	"os"
	"path/filepath"
)

// WriteFile writes a file for nobody else to read onto the medium, whole or not at all.
func WriteFile(path string, b []byte) error {
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err == nil {
		err = SyncDir(filepath.Dir(path))
	}
	return err
}

// SyncDir makes what a folder's files are called durable.
func SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
