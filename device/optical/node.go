package optical

import (
	"errors"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/devnode"
)

// cdromMajor is the major number of all drives of the sr driver (SCSI_CDROM_MAJOR,
// linux/major.h).
const cdromMajor = 11

// dial opens a drive's node for SG_IO. With O_NONBLOCK it opens whatever the drive
// holds, closes no tray and locks no door. To read, a drive is refused that is mounted
// or that another program has to itself; it is found out by an exclusive open that is
// given up at once, since a reading that hangs must not keep the next run from the
// drive. To act, the sg node serves where there is one: whenever an sr node is opened,
// the kernel first asks the drive whether its disc was changed.
func dial(node string, p purpose) (Transport, Host, error) {
	var st unix.Stat_t
	if err := unix.Stat(node, &st); err != nil {
		return nil, nil, devnode.Error(node, &st, err)
	}
	if st.Mode&unix.S_IFMT != unix.S_IFBLK || unix.Major(st.Rdev) != cdromMajor {
		return nil, nil, &device.OpenError{Node: node, What: "it is not the node of an optical drive", Cure: "Name a drive, such as /dev/sr0."}
	}
	const flags = unix.O_RDONLY | unix.O_NONBLOCK | unix.O_CLOEXEC
	dir := devnode.Named(devnode.Sysfs, node)
	if p == toRead {
		fd, err := devnode.Open(node, flags|unix.O_EXCL)
		if err != nil {
			return nil, nil, devnode.Error(node, &st, err)
		}
		unix.Close(fd)
	}
	way := node
	if p == toAct {
		way = dir.Generic(node)
	}
	fd, err := devnode.Open(way, flags)
	if err != nil {
		return nil, nil, devnode.Error(node, &st, err)
	}
	h := &sgHost{fd: fd, dir: dir, limit: dir.CommandBytes()}
	if n, err := reservedSize(fd); err == nil && n > 0 {
		h.limit = min(h.limit, n)
	}
	return newSGTransport(fd, p, func() (int, error) { return settingsNode(node, dir.SG()) }), h, nil
}

// sgHost is what Linux knows of a drive.
type sgHost struct {
	fd    int
	dir   devnode.Dir
	limit int
}

func (h *sgHost) Limit() int   { return h.limit }
func (h *sgHost) Gone() string { return h.dir.Gone(true) }

func (h *sgHost) Sequence() (uint64, bool) {
	n, err := devnode.DiskSequence(h.fd)
	return n, err == nil
}

func (h *sgHost) Wait(d time.Duration) { time.Sleep(d) }

// CanSet tells why settings can't be sent.
func (t *sgTransport) CanSet() (err error) {
	if t.settings < 0 {
		if t.settings, err = t.openSettings(); err != nil {
			t.settings = -1
		}
	}
	return err
}

// mayNotSet is a sentence about settings that can't be changed, and how they could.
func mayNotSet(node string, err error) string {
	s := "Its read retry count and speed can't be changed by this user (" + devnode.ErrnoText(err) + ")."
	var st unix.Stat_t
	if (errors.Is(err, unix.EACCES) || errors.Is(err, unix.EPERM)) && unix.Stat(node, &st) == nil {
		s += " " + devnode.ToSet(node, &st)
	}
	return s
}
