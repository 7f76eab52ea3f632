package devnode

import (
	"runtime"
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
	err := Hold(fd, unix.BLKGETDISKSEQ, unsafe.Pointer(&n))
	return n, err
}

// Ioctl is ioctl(2), again where a signal interrupted it. The error is an errno.
func Ioctl(fd int, request uint, arg unsafe.Pointer) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), uintptr(arg))
		if errno != unix.EINTR {
			return orNil(errno)
		}
	}
}

// Hold is Ioctl without a word to Go's scheduler, which otherwise takes the processor from
// whoever is in the kernel for more than 20 µs (10 ms while it has an idle one), and looks
// for something else to do: up to a seventh of the time in which an emulated machine reads
// a disc. It is for calls that return at once, and for those that sleep uninterruptibly in a
// process that has nothing else to do meanwhile: none of its goroutines gets past the
// collector's next stop before the call returns, and the runtime's signals, which come every
// 10 ms then, would break off any other sleep.
func Hold(fd int, request uint, arg unsafe.Pointer) error {
	for {
		_, _, errno := unix.RawSyscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), uintptr(arg))
		if errno != unix.EINTR {
			return orNil(errno)
		}
	}
}

// Undisturbed calls f on a thread that no signal reaches meanwhile. It is for a call whose
// sleep a signal breaks off and which the kernel then begins anew (signal(7), SA_RESTART):
// the SG_IO of an sg node leaves its command to the drive and sends it once more, and Go's
// runtime sends signals to its own threads at any time.
func Undisturbed(f func()) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	all, before := unix.Sigset_t{}, unix.Sigset_t{}
	for i := range all.Val {
		all.Val[i]--
	}
	// It can fail only where its first argument or an address is wrong (sigprocmask(2)).
	if unix.PthreadSigmask(unix.SIG_SETMASK, &all, &before) == nil {
		defer unix.PthreadSigmask(unix.SIG_SETMASK, &before, nil)
	}
	f()
}

func orNil(errno unix.Errno) error {
	if errno == 0 {
		return nil
	}
	return errno
}
