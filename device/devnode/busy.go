package devnode

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"turnstone/device"
)

// busy says what has a block device to itself, and how to end that.
func busy(path string, dev uint64) (what, cure string) {
	return busyBy(path, dev, readFile("/proc/self/mountinfo"))
}

func busyBy(path string, dev uint64, points []byte) (what, cure string) {
	mine := Numbered(dev)
	for m := range mounts(points) {
		if m.dev == dev || mine != "" && Numbered(m.dev) == mine {
			return "it is mounted at " + m.point, "Unmount it first: umount " + device.ShellWord(m.point)
		}
	}
	if mine != "" {
		holders, _ := filepath.Glob(filepath.Join(string(mine), "holders", "*"))
		if len(holders) > 0 {
			name := filepath.Base(holders[0])
			return "it is part of /dev/" + name, fmt.Sprintf("Take /dev/%s down first.", name)
		}
	}
	return "another program has it to itself", "Find it with: fuser -v " + device.ShellWord(path) + "; end it, and try again."
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
