package dataset

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// place keeps files under names with slashes. A write is whole and durable
// when it returns, or it has not happened.
type place interface {
	// list returns the Parquet files of a partition, by name.
	list(ctx context.Context, partition string) ([]file, error)
	read(ctx context.Context, name string) ([]byte, error)
	write(ctx context.Context, name string, body []byte) error
	remove(ctx context.Context, name string) error
	// setAside renames a file so that nothing takes it for data.
	setAside(ctx context.Context, name string, body []byte) error
}

type file struct {
	name string
	size int64
}

const (
	suffix  = ".parquet"
	damaged = ".damaged"
	// unfinished begins the name of a file that is being written.
	unfinished = ".part-"
)

// folder is a place on a local disk.
type folder string

func (d folder) path(name string) string { return filepath.Join(string(d), filepath.FromSlash(name)) }

func (d folder) list(_ context.Context, partition string) ([]file, error) {
	entries, err := os.ReadDir(d.path(partition)) // by name
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var list []file
	for _, e := range entries {
		left := strings.HasPrefix(e.Name(), unfinished)
		if !left && !strings.HasSuffix(e.Name(), suffix) {
			continue
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if left {
			// A writer was stopped, unless it is at it just now.
			if time.Since(info.ModTime()) > time.Hour {
				os.Remove(d.path(path.Join(partition, e.Name())))
			}
			continue
		}
		list = append(list, file{path.Join(partition, e.Name()), info.Size()})
	}
	return list, nil
}

func (d folder) read(_ context.Context, name string) ([]byte, error) {
	return os.ReadFile(d.path(name))
}

func (d folder) write(_ context.Context, name string, body []byte) (err error) {
	to := d.path(name)
	if err := d.mkdir(filepath.Dir(to)); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(to), unfinished+"*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if _, err := f.Write(body); err != nil {
		return err
	}
	if err := f.Chmod(0o640); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), to); err != nil {
		return err
	}
	return syncDir(filepath.Dir(to))
}

// mkdir makes a folder and those above it, each durable in the one above.
func (d folder) mkdir(dir string) error {
	err := os.Mkdir(dir, 0o750)
	switch {
	case err == nil:
		return syncDir(filepath.Dir(dir))
	case errors.Is(err, fs.ErrExist):
		return nil
	case errors.Is(err, fs.ErrNotExist) && len(dir) > len(string(d)):
		if err := d.mkdir(filepath.Dir(dir)); err != nil {
			return err
		}
		return d.mkdir(dir)
	}
	return err
}

func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

func (d folder) remove(_ context.Context, name string) error {
	err := os.Remove(d.path(name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

func (d folder) setAside(_ context.Context, name string, _ []byte) error {
	to := d.path(name)
	if err := os.Rename(to, to+damaged); err != nil {
		return err
	}
	return syncDir(filepath.Dir(to))
}

// bucket is a place in a store that speaks the S3 protocol.
type bucket struct {
	client       *minio.Client
	name, prefix string
}

func openBucket(where string) (*bucket, error) {
	name, prefix, _ := strings.Cut(where, "/")
	if name == "" {
		return nil, fmt.Errorf("s3://%s: expected s3://bucket/prefix", where)
	}
	endpoint := os.Getenv("AWS_ENDPOINT_URL")
	u, err := url.Parse(endpoint)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
		return nil, fmt.Errorf("AWS_ENDPOINT_URL is %q; expected the address of the S3-compatible store, such as https://store.example:9000", endpoint)
	}
	client, err := minio.New(u.Host, &minio.Options{Creds: credentials.NewEnvAWS(), Secure: u.Scheme == "https",
		Region: os.Getenv("AWS_REGION"), BucketLookup: minio.BucketLookupPath})
	if err != nil {
		return nil, fmt.Errorf("s3://%s: %w", where, err)
	}
	b := &bucket{client, name, strings.Trim(prefix, "/")}
	there, err := client.BucketExists(context.Background(), name)
	if err != nil {
		return nil, fmt.Errorf("s3://%s: %w", where, err)
	}
	if !there {
		return nil, fmt.Errorf("s3://%s: there is no bucket %q; make it first", where, name)
	}
	return b, nil
}

func (b *bucket) key(name string) string { return path.Join(b.prefix, name) }

func (b *bucket) list(ctx context.Context, partition string) ([]file, error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var list []file
	under := b.key(partition) + "/"
	for o := range b.client.ListObjects(ctx, b.name, minio.ListObjectsOptions{Prefix: under, Recursive: true}) {
		if o.Err != nil {
			return nil, o.Err
		}
		if strings.HasSuffix(o.Key, suffix) {
			list = append(list, file{path.Join(partition, strings.TrimPrefix(o.Key, under)), o.Size})
		}
	}
	return list, nil
}

func (b *bucket) read(ctx context.Context, name string) ([]byte, error) {
	o, err := b.client.GetObject(ctx, b.name, b.key(name), minio.GetObjectOptions{})
	if err != nil {
		return nil, err
	}
	defer o.Close()
	return io.ReadAll(o)
}

func (b *bucket) write(ctx context.Context, name string, body []byte) error {
	_, err := b.client.PutObject(ctx, b.name, b.key(name), bytes.NewReader(body), int64(len(body)),
		minio.PutObjectOptions{ContentType: "application/vnd.apache.parquet"})
	return err
}

func (b *bucket) remove(ctx context.Context, name string) error {
	return b.client.RemoveObject(ctx, b.name, b.key(name), minio.RemoveObjectOptions{})
}

func (b *bucket) setAside(ctx context.Context, name string, body []byte) error {
	if err := b.write(ctx, name+damaged, body); err != nil {
		return err
	}
	return b.remove(ctx, name)
}
