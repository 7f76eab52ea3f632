package devnode

import (
	"errors"
	"os"
	"runtime"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"turnstone/device/devnode/devnodetest"
)

// TestHold holds both ways of an ioctl against each other: what is answered of a pipe with
// so many bytes in it (TIOCINQ, the same as FIONREAD, ioctl_tty(2)), and the errors of ioctl(2).
func TestHold(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	defer w.Close()
	if _, err := w.WriteString("seven.."); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name    string
		fd      int
		request uint
		n       int32
		err     error
	}{
		{"bytes in a pipe", int(r.Fd()), unix.TIOCINQ, 7, nil},
		{"a disc's number of a pipe", int(r.Fd()), unix.BLKGETDISKSEQ, 0, unix.ENOTTY},
		{"of nothing", -1, unix.TIOCINQ, 0, unix.EBADF},
	} {
		for way, call := range map[string]func(int, uint, unsafe.Pointer) error{"Ioctl": Ioctl, "Hold": Hold} {
			var n int32
			if err := call(test.fd, test.request, unsafe.Pointer(&n)); !errors.Is(err, test.err) || n != test.n {
				t.Errorf("%s, %s = %d, %v; want %d, %v", test.name, way, n, err, test.n, test.err)
			}
		}
	}
}

// TestUndisturbed sleeps in ppoll(2), which a signal always breaks off with EINTR
// (signal(7)), while its thread gets the signal that Go's runtime sends to its own
// threads. The signals wait, and come afterwards.
func TestUndisturbed(t *testing.T) {
	sleep := func(long unix.Timespec) error {
		defer devnodetest.Signals(t, time.Millisecond)()
		_, err := unix.Ppoll(nil, &long, nil)
		return err
	}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	var before, after unix.Sigset_t
	if err := unix.PthreadSigmask(unix.SIG_SETMASK, nil, &before); err != nil {
		t.Fatal(err)
	}
	if err := sleep(unix.Timespec{Sec: 60}); err != unix.EINTR { // the first one ends it
		t.Errorf("a sleep among signals = %v; want EINTR", err)
	}
	Undisturbed(func() {
		if err := sleep(unix.Timespec{Nsec: 100e6}); err != nil {
			t.Errorf("a sleep that no signal reaches = %v", err)
		}
	})
	if err := unix.PthreadSigmask(unix.SIG_SETMASK, nil, &after); err != nil || after != before {
		t.Errorf("signals that are held back afterwards = %v, %v; want %v", after, err, before)
	}
}
