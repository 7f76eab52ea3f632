package optical

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"turnstone/device/scsi"
)

// sysfs is the folder of an optical drive's block device in sysfs; "" where there is
// none.
type sysfs string

const sysRoot = "/sys"

// sysfsOf is the folder of a node such as /dev/sr0, or of a symbolic link to it.
func sysfsOf(root, node string) sysfs {
	if path, err := filepath.EvalSymlinks(node); err == nil {
		node = path
	}
	dir, err := filepath.EvalSymlinks(filepath.Join(root, "class/block", filepath.Base(node)))
	if err != nil {
		return ""
	}
	return sysfs(dir)
}

// line is the one line in a file below s, trimmed; "" where there is none.
func (s sysfs) line(name string) string {
	if s == "" {
		return ""
	}
	return readLine(filepath.Join(string(s), name))
}

// number is the number in a file below s; 0 where there is none.
func (s sysfs) number(name string) int {
	n, err := strconv.Atoi(s.line(name))
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// serial is the unit serial number as the kernel keeps it.
func (s sysfs) serial() string {
	if s == "" {
		return ""
	}
	text, _ := scsi.ParseSerial(readSome(filepath.Join(string(s), "device/vpd_pg80")))
	return text
}

// sg is the node by which the drive is a generic SCSI device; "" where the kernel has
// none.
func (s sysfs) sg() string {
	if s == "" {
		return ""
	}
	names, _ := filepath.Glob(filepath.Join(string(s), "device/scsi_generic/sg*"))
	if len(names) == 0 {
		return ""
	}
	return "/dev/" + filepath.Base(names[0])
}

// generic is the sg node where this user may use it, else the node given.
func (s sysfs) generic(node string) string {
	if sg := s.sg(); sg != "" && unix.Access(sg, unix.R_OK) == nil {
		return sg
	}
	return node
}

// usbPort is a USB device's name by the ports that lead to it: bus, port, and the port
// of each hub (Documentation/driver-api/usb, "1-4.2").
var usbPort = regexp.MustCompile(`^[0-9]+-[0-9]+(\.[0-9]+)*$`)

// usb is the USB device that the drive is, or is in; "" for one that hangs on another
// bus. Port is its name by the ports that lead to it.
func (s sysfs) usb() (dir sysfs, port string) {
	for d := string(s); len(d) > 1; d = filepath.Dir(d) {
		if name := filepath.Base(d); usbPort.MatchString(name) {
			return sysfs(d), name
		}
	}
	return "", ""
}

// away holds the states in which a SCSI device takes no commands any more
// (drivers/scsi/scsi_sysfs.c [memory]). "blocked" and "quiesce" pass.
var away = map[string]bool{"offline": true, "transport-offline": true, "cancel": true, "deleted": true}

// gone says how the kernel calls a drive that takes no commands; "" where it does.
func (s sysfs) gone() string {
	if s == "" {
		return ""
	}
	state := s.line("device/state")
	if state == "" {
		return "removed"
	}
	if away[state] {
		return state
	}
	return ""
}

// limit is the most bytes that a command may carry: what the host adapter takes, and
// as many pages as it takes pieces of memory.
func (s sysfs) limit() int {
	const page = 4096
	limit := 1 << 20
	if kb := s.number("queue/max_hw_sectors_kb"); kb > 0 {
		limit = min(limit, kb<<10)
	}
	if n := s.number("queue/max_segments"); n > 0 {
		limit = min(limit, n*page)
	}
	return limit
}

// bootID is another after each start of the machine; "" where it can't be had.
func bootID() string { return readLine("/proc/sys/kernel/random/boot_id") }

// readLine is the text of a small file without what is around it.
func readLine(path string) string { return string(bytes.TrimSpace(readSome(path))) }

// readSome is up to 64 KiB of a file.
func readSome(path string) []byte {
	f, err := os.Open(path)
	if err != nil {
		return nil
	}
	defer f.Close()
	b, _ := io.ReadAll(io.LimitReader(f, 64<<10))
	return b
}

// tidy is a name with single spaces.
func tidy(s string) string { return strings.Join(strings.Fields(s), " ") }
