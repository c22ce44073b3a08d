package dataset

import (
	"context"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"strings"

	"github.com/minio/minio-go/v7"
)

// Empty writes a file without rows of a table into a folder of its own below
// dir, for engines that need one file at least, and returns its path.
func Empty(dir, table string) (string, error) {
	var b batch
	switch table {
	case events:
		b = &rows[eventRow]{}
	case accounts:
		b = &rows[accountRow]{}
	case units:
		b = &rows[unitRow]{}
	default:
		return "", fmt.Errorf("no table %q", table)
	}
	p := partition{table, "-", "1970-01-01"}
	body, err := b.encode(p)
	if err != nil {
		return "", err
	}
	at := filepath.Join(dir, filepath.FromSlash(p.String()), "none"+suffix)
	if err := os.MkdirAll(filepath.Dir(at), 0o750); err != nil {
		return "", err
	}
	return at, os.WriteFile(at, body, 0o640)
}

// Local returns a local folder with the dataset's files: the folder itself, or,
// for s3://…, the folder cache after it has been brought up to date. A file
// never changes, so only new ones are fetched.
func Local(ctx context.Context, where, cache string) (string, error) {
	rest, remote := strings.CutPrefix(where, "s3://")
	if !remote {
		if _, err := os.Stat(where); err != nil {
			return "", fmt.Errorf("dataset: %w", err)
		}
		return where, nil
	}
	b, err := openBucket(rest)
	if err != nil {
		return "", err
	}
	return cache, b.mirror(ctx, folder(cache))
}

func (b *bucket) mirror(ctx context.Context, to folder) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	kept := map[string]bool{}
	for _, table := range Tables {
		under := b.key(table) + "/"
		for o := range b.client.ListObjects(ctx, b.name, minio.ListObjectsOptions{Prefix: under, Recursive: true}) {
			if o.Err != nil {
				return o.Err
			}
			name := path.Join(table, strings.TrimPrefix(o.Key, under))
			// The store is not trusted to name files: only our own form is taken.
			if !filepath.IsLocal(filepath.FromSlash(name)) || strings.Count(name, "/") != 3 || path.Ext(name) != suffix {
				continue
			}
			kept[name] = true
			if info, err := os.Stat(to.path(name)); err == nil && info.Size() == o.Size {
				continue
			}
			body, err := b.read(ctx, name)
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			if err := to.write(ctx, name, body); err != nil {
				return err
			}
		}
	}
	return filepath.WalkDir(string(to), func(at string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		name, err := filepath.Rel(string(to), at)
		if err == nil && !kept[filepath.ToSlash(name)] && path.Ext(name) == suffix {
			return os.Remove(at)
		}
		return err
	})
}
