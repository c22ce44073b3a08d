package review

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// An empty directory and one of something else still give a stay that says
// what is missing; no directory is an error.
func TestNoStore(t *testing.T) {
	dir := t.TempDir()
	os.WriteFile(filepath.Join(dir, "notes.txt"), []byte("hello"), 0o600)
	s, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Remarks) != 1 || !strings.Contains(s.Remarks[0], "no stay in this directory") {
		t.Errorf("remarks: %q", s.Remarks)
	}
	if _, err := Load(filepath.Join(dir, "gone")); err == nil || !strings.Contains(err.Error(), "no such directory") {
		t.Errorf("no directory: %v", err)
	}
	if _, err := Load(filepath.Join(dir, "notes.txt")); err == nil {
		t.Error("a file is no store")
	}
}
