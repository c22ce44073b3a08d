// Package engine holds only a test that reads exported Parquet with an
// independent engine. It needs a C++ compiler and a minute to link, so it is
// asked for:
//
//	go test -tags engine ./cmd/joltbench/export/engine
package engine
