package devnode

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// The requests are of linux/fs.h.

// Size is the capacity of an opened block device in bytes.
func Size(fd int) (int64, error) {
	var bytes uint64
	err := Ioctl(fd, unix.BLKGETSIZE64, unsafe.Pointer(&bytes))
	return int64(bytes), err
}

// LogicalSector is the unit in which an opened block device is addressed, in bytes.
func LogicalSector(fd int) (int64, error) {
	var bytes int32
	err := Ioctl(fd, unix.BLKSSZGET, unsafe.Pointer(&bytes))
	return int64(bytes), err
}

// DiskSequence is a number that the kernel gives a disc when it is put in, and no
// other until the machine starts again (since Linux 5.15).
func DiskSequence(fd int) (uint64, error) {
	var n uint64
	err := Ioctl(fd, unix.BLKGETDISKSEQ, unsafe.Pointer(&n))
	return n, err
}

// Ioctl is ioctl(2), again where a signal interrupted it. The error is an errno.
func Ioctl(fd int, request uint, arg unsafe.Pointer) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), uintptr(arg))
		if errno == 0 {
			return nil
		}
		if errno != unix.EINTR {
			return errno
		}
	}
}
