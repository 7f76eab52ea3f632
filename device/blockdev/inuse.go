package blockdev

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"turnstone/device"
)

// busy says what has a block device to itself, and how to end that.
func busy(dev uint64) (what, cure string) {
	mine := sysfsOf(dev)
	if points := readSmall("/proc/self/mountinfo"); points != nil {
		for m := range mounts(points) {
			if m.dev == dev || mine != "" && sysfsOf(m.dev) == mine {
				return fmt.Sprintf("it is mounted at %s", m.point), fmt.Sprintf("Unmount it first: umount %s", device.ShellWord(m.point))
			}
		}
	}
	if mine != "" {
		holders, _ := filepath.Glob(filepath.Join(string(mine), "holders", "*"))
		if len(holders) > 0 {
			name := filepath.Base(holders[0])
			return fmt.Sprintf("it is part of /dev/%s", name), fmt.Sprintf("Take /dev/%s down first.", name)
		}
	}
	return "another program has it to itself", "Find it with: fuser -v on the node; end it, and try again."
}

// readSmall is a file of up to 4 MiB.
func readSmall(path string) []byte {
	f, err := os.Open(path)
	if err != nil {
		return nil
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, 4<<20))
	if err != nil {
		return nil
	}
	return b
}

type mount struct {
	dev   uint64
	point string
}

// mounts goes through the lines of a mountinfo file (proc_pid_mountinfo(5)):
//
//	36 35 8:17 / /media/disc ro,relatime shared:1 - iso9660 /dev/sr0 ro
//	      dev    mount point, with blanks and backslashes as \ and 3 octal digits
//
// What is not such a line is passed over.
func mounts(info []byte) func(yield func(mount) bool) {
	return func(yield func(mount) bool) {
		for line := range bytes.Lines(info) {
			f := bytes.Fields(line)
			if len(f) < 5 {
				continue
			}
			major, minor, ok := strings.Cut(string(f[2]), ":")
			a, err := strconv.ParseUint(major, 10, 32)
			b, err2 := strconv.ParseUint(minor, 10, 32)
			if !ok || err != nil || err2 != nil {
				continue
			}
			if !yield(mount{unix.Mkdev(uint32(a), uint32(b)), unescape(string(f[4]))}) {
				return
			}
		}
	}
}

// unescape takes the octal escapes out of a mount point.
func unescape(s string) string {
	var out strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+3 < len(s) {
			if c, err := strconv.ParseUint(s[i+1:i+4], 8, 8); err == nil {
				out.WriteByte(byte(c))
				i += 3
				continue
			}
		}
		out.WriteByte(s[i])
	}
	return out.String()
}

// permit says how a user, by its number, gets leave to read node, whose mode and
// group st has.
func permit(node string, st *unix.Stat_t, groupFile string, user int) string {
	name := groupName(readSmall(groupFile), st.Gid)
	switch {
	case st.Mode == 0:
		return "Ask for leave to enter the folders above it."
	case st.Mode&unix.S_IFMT == unix.S_IFREG:
		return "Ask its owner for leave to read it: chmod a+r " + device.ShellWord(node)
	case user == 0:
		return "Even root may not: what the program runs in, a container or a policy of the system, forbids it."
	case st.Mode&unix.S_IRGRP != 0 && st.Gid != 0 && name != "":
		return fmt.Sprintf("Join the group %s, which may: sudo usermod -aG %s $USER, then log in again.", name, name)
	}
	return "Only root may: run it with sudo."
}

// groupName is the name of a group in a group file (group(5): name, password,
// number and members, with colons between them); "" where it is not there.
func groupName(file []byte, gid uint32) string {
	for line := range bytes.Lines(file) {
		f := strings.Split(strings.TrimSpace(string(line)), ":")
		if len(f) >= 3 && f[2] == strconv.FormatUint(uint64(gid), 10) {
			return f[0]
		}
	}
	return ""
}
