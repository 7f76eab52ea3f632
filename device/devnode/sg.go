package devnode

import (
	"path/filepath"
	"regexp"

	"golang.org/x/sys/unix"
)

// SG is the node by which the drive is a generic SCSI device; "" where the kernel has
// none.
func (d Dir) SG() string {
	if d == "" {
		return ""
	}
	names, _ := filepath.Glob(filepath.Join(string(d), "device/scsi_generic/sg*"))
	if len(names) == 0 {
		return ""
	}
	return "/dev/" + filepath.Base(names[0])
}

// Generic is the sg node where this user may use it, else the node given.
func (d Dir) Generic(path string) string {
	if sg := d.SG(); sg != "" && unix.Access(sg, unix.R_OK) == nil {
		return sg
	}
	return path
}

// CommandBytes is the most bytes that a command may carry: what the host adapter
// takes, and as many pages as it takes pieces of memory.
func (d Dir) CommandBytes() int {
	const page = 4096
	limit := 1 << 20
	if kb := d.Number("queue/max_hw_sectors_kb"); kb > 0 {
		limit = min(limit, kb<<10)
	}
	if n := d.Number("queue/max_segments"); n > 0 {
		limit = min(limit, n*page)
	}
	return limit
}

// usbPort is a USB device's name by the ports that lead to it: bus, port, and the port
// of each hub (Documentation/driver-api/usb, "1-4.2").
var usbPort = regexp.MustCompile(`^[0-9]+-[0-9]+(\.[0-9]+)*$`)

// USB is the USB device that the drive is, or is in; "" for one that hangs on another
// bus. Port is its name by the ports that lead to it.
func (d Dir) USB() (usb Dir, port string) {
	for dir := string(d); len(dir) > 1; dir = filepath.Dir(dir) {
		if name := filepath.Base(dir); usbPort.MatchString(name) {
			return Dir(dir), name
		}
	}
	return "", ""
}
