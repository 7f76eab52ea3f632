package blockdev

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// The requests are of linux/fs.h.

// blockSize is the capacity of a block device in bytes.
func blockSize(fd int) (int64, error) {
	var bytes uint64
	err := ioctl(fd, unix.BLKGETSIZE64, unsafe.Pointer(&bytes))
	return int64(bytes), err
}

// logicalSector is the unit in which a block device is addressed, in bytes.
func logicalSector(fd int) (int64, error) {
	var bytes int32
	err := ioctl(fd, unix.BLKSSZGET, unsafe.Pointer(&bytes))
	return int64(bytes), err
}

// diskSequence is a number that the kernel gives a disc when it is put in, and no
// other until the machine starts again (since Linux 5.15).
func diskSequence(fd int) (uint64, error) {
	var n uint64
	err := ioctl(fd, unix.BLKGETDISKSEQ, unsafe.Pointer(&n))
	return n, err
}

func ioctl(fd int, request uint, arg unsafe.Pointer) error {
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
