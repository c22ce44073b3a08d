package storage

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// FS is what a Writer needs of a file system. Names are within the store's
// folder. Tests put one in between that fails.
type FS interface {
	// Make makes the folder, mode 0700 (0750 with Options.GroupRead), where it
	// is absent.
	Make() error
	// Lock takes the store for one writer; it fails where another has it.
	Lock() (release func() error, err error)
	// List lists all that is in the folder, what is no regular file too.
	List() ([]fs.FileInfo, error)
	// ReadFile reads a regular file of at most MaxFile bytes.
	ReadFile(name string) ([]byte, error)
	// Create makes a new file, mode 0600 (0640), which must not exist.
	Create(name string) (File, error)
	Truncate(name string, size int64) error
	// Overwrite writes within a file, whose size does not change, and makes
	// that durable; later leaves it to the next sync of any file where it can.
	Overwrite(name string, at int64, b []byte, later bool) error
	Rename(from, to string) error
	Remove(name string) error
	// SyncDir makes creations, renames and removals durable.
	SyncDir() error
	// Free is the space that is left to an ordinary user, in bytes.
	Free() (int64, error)
}

// File is a file that is appended to.
type File interface {
	Write([]byte) (int, error)
	// Order leaves what was written, and the file's name, to the next Sync of any file in
	// the folder: that makes it durable too, and no cut loses it and leaves what is written
	// to others from now on. It reports whether the file system can do that.
	Order() (bool, error)
	Sync() error
	Close() error
}

// OS returns the FS of a folder on the machine's own file system.
func OS(dir string) FS { return osFS{dir: dir} }

type osFS struct {
	dir   string
	group bool // may read, too
}

// mode is that of a file; a folder's has the right to enter it as well.
func (o osFS) mode() fs.FileMode {
	if o.group {
		return 0o640
	}
	return 0o600
}

func (o osFS) dirMode() fs.FileMode { return o.mode() | o.mode()>>2&0o110 }

func (o osFS) path(name string) string { return filepath.Join(o.dir, name) }

func (o osFS) Make() error {
	if st, err := os.Stat(o.dir); err == nil {
		if !st.IsDir() {
			return &fs.PathError{Op: "open", Path: o.dir, Err: errors.New("is a file, expected a folder")}
		}
		if list, err := os.ReadDir(o.dir); err == nil && len(list) == 0 {
			return os.Chmod(o.dir, o.dirMode()) // an empty folder becomes ours
		}
		if o.group && st.Mode().Perm()&0o050 != 0o050 {
			return os.Chmod(o.dir, o.dirMode())
		}
		return nil
	}
	if err := os.MkdirAll(o.dir, o.dirMode()); err != nil {
		return err
	}
	if err := os.Chmod(o.dir, o.dirMode()); err != nil { // whatever the umask
		return err
	}
	if err := inherit(o.dir, filepath.Dir(filepath.Clean(o.dir))); err != nil {
		return err
	}
	// The entry in the parent must last as well. A parent that cannot be
	// opened is not ours to sync.
	if p, err := os.Open(filepath.Dir(filepath.Clean(o.dir))); err == nil {
		err = p.Sync()
		return errors.Join(err, p.Close())
	}
	return nil
}

func (o osFS) List() ([]fs.FileInfo, error) {
	entries, err := os.ReadDir(o.dir)
	if err != nil {
		return nil, err
	}
	var out []fs.FileInfo
	for _, e := range entries {
		i, err := e.Info()
		if err != nil {
			if errors.Is(err, fs.ErrNotExist) {
				continue // removed meanwhile by a running writer
			}
			return nil, err
		}
		out = append(out, i)
	}
	return out, nil
}

func (o osFS) ReadFile(name string) ([]byte, error) {
	f, err := openRegular(o.path(name))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if size := st.Size(); size > MaxFile {
		return nil, &fs.PathError{Op: "read", Path: o.path(name), Err: fmt.Errorf("%w: %d bytes, at most %d", errOversize, size, MaxFile)}
	}
	b := make([]byte, 0, st.Size()+1)
	for {
		n, err := f.Read(b[len(b):cap(b)])
		b = b[:len(b)+n]
		switch {
		case err == io.EOF:
			return b, nil
		case err != nil:
			return b, err
		case len(b) > MaxFile:
			return nil, &fs.PathError{Op: "read", Path: o.path(name), Err: errOversize}
		case len(b) == cap(b):
			b = append(b, 0)[:len(b)]
		}
	}
}

// errOversize refuses a file by its size, before it is read.
var errOversize = errors.New("larger than any file of a stay")

func (o osFS) Overwrite(name string, at int64, b []byte, later bool) error {
	f, err := os.OpenFile(o.path(name), os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(b, at)
	if err == nil && later {
		later, err = osFile{f}.Order()
	}
	if err == nil && !later {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

func (o osFS) Create(name string) (File, error) {
	f, err := os.OpenFile(o.path(name), os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, o.mode())
	if err != nil {
		return nil, err
	}
	if o.group { // whatever the umask
		err = f.Chmod(o.mode())
	}
	if err = errors.Join(err, inherit(o.path(name), o.dir)); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return osFile{f}, nil
}

func (o osFS) Truncate(name string, size int64) error {
	f, err := os.OpenFile(o.path(name), os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	err = f.Truncate(size)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

func (o osFS) Rename(from, to string) error { return os.Rename(o.path(from), o.path(to)) }
func (o osFS) Remove(name string) error     { return os.Remove(o.path(name)) }

func (o osFS) SyncDir() error {
	d, err := os.Open(o.dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	return errors.Join(err, d.Close())
}
