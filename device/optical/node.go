package optical

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
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
		return nil, nil, nodeError(node, &st, err)
	}
	if st.Mode&unix.S_IFMT != unix.S_IFBLK || unix.Major(st.Rdev) != cdromMajor {
		return nil, nil, &device.OpenError{Node: node, What: "it is not the node of an optical drive", Cure: "Name a drive, such as /dev/sr0."}
	}
	const flags = unix.O_RDONLY | unix.O_NONBLOCK | unix.O_CLOEXEC
	dir := sysfsOf(sysRoot, node)
	if p == toRead {
		fd, err := retry(node, flags|unix.O_EXCL)
		if err != nil {
			return nil, nil, nodeError(node, &st, err)
		}
		unix.Close(fd)
	}
	way := node
	if p == toAct {
		way = dir.generic(node)
	}
	fd, err := retry(way, flags)
	if err != nil {
		return nil, nil, nodeError(node, &st, err)
	}
	h := &sgHost{fd: fd, dir: dir, limit: dir.limit()}
	if n, err := reservedSize(fd); err == nil && n > 0 {
		h.limit = min(h.limit, n)
	}
	return newSGTransport(fd, func() (int, error) { return settingsNode(node, dir.sg()) }), h, nil
}

// sgHost is what Linux knows of a drive.
type sgHost struct {
	fd    int
	dir   sysfs
	limit int
}

func (h *sgHost) Limit() int   { return h.limit }
func (h *sgHost) Gone() string { return h.dir.gone() }

func (h *sgHost) Sequence() (uint64, bool) {
	n, err := diskSequence(h.fd)
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

// nodeError puts into words what the kernel said to an opening.
func nodeError(node string, st *unix.Stat_t, err error) error {
	e := &device.OpenError{Node: node, Err: err}
	switch err {
	case unix.ENOENT, unix.ENOTDIR:
		e.What = "there is no such drive"
		e.Cure = "Check the name: a drive that was plugged in again may have come back under another."
	case unix.EACCES, unix.EPERM:
		e.What, e.Cure = "no permission to read it", permit(st, unix.S_IRGRP, string(readSome("/etc/group")), os.Geteuid())
	case unix.ENOMEDIUM:
		e.What, e.Cure, e.NoDisc = "there is no disc in it", putIn, true
	case unix.ENXIO, unix.ENODEV:
		e.What, e.Cure = "the node is there, the drive is not", plugIn
	case unix.EBUSY:
		e.What, e.Cure = busy(node, st.Rdev, string(readSome("/proc/self/mountinfo")))
	default:
		e.What = "it can't be opened: " + errnoText(err)
	}
	return e
}

// busy says what has a drive to itself, and how to end that. Mounts is a mountinfo
// file (proc_pid_mountinfo(5)): major and minor number are the third word of a line,
// the mount point the fifth.
func busy(node string, dev uint64, mounts string) (what, cure string) {
	number := fmt.Sprintf("%d:%d", unix.Major(dev), unix.Minor(dev))
	for line := range strings.Lines(mounts) {
		if f := strings.Fields(line); len(f) >= 5 && f[2] == number {
			point := octal.Replace(f[4])
			return "it is mounted at " + point, "Unmount it first: umount " + device.ShellWord(point)
		}
	}
	return "another program has it to itself", "Find it with: fuser -v " + device.ShellWord(node) + "; end it, and try again."
}

// octal takes the escapes out of a mount point.
var octal = strings.NewReplacer(`\040`, " ", `\011`, "\t", `\012`, "\n", `\134`, `\`)

// mayNotSet is a sentence about settings that can't be changed, and how they could.
func mayNotSet(node string, err error) string {
	s := "Its read retry count and speed can't be changed by this user (" + errnoText(err) + ")."
	var st unix.Stat_t
	if (errors.Is(err, unix.EACCES) || errors.Is(err, unix.EPERM)) && unix.Stat(node, &st) == nil {
		s += " " + permit(&st, unix.S_IWGRP, string(readSome("/etc/group")), os.Geteuid())
	}
	return s
}

// permit says how a user, by its number, gets leave to use a node of whose mode the
// group needs a bit. Groups is a group file (group(5): name, password, number and
// members, with colons between them).
func permit(st *unix.Stat_t, bit uint32, groups string, user int) string {
	name := ""
	for line := range strings.Lines(groups) {
		f := strings.Split(strings.TrimSpace(line), ":")
		if len(f) >= 3 && f[2] == strconv.FormatUint(uint64(st.Gid), 10) {
			name = f[0]
			break
		}
	}
	switch {
	case st.Mode == 0:
		return "Ask for leave to enter the folders above it."
	case user == 0:
		return "Even root may not: what the program runs in, a container or a policy of the system, forbids it."
	case st.Mode&bit != 0 && st.Gid != 0 && name != "":
		return fmt.Sprintf("Join the group %s, which may: sudo usermod -aG %s $USER, then log in again.", name, name)
	}
	return "Only root may: run it with sudo."
}
