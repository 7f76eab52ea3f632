package blockdev

import (
	"testing"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devnode"
)

func TestClasses(t *testing.T) {
	for _, test := range []struct {
		err  error
		want device.Class
	}{
		{unix.ENODATA, device.Medium},
		{unix.EIO, device.Doubtful}, {unix.EILSEQ, device.Doubtful}, {unix.ETIMEDOUT, device.Doubtful},
		{unix.EREMOTEIO, device.Doubtful}, {unix.EAGAIN, device.Doubtful}, {unix.ENOLINK, device.Doubtful},
		{unix.EUCLEAN, device.Doubtful}, // a file system's own damage
		{unix.ENODEV, device.Gone}, {unix.ENXIO, device.Gone}, {unix.ENOMEDIUM, device.Gone},
		{unix.ESTALE, device.Gone}, {errEnd, device.Gone},
		{unix.EMEDIUMTYPE, device.Changed},
		{unix.EINVAL, device.Refused}, {unix.ENOMEM, device.Refused},
	} {
		if got := classOf(test.err); got != test.want {
			t.Errorf("classOf(%s) = %v; want %v", devnode.ErrnoText(test.err), got, test.want)
		}
	}
}
