package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"joltwatch/cmd/internal/cli"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/cmd/joltshop/server"
	"joltwatch/storage"
	"joltwatch/storage/wire"
)

type backupCmd struct {
	Dir  string `required:"" type:"existingdir" placeholder:"DIR" help:"The shop's folder; serve or intake may be running."`
	To   string `required:"" type:"path" placeholder:"DIR" help:"The folder to make: a shop's folder again, with the dataset in it. It must not be there."`
	Base string `type:"existingdir" placeholder:"DIR" help:"An earlier backup: what has not changed since is linked from there and takes no more room."`
	laidDown
}

// Help implements kong's long help.
func (backupCmd) Help() string {
	return `Copies the authority, who is enrolled, the vehicles' files and the dataset. What waits on
the server to be taken in is not copied: the vehicles send it again, see reconcile. The
copy holds the authority's key: keep it as safe as the shop's folder. Example:
  joltshop backup --dir my-shop --to /backup/2026-03-10 --base /backup/2026-03-09
and, to put it back:
  cp -a /backup/2026-03-10 my-shop
  joltshop reconcile my-shop
  joltshop serve --dir my-shop …`
}

// Run makes the copy.
func (c *backupCmd) Run(h *host) error {
	if _, err := os.Lstat(c.To); err == nil {
		return fmt.Errorf("%s is there already; expected a folder to be made", c.To)
	}
	if in, err := filepath.Rel(c.Dir, c.To); err == nil && filepath.IsLocal(in) {
		return cli.Usage(fmt.Sprintf("--to %s: it is in the shop's folder", c.To))
	}
	if err := server.IsShop(c.Dir); err != nil {
		return err
	}
	where := c.in(c.Dir)
	if err := dataset.There(where); err != nil {
		return fmt.Errorf("%w; expected, with --dataset, where serve or intake lays records down", err)
	}
	part := c.To + ".part"
	if _, err := os.Lstat(part); err == nil {
		return fmt.Errorf("%s is there, of a backup that was stopped; remove it first", part)
	}
	t := &tree{from: c.Dir, to: part, base: c.Base}
	if err := t.copy(h.ctx, leftOut); err != nil {
		return err
	}
	if c.Base != "" {
		// Files of the dataset never change: what is still the same is there already.
		d := &tree{from: filepath.Join(c.Base, "dataset"), to: filepath.Join(part, "dataset"), base: filepath.Join(c.Base, "dataset")}
		if err := d.copy(h.ctx, nil); err != nil {
			return err
		}
	}
	records, err := dataset.Copy(h.ctx, where, filepath.Join(part, "dataset"))
	if err != nil {
		return err
	}
	unix.Sync()
	if err := os.Rename(part, c.To); err != nil {
		return err
	}
	_, err = fmt.Fprintf(h.stdout, "%s: %d files, %.1f MB, and the %d files of the dataset at %s\n", c.To, t.files, float64(t.bytes)/1e6, records, where)
	return err
}

// leftOut is what of a shop's folder is in no backup: what waits on the server, codes
// that are good for minutes, and what belongs to the server that runs.
var leftOut = []string{"jetstream", "dataset", "codes", "held", "lock", "address.json"}

// tree copies a folder.
type tree struct {
	from, to, base string
	files          int
	bytes          int64
}

func (t *tree) copy(ctx context.Context, but []string) error {
	skip := map[string]bool{}
	for _, name := range but {
		skip[filepath.Join(t.from, name)] = true
	}
	type dir struct {
		path string
		at   time.Time
	}
	var dirs []dir // their times are set last, as what is copied into them changes those
	err := filepath.WalkDir(t.from, func(at string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // gone meanwhile
		}
		if err != nil || ctx.Err() != nil {
			return errors.Join(err, ctx.Err())
		}
		name, err := filepath.Rel(t.from, at)
		if err != nil {
			return err
		}
		info, err := e.Info()
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil
		case err != nil:
			return err
		case skip[at], name != "." && strings.HasPrefix(e.Name(), "."): // unfinished, or on its way out
			if e.IsDir() {
				return fs.SkipDir
			}
			return nil
		case e.IsDir():
			dirs = append(dirs, dir{filepath.Join(t.to, name), info.ModTime()})
			return os.MkdirAll(filepath.Join(t.to, name), 0o700)
		case !info.Mode().IsRegular():
			return nil
		}
		return t.file(name, info)
	})
	for _, d := range dirs {
		err = errors.Join(err, os.Chtimes(d.path, d.at, d.at))
	}
	return err
}

// file copies a file, or links it from the earlier backup where it is the same there.
func (t *tree) file(name string, info fs.FileInfo) error {
	to := filepath.Join(t.to, name)
	t.files, t.bytes = t.files+1, t.bytes+info.Size()
	if t.base != "" {
		was := filepath.Join(t.base, name)
		old, err := os.Lstat(was)
		if err == nil && old.Mode().IsRegular() && old.Size() == info.Size() && old.ModTime().Equal(info.ModTime()) && os.Link(was, to) == nil {
			return nil
		}
	}
	in, err := os.Open(filepath.Join(t.from, name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	if err = errors.Join(err, out.Close()); err != nil {
		return err
	}
	return os.Chtimes(to, info.ModTime(), info.ModTime())
}

type reconcileCmd struct {
	Dir string `arg:"" type:"existingdir" placeholder:"SHOP" help:"The shop's folder, as it was put back; no server runs in it."`
	laidDown
}

// Help implements kong's long help.
func (reconcileCmd) Help() string {
	return `After a shop's folder or its dataset was put back from a backup, or what waited on the
server was lost: looks what there is of each vehicle, by identity, and leaves it for the
server that is started next. Each vehicle is told when it comes, and sends again what is
missing; what it no longer has itself is named in its next report, and so on the shop's
page, for two weeks. What cannot be read is missing too. A vehicle that was enrolled or
renewed after the backup needs a new code (joltshop enrol NAME --dir SHOP
--renew).`
}

// Run leaves a list for each vehicle.
func (c *reconcileCmd) Run(h *host) error {
	if err := server.IsShop(c.Dir); err != nil {
		return err
	}
	unlock, err := server.Lock(c.Dir)
	if err != nil {
		return err
	}
	defer unlock()
	data, err := dataset.Open(c.in(c.Dir))
	if err != nil {
		return err
	}
	now := time.Now().UnixMicro()
	has := map[string]*wire.Held{}
	of := func(vehicle string) *wire.Held {
		if has[vehicle] == nil {
			has[vehicle] = &wire.Held{Number: now}
		}
		return has[vehicle]
	}
	records := 0
	err = data.Identities(h.ctx, func(vehicle, stay, id string) error {
		records++
		return of(vehicle).Stay(stay).Add(id)
	})
	if err != nil {
		return err
	}
	files, err := heldFiles(h.ctx, filepath.Join(c.Dir, "vehicles"), func(vehicle, stay string) *wire.HeldStay { return of(vehicle).Stay(stay) })
	if err != nil {
		return err
	}
	names, err := server.Enrolled(c.Dir)
	if err != nil {
		return err
	}
	for _, name := range names {
		if err := server.WriteHeld(c.Dir, name, of(name)); err != nil {
			return err
		}
	}
	for _, name := range data.Damaged() {
		fmt.Fprintf(h.stderr, "joltshop: %s could not be read and was set aside; its rows are asked for again\n", name)
	}
	_, err = fmt.Fprintf(h.stdout, "%d records and %d files are here; %d enrolled vehicles are told when they next come, after joltshop serve or intake is started\n", records, files, len(names))
	return err
}

// heldFiles enters the files of all vehicles, by the bytes that they have now.
func heldFiles(ctx context.Context, dir string, of func(vehicle, stay string) *wire.HeldStay) (n int, err error) {
	list, err := filepath.Glob(filepath.Join(dir, "*", "*", "*"))
	for _, at := range list {
		if err := ctx.Err(); err != nil {
			return n, err
		}
		stay := filepath.Dir(at)
		vehicle, name := filepath.Base(filepath.Dir(stay)), filepath.Base(at)
		if !wire.VehicleName(vehicle) || storage.CheckFileName(name) != nil {
			continue
		}
		sum, _, err := wire.SumOf(at)
		if err != nil {
			return n, err
		}
		of(vehicle, filepath.Base(stay)).Files[name] = sum
		n++
	}
	return n, err
}
