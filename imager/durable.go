package imager

import (
	"errors"
	"io/fs"
	"os"
	"path"
	"sync"
	"syscall"

	"golang.org/x/sys/unix"
)

// syncsAtOnce tells whether one sync of the file system that a folder is on (syncfs)
// makes all that was written there durable, and tells of what failed, as a sync of each
// file does. That it tells of it is so since Linux 5.8 (syncfs(2)). A file system in user
// space is not asked by it, FAT's does not empty the disk's cache, and others nobody has
// looked at [memory].
func syncsAtOnce(folder *os.File) bool {
	var st syscall.Statfs_t
	if err := syscall.Fstatfs(int(folder.Fd()), &st); err != nil {
		return false
	}
	switch int64(uint32(st.Type)) { // linux/magic.h
	case unix.EXT4_SUPER_MAGIC, unix.XFS_SUPER_MAGIC, unix.BTRFS_SUPER_MAGIC, unix.F2FS_SUPER_MAGIC, unix.TMPFS_MAGIC:
		return true
	}
	return false
}

// sync makes files durable: all at once where one of them was closed already, else each
// by itself, side by side.
func (o *outbox) sync(files []*outFile) error {
	errs := make([]error, len(files)+1)
	closed := false
	for _, f := range files {
		closed = closed || f.f == nil
	}
	if closed {
		errs[len(files)] = os.NewSyscallError("syncfs", unix.Syncfs(int(o.top.Fd())))
	}
	var all sync.WaitGroup
	for i, f := range files {
		if f.f == nil {
			continue
		}
		all.Go(func() {
			if !closed {
				errs[i] = f.f.Sync()
			}
			errs[i] = errors.Join(errs[i], f.f.Close())
		})
	}
	all.Wait()
	return errors.Join(errs...)
}

// syncNames makes the names in folders durable.
func (o *outbox) syncNames(folders []job) error {
	if o.atOnce {
		return os.NewSyscallError("syncfs", unix.Syncfs(int(o.top.Fd())))
	}
	err := o.syncFolder(".")
	for _, d := range folders {
		if o.placed[d.as] {
			err = errors.Join(err, o.syncFolder(d.as))
		}
	}
	return err
}

// syncFolder makes the names in a folder durable.
func (o *outbox) syncFolder(as string) error {
	f, err := o.root.Open(as)
	if err != nil {
		return err
	}
	defer f.Close()
	return syncOpened(f)
}

// mover gives files and folders below a root other names, where nothing is. It holds
// the folders of the one before open, which are those of the next as a rule.
type mover struct {
	root     *os.Root
	from, to heldFolder
}

// heldFolder is an open folder.
type heldFolder struct {
	name string
	f    *os.File // nil: none
}

// hold opens another one.
func (h *heldFolder) hold(root *os.Root, name string) error {
	if h.f != nil && h.name == name {
		return nil
	}
	if err := h.close(); err != nil {
		return err
	}
	f, err := root.Open(name)
	if err == nil {
		h.name, h.f = name, f
	}
	return err
}

func (h *heldFolder) close() error {
	if h.f == nil {
		return nil
	}
	f := h.f
	h.f = nil
	return f.Close()
}

// move gives what is called from the name to. An error that is fs.ErrExist is returned
// where something has it.
func (m *mover) move(from, to string) error {
	if err := errors.Join(m.from.hold(m.root, path.Dir(from)), m.to.hold(m.root, path.Dir(to))); err != nil {
		return err
	}
	err := unix.Renameat2(int(m.from.f.Fd()), path.Base(from), int(m.to.f.Fd()), path.Base(to), unix.RENAME_NOREPLACE)
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOSYS) { // a file system that can't look for itself
		if _, lerr := m.root.Lstat(to); lerr == nil {
			err = unix.EEXIST
		} else if err = lerr; errors.Is(lerr, fs.ErrNotExist) {
			return m.root.Rename(from, to)
		}
	}
	if err != nil {
		return &fs.PathError{Op: "extract", Path: to, Err: err}
	}
	return nil
}

// close lets go of the folders.
func (m *mover) close() error { return errors.Join(m.from.close(), m.to.close()) }
