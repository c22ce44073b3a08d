package storage

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

func (o osFS) Lock() (func() error, error) {
	f, err := os.OpenFile(o.path("lock"), os.O_RDWR|os.O_CREATE, o.mode())
	if err != nil {
		return nil, err
	}
	if o.group {
		f.Chmod(o.mode()) //nolint:errcheck // only those who look whether a run goes on need it
	}
	if err := inherit(o.path("lock"), o.dir); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	// A lock of the open file, which the kernel drops with the process, however
	// that ends, and which can be asked about without taking it.
	lk := unix.Flock_t{Type: unix.F_WRLCK}
	for range lockTries {
		if err = unix.FcntlFlock(f.Fd(), unix.F_OFD_SETLK, &lk); err == nil {
			return f.Close, nil
		}
		time.Sleep(lockWait)
	}
	if errors.Is(err, unix.EAGAIN) || errors.Is(err, unix.EACCES) {
		err = fmt.Errorf("%s: another joltwatch writes to this store; stop it first, or give another folder", o.dir)
	}
	return nil, errors.Join(err, f.Close())
}

// osFile is a file on the machine's own file system.
type osFile struct{ *os.File }

// Order has the kernel write the file out now. On ext4 with a journal its size and its
// name are then in a transaction that is committed with the next sync of any file or
// before, and after its content (Documentation/filesystems/ext4/journal.rst of the
// kernel's source).
func (f osFile) Order() (bool, error) {
	if !f.journaled() {
		return false, nil
	}
	err := unix.SyncFileRange(int(f.Fd()), 0, 0, unix.SYNC_FILE_RANGE_WAIT_BEFORE|unix.SYNC_FILE_RANGE_WRITE|unix.SYNC_FILE_RANGE_WAIT_AFTER)
	if refusal(err) {
		return false, err
	}
	return err == nil, nil // what the kernel lacks, or does not allow, is only not done
}

// journaled reports whether the file is known to lie on ext4 with a journal
// (Documentation/ABI/testing/sysfs-fs-ext4 of the kernel's source).
func (f osFile) journaled() bool {
	var fs unix.Statfs_t
	var st unix.Stat_t
	if unix.Fstatfs(int(f.Fd()), &fs) != nil || fs.Type != unix.EXT4_SUPER_MAGIC || unix.Fstat(int(f.Fd()), &st) != nil {
		return false
	}
	device, err := os.Readlink(fmt.Sprintf("/sys/dev/block/%d:%d", unix.Major(uint64(st.Dev)), unix.Minor(uint64(st.Dev))))
	if err != nil {
		return false
	}
	task, err := os.ReadFile(filepath.Join("/sys/fs/ext4", filepath.Base(device), "journal_task"))
	return err == nil && !bytes.HasPrefix(task, []byte("<none>"))
}

// Who tells the stay the time has the lock for a moment.
const (
	lockTries = 10
	lockWait  = 20 * time.Millisecond
)

// openRegular opens a file for reading that is a regular one itself, and waits
// for nobody to write to it.
func openRegular(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
	if err != nil {
		if errors.Is(err, unix.ELOOP) {
			err = notRegular(path)
		}
		return nil, err
	}
	st, err := f.Stat()
	if err == nil && !st.Mode().IsRegular() {
		err = notRegular(path)
	}
	if err != nil {
		f.Close() //nolint:errcheck // err says more
		return nil, err
	}
	return f, nil
}

func notRegular(path string) error {
	return &os.PathError{Op: "open", Path: path, Err: errors.New("is no regular file, expected a file of the stay")}
}

// locked reports whether a writer has the store at this moment.
func (o osFS) locked() bool {
	f, err := os.Open(o.path("lock"))
	if err != nil {
		return false
	}
	defer f.Close()
	lk := unix.Flock_t{Type: unix.F_RDLCK}
	return unix.FcntlFlock(f.Fd(), unix.F_OFD_GETLK, &lk) == nil && lk.Type == unix.F_WRLCK
}

func (o osFS) Free() (int64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(o.dir, &st); err != nil {
		return 0, fmt.Errorf("statfs %s: %w", o.dir, err)
	}
	return int64(st.Bavail) * int64(st.Bsize), nil
}

// inherit gives what root has made in a folder to the folder's owner: root may
// tell a stay the time, and the service's own account must be able to read it.
func inherit(path, dir string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	var st unix.Stat_t
	if err := unix.Stat(dir, &st); err != nil {
		return &os.PathError{Op: "stat", Path: dir, Err: err}
	}
	if st.Uid == 0 {
		return nil
	}
	return os.Chown(path, int(st.Uid), int(st.Gid))
}

// refusal reports whether an error is the medium's own, which may pass: it is
// read-only, full, failing or away. Others are for someone to put right.
func refusal(err error) bool {
	var errno syscall.Errno
	if !errors.As(err, &errno) {
		return false
	}
	switch errno {
	case unix.EROFS, unix.EIO, unix.ENOSPC, unix.EDQUOT, unix.ENODEV, unix.ENXIO, unix.ENOMEDIUM,
		unix.EREMOTEIO, unix.ETIMEDOUT, unix.EUCLEAN, unix.EBADMSG, unix.ESTALE:
		return true
	}
	return false
}
