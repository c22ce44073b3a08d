package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"joltwatch": main})
}

// TestScript runs the command lines in testdata/script. $VAN is the folder of
// the embedded drive.
func TestScript(t *testing.T) {
	van, err := filepath.Abs("../../testdata/van")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			e.Setenv("VAN", van)
			return nil
		},
		RequireExplicitExec: true,
		UpdateScripts:       os.Getenv("UPDATE_SCRIPTS") != "",
	})
}
