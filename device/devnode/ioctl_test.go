package devnode

import (
	"errors"
	"os"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
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
