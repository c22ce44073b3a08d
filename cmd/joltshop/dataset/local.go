package dataset

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"

	"joltwatch/storage/wire"
)

// List returns the files of a table of the days from first to last, by name,
// and enters into latest, by vehicle, the last day up to last that is filed in
// the table, if it is later than what is there.
func List(dir, table string, first, last time.Time, latest map[string]string) ([]string, error) {
	from, to := first.Format(time.DateOnly), last.Format(time.DateOnly)
	vehicles, err := entries(filepath.Join(dir, table), "vehicle=")
	if err != nil {
		return nil, err
	}
	var list []string
	for _, v := range vehicles {
		at := filepath.Join(dir, table, "vehicle="+v)
		days, err := entries(at, "day=")
		if err != nil {
			return nil, err
		}
		for _, day := range days {
			if _, err := time.Parse(time.DateOnly, day); err != nil || day > to || !wire.VehicleName(v) {
				continue
			}
			latest[v] = max(latest[v], day)
			if day < from {
				continue
			}
			files, err := folder(at).list(context.Background(), "day="+day)
			if err != nil {
				return nil, err
			}
			for _, f := range files {
				list = append(list, filepath.Join(at, filepath.FromSlash(f.name)))
			}
		}
	}
	return list, nil
}

// entries lists the folders of a folder whose names begin so, without it; a
// folder that is not there has none.
func entries(dir, begin string) ([]string, error) {
	all, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var list []string
	for _, e := range all {
		if name, ok := strings.CutPrefix(e.Name(), begin); ok && e.IsDir() {
			list = append(list, name)
		}
	}
	return list, nil
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
