//go:build cgo && engine

package main

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"text/tabwriter"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"

	"joltwatch/cmd/develop/fleet/gateway"
)

// store is a genuine S3 server behind what counts what it is asked.
type store struct {
	server   *gateway.Server
	counting *httptest.Server

	requests, fetched atomic.Int64
}

func openStore(program, dir string) (*store, error) {
	server, err := gateway.New(program, dir)
	if err != nil {
		return nil, err
	}
	if err := server.Start(); err != nil {
		return nil, err
	}
	s := &store{server: server}
	// The signature of a request is over the name of the host that it went to.
	s.counting = httptest.NewServer(&httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			s.requests.Add(1)
			r.SetURL(&url.URL{Scheme: "http", Host: server.At})
			r.Out.Host = r.In.Host
		},
		ModifyResponse: func(r *http.Response) error { r.Body = counted{r.Body, &s.fetched}; return nil },
	})
	return s, nil
}

type counted struct {
	io.ReadCloser
	bytes *atomic.Int64
}

func (c counted) Read(p []byte) (int, error) {
	n, err := c.ReadCloser.Read(p)
	c.bytes.Add(int64(n))
	return n, err
}

func (s *store) close() {
	s.counting.Close()
	s.server.Kill()
}

// put puts a folder's files under fleet/.
func (s *store) put(ctx context.Context, dir string) error {
	u, err := url.Parse(s.counting.URL)
	if err != nil {
		return err
	}
	c, err := minio.New(u.Host, &minio.Options{Creds: credentials.NewStaticV4(gateway.Key, gateway.Key, ""), Region: gateway.Region, BucketLookup: minio.BucketLookupPath})
	if err != nil {
		return err
	}
	return filepath.WalkDir(dir, func(at string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		name, err := filepath.Rel(dir, at)
		if err == nil {
			_, err = c.FPutObject(ctx, gateway.Bucket, "fleet/"+filepath.ToSlash(name), at, minio.PutObjectOptions{})
		}
		return err
	})
}

// report has joltshop, a process of its own, make its report on the dataset twice: with
// nothing of it on this machine, and with all that the first fetched.
func (s *store) report(ctx context.Context, out io.Writer, dir string, last time.Time) error {
	joltshop := filepath.Join(dir, "joltshop")
	build := exec.CommandContext(ctx, "go", "build", "-tags", "engine", "-o", joltshop, "joltwatch/cmd/joltshop")
	build.Stderr = os.Stderr
	if err := build.Run(); err != nil {
		return fmt.Errorf("building joltshop: %w", err)
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, when := range []string{"the first time", "again"} {
		s.requests.Store(0)
		s.fetched.Store(0)
		c := exec.CommandContext(ctx, joltshop, "report", "s3://"+gateway.Bucket+"/fleet", "--week-to", last.Format(time.DateOnly),
			"--cache", filepath.Join(dir, "cache"), "-o", filepath.Join(dir, "shop.html"))
		c.Env = append(os.Environ(), gateway.Env(s.counting.URL)...)
		c.Stderr = os.Stderr
		began := time.Now()
		if err := c.Run(); err != nil {
			return fmt.Errorf("the report: %w", err)
		}
		page, err := os.Stat(filepath.Join(dir, "shop.html"))
		if err != nil {
			return err
		}
		p := c.ProcessState
		fmt.Fprintf(w, "joltshop report through the store, %s\t%s, %s of processor time, %.2f GB of memory; %d requests, %.2f GB fetched; a page of %d kB\n", when, time.Since(began).Round(100*time.Millisecond),
			(p.UserTime() + p.SystemTime()).Round(100*time.Millisecond), float64(p.SysUsage().(*syscall.Rusage).Maxrss)/1e6, s.requests.Load(), float64(s.fetched.Load())/1e9, page.Size()/1000)
	}
	return w.Flush()
}
