package devnode

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"

	"turnstone/device"
)

// Open is open(2), again where a signal interrupted it. The error is an errno.
func Open(path string, flags int) (int, error) {
	for {
		fd, err := unix.Open(path, flags, 0)
		if err != unix.EINTR {
			return fd, err
		}
	}
}

// What is advised about a drive more than once.
const (
	PutIn  = "Put the disc in, wait until the drive has come to rest, and try again."
	PlugIn = "Look whether the drive is plugged in and switched on; it may have come back under another name."
)

// Error puts into words what the kernel said to an opening. St is what stat(2) said
// of the node, zero where it could not be had.
func Error(path string, st *unix.Stat_t, err error) *device.OpenError {
	e := &device.OpenError{Node: path, Err: err}
	switch err {
	case unix.ENOENT, unix.ENOTDIR:
		e.What = "there is no such device or file"
		e.Cure = "Check the name: a drive that was plugged in again may have come back under another."
	case unix.EACCES, unix.EPERM:
		e.What, e.Cure = "no permission to read it", ToRead(path, st)
	case unix.ENOMEDIUM:
		e.What, e.Cure, e.NoDisc = "there is no disc in it", PutIn, true
	case unix.ENXIO, unix.ENODEV:
		e.What, e.Cure = "the node is there, the drive is not", PlugIn
	case unix.EBUSY:
		e.What, e.Cure = busy(path, st.Rdev)
	default:
		e.What = "it can't be opened: " + ErrnoText(err)
	}
	return e
}

// ErrnoText is an errno's name and words: "EIO: input/output error".
func ErrnoText(err error) string {
	errno, ok := errors.AsType[syscall.Errno](err)
	switch {
	case !ok:
		return err.Error()
	case errno == unix.ENODATA:
		return "ENODATA: critical medium error" // the block layer's own words for it
	}
	if name := unix.ErrnoName(errno); name != "" {
		return name + ": " + errno.Error()
	}
	return errno.Error()
}

// ToRead is a sentence about how this user gets leave to read a node or a file, of
// which stat(2) said st.
func ToRead(path string, st *unix.Stat_t) string { return leave(path, st, unix.S_IRGRP) }

// ToSet is one about leave to change settings of the drive behind a node.
func ToSet(path string, st *unix.Stat_t) string { return leave(path, st, unix.S_IWGRP) }

func leave(path string, st *unix.Stat_t, bit uint32) string {
	return permit(path, st, bit, readFile("/etc/group"), os.Geteuid())
}

// permit says how a user, by its number, gets leave to use a node of whose mode the
// group needs a bit. Groups is a group file.
func permit(path string, st *unix.Stat_t, bit uint32, groups []byte, user int) string {
	name := groupName(groups, st.Gid)
	switch {
	case st.Mode == 0:
		return "Ask for leave to enter the folders above it."
	case st.Mode&unix.S_IFMT == unix.S_IFREG:
		return "Ask its owner for leave to read it: chmod a+r " + device.ShellWord(path)
	case user == 0:
		return "Even root may not: what the program runs in, a container or a policy of the system, forbids it."
	case st.Mode&bit != 0 && st.Gid != 0 && name != "":
		return fmt.Sprintf("Join the group %s, which may: sudo usermod -aG %s $USER, then log in again.", name, name)
	}
	return "Only root may: run it with sudo."
}

// groupName is the name of a group in a group file (group(5): name, password,
// number and members, with colons between them); "" where it is not there.
func groupName(groups []byte, gid uint32) string {
	number := fmt.Sprint(gid)
	for line := range strings.Lines(string(groups)) {
		f := strings.Split(strings.TrimSpace(line), ":")
		if len(f) >= 3 && f[2] == number {
			return f[0]
		}
	}
	return ""
}
