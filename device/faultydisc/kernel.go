package faultydisc

import (
	"errors"
	"fmt"
	"os"
	"strconv"

	"golang.org/x/sys/unix"

	"turnstone/device/sector"
)

// ErrUnavailable is wrapped by the error of Start where this machine or user can't
// have faulty discs at all: no root, no /dev/fuse, no loop devices.
var ErrUnavailable = errors.New("no faulty disc here")

// denied wraps what the kernel refused for want of rights or of a driver.
func denied(what string, err error) error {
	for _, lack := range []error{unix.EPERM, unix.EACCES, unix.ENOENT, unix.ENOSYS, unix.ENODEV, unix.ENXIO} {
		if errors.Is(err, lack) {
			return fmt.Errorf("%w: %s: %w", ErrUnavailable, what, err)
		}
	}
	return fmt.Errorf("%s: %w", what, err)
}

// connect opens a FUSE connection and makes a mount for it that is attached to no
// folder: it is seen by nobody, reached only through root, and ends with the last
// file that is open on it.
func connect() (fuse, root *os.File, err error) {
	if os.Geteuid() != 0 {
		return nil, nil, fmt.Errorf("%w: only root can make one", ErrUnavailable)
	}
	fuse, err = os.OpenFile("/dev/fuse", os.O_RDWR, 0)
	if err != nil {
		return nil, nil, denied("fuse", err)
	}
	root, err = mount(fuse)
	if err != nil {
		fuse.Close()
		return nil, nil, denied("mount of a fuse file system", err)
	}
	return fuse, root, nil
}

// mount is a mount of the FUSE connection, attached to no folder (fsopen(2),
// fsmount(2), since Linux 5.2).
func mount(fuse *os.File) (*os.File, error) {
	fs, err := unix.Fsopen("fuse", unix.FSOPEN_CLOEXEC)
	if err != nil {
		return nil, err
	}
	defer unix.Close(fs)
	for _, option := range [][2]string{
		{"source", "faultydisc"},
		{"fd", strconv.Itoa(int(fuse.Fd()))},
		{"rootmode", "40000"}, // a directory
		{"user_id", "0"},
		{"group_id", "0"},
		{"max_read", strconv.Itoa(maxRead)},
	} {
		if err := unix.FsconfigSetString(fs, option[0], option[1]); err != nil {
			return nil, fmt.Errorf("option %s=%s: %w", option[0], option[1], err)
		}
	}
	if err := unix.FsconfigCreate(fs); err != nil {
		return nil, err
	}
	fd, err := unix.Fsmount(fs, unix.FSMOUNT_CLOEXEC, unix.MOUNT_ATTR_RDONLY|unix.MOUNT_ATTR_NODEV|unix.MOUNT_ATTR_NOSUID)
	if err != nil {
		return nil, err
	}
	return os.NewFile(uintptr(fd), "fuse mount"), nil
}

// openDisc opens the one file of the mount. It waits for the server's answer.
func openDisc(root *os.File) (*os.File, error) {
	fd, err := unix.Openat(int(root.Fd()), fileName, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("fuse file: %w", err)
	}
	return os.NewFile(uintptr(fd), fileName), nil
}

// attach makes a loop device of a file: sectors of 2048 bytes, read-only, with
// direct I/O where the file allows it. The device exists as long as anybody has it
// open, which the returned file does.
func attach(file *os.File) (*os.File, error) {
	control, err := os.OpenFile("/dev/loop-control", os.O_RDWR, 0)
	if err != nil {
		return nil, denied("loop device", err)
	}
	defer control.Close()
	config := unix.LoopConfig{Fd: uint32(file.Fd()), Size: sector.Size}
	config.Info.Flags = unix.LO_FLAGS_READ_ONLY | unix.LO_FLAGS_AUTOCLEAR | unix.LO_FLAGS_DIRECT_IO
	copy(config.Info.File_name[:], "faultydisc")
	for range 100 {
		n, err := unix.IoctlRetInt(int(control.Fd()), unix.LOOP_CTL_GET_FREE)
		if err != nil {
			return nil, denied("free loop device", err)
		}
		device, err := os.Open("/dev/loop" + strconv.Itoa(n))
		if err != nil {
			return nil, denied("loop device", err)
		}
		// udev leaves a block device alone while somebody holds this lock
		// (systemd's "Locking Block Device Access" [memory]): else its probing
		// would stand in the counts.
		if err := unix.Flock(int(device.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
			device.Close()
			continue
		}
		err = unix.IoctlLoopConfigure(int(device.Fd()), &config)
		if err == nil {
			return device, nil
		}
		device.Close()
		if !errors.Is(err, unix.EBUSY) { // another process was quicker
			return nil, denied("loop device", err)
		}
	}
	return nil, errors.New("loop device: others took every free one first")
}
