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

	"joltwatch/cmd/internal/durable"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// place keeps files under names with slashes. A write is whole and durable
// when it returns, or it has not happened.
type place interface {
	// list returns the Parquet files of a partition, by name.
	list(ctx context.Context, partition string) ([]file, error)
	// loose returns those of all partitions of a table, by name.
	loose(ctx context.Context, table string) ([]file, error)
	// months returns the files of the months of a table, by name.
	months(ctx context.Context, table string) ([]file, error)
	// read returns a file; one that is not there is fs.ErrNotExist.
	read(ctx context.Context, name string) ([]byte, error)
	write(ctx context.Context, name string, body []byte) error
	// open opens a file for reading here and there in it.
	open(ctx context.Context, name string) (*os.File, error)
	// at reads a file here and there where it is.
	at(ctx context.Context, name string) (readerAt, error)
	// begin makes a file on this machine that keep puts into place as a whole.
	begin(name string) (*os.File, error)
	keep(ctx context.Context, f *os.File, name string) error
	remove(ctx context.Context, name string) error
	// setAside renames a file so that nothing takes it for data.
	setAside(ctx context.Context, name string) error
}

type readerAt interface {
	io.ReaderAt
	io.Closer
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

func (d folder) loose(ctx context.Context, table string) (list []file, err error) {
	err = d.partitions(table, func(vehicle, day string) error {
		files, err := d.list(ctx, partition{table, vehicle, day}.String())
		list = append(list, files...)
		return err
	})
	return list, err
}

func (d folder) months(ctx context.Context, table string) (list []file, err error) {
	names, err := entries(d.path(path.Join(table, months)), "")
	for _, name := range names {
		files, err := d.list(ctx, path.Join(table, months, name))
		if err != nil {
			return nil, err
		}
		list = append(list, files...)
	}
	return list, err
}

// partitions calls f with the vehicle and day of each partition of a table.
func (d folder) partitions(table string, f func(vehicle, day string) error) error {
	vehicles, err := entries(d.path(table), "vehicle=")
	for _, vehicle := range vehicles {
		days, err := entries(d.path(table+"/vehicle="+vehicle), "day=")
		if err != nil {
			return err
		}
		for _, day := range days {
			if err := f(vehicle, day); err != nil {
				return err
			}
		}
	}
	return err
}

func (d folder) open(_ context.Context, name string) (*os.File, error) { return os.Open(d.path(name)) }

func (d folder) at(ctx context.Context, name string) (readerAt, error) { return d.open(ctx, name) }

func (d folder) begin(name string) (*os.File, error) {
	dir := filepath.Dir(d.path(name))
	if err := d.mkdir(dir); err != nil {
		return nil, err
	}
	f, err := os.CreateTemp(dir, unfinished+"*")
	if errors.Is(err, fs.ErrNotExist) { // its last file has just gone, and with it the folder
		if err := d.mkdir(dir); err != nil {
			return nil, err
		}
		f, err = os.CreateTemp(dir, unfinished+"*")
	}
	return f, err
}

func (d folder) write(ctx context.Context, name string, body []byte) error {
	f, err := d.begin(name)
	if err != nil {
		return err
	}
	defer discard(f)
	if _, err := f.Write(body); err != nil {
		return err
	}
	return d.keep(ctx, f, name)
}

// discard removes what begin made, unless it was kept.
func discard(f *os.File) {
	f.Close()
	os.Remove(f.Name())
}

func (d folder) keep(_ context.Context, f *os.File, name string) error {
	to := d.path(name)
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
	return durable.SyncDir(filepath.Dir(to))
}

// mkdir makes a folder and those above it, each durable in the one above.
func (d folder) mkdir(dir string) error {
	err := os.Mkdir(dir, 0o750)
	switch {
	case err == nil:
		return durable.SyncDir(filepath.Dir(dir))
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

// remove removes a file, and its folder where that was the last.
func (d folder) remove(_ context.Context, name string) error {
	err := os.Remove(d.path(name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil {
		os.Remove(filepath.Dir(d.path(name))) //nolint:errcheck // mostly there are others in it
	}
	return err
}

func (d folder) setAside(_ context.Context, name string) error {
	to := d.path(name)
	if err := os.Rename(to, to+damaged); err != nil {
		return err
	}
	return durable.SyncDir(filepath.Dir(to))
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
	return b.under(ctx, partition+"/")
}

func (b *bucket) loose(ctx context.Context, table string) ([]file, error) {
	return b.under(ctx, table+"/vehicle=")
}

func (b *bucket) months(ctx context.Context, table string) ([]file, error) {
	return b.under(ctx, path.Join(table, months)+"/")
}

// under returns the Parquet files whose names begin so, by name.
func (b *bucket) under(ctx context.Context, begin string) ([]file, error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var list []file
	at := b.key(begin)
	if strings.HasSuffix(begin, "/") {
		at += "/" // which key takes away
	}
	for o := range b.client.ListObjects(ctx, b.name, minio.ListObjectsOptions{Prefix: at, Recursive: true}) {
		if o.Err != nil {
			return nil, o.Err
		}
		if strings.HasSuffix(o.Key, suffix) {
			list = append(list, file{begin + strings.TrimPrefix(o.Key, at), o.Size})
		}
	}
	return list, nil
}

func (b *bucket) read(ctx context.Context, name string) ([]byte, error) {
	o, err := b.client.GetObject(ctx, b.name, b.key(name), minio.GetObjectOptions{})
	if err != nil {
		return nil, gone(err)
	}
	defer o.Close()
	body, err := io.ReadAll(o)
	return body, gone(err)
}

// gone says of a file that is not there that it is fs.ErrNotExist.
func gone(err error) error {
	if err != nil && minio.ToErrorResponse(err).Code == minio.NoSuchKey {
		return fmt.Errorf("%w: %w", fs.ErrNotExist, err)
	}
	return err
}

func (b *bucket) open(ctx context.Context, name string) (*os.File, error) {
	f, err := b.begin(name)
	if err != nil {
		return nil, err
	}
	os.Remove(f.Name()) //nolint:errcheck // it is read by its handle
	o, err := b.client.GetObject(ctx, b.name, b.key(name), minio.GetObjectOptions{})
	if err == nil {
		_, err = io.Copy(f, o)
		err = errors.Join(gone(err), o.Close())
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

func (b *bucket) at(ctx context.Context, name string) (readerAt, error) {
	return b.client.GetObject(ctx, b.name, b.key(name), minio.GetObjectOptions{})
}

func (b *bucket) begin(string) (*os.File, error) { return os.CreateTemp("", "joltshop-*") }

func (b *bucket) write(ctx context.Context, name string, body []byte) error {
	return b.put(ctx, name, bytes.NewReader(body), int64(len(body)))
}

func (b *bucket) keep(ctx context.Context, f *os.File, name string) error {
	n, err := f.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		return err
	}
	return b.put(ctx, name, f, n)
}

func (b *bucket) put(ctx context.Context, name string, in io.Reader, size int64) error {
	_, err := b.client.PutObject(ctx, b.name, b.key(name), in, size,
		minio.PutObjectOptions{ContentType: "application/vnd.apache.parquet"})
	return err
}

func (b *bucket) remove(ctx context.Context, name string) error {
	return b.client.RemoveObject(ctx, b.name, b.key(name), minio.RemoveObjectOptions{})
}

func (b *bucket) setAside(ctx context.Context, name string) error {
	_, err := b.client.CopyObject(ctx, minio.CopyDestOptions{Bucket: b.name, Object: b.key(name) + damaged}, minio.CopySrcOptions{Bucket: b.name, Object: b.key(name)})
	if err != nil {
		return err
	}
	return b.remove(ctx, name)
}
