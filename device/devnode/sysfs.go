package devnode

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"turnstone/device/scsi"
)

// Dir is the folder of a disk (not of a partition of it) in sysfs; "" where there is
// none. Of "" every question is answered as of a drive that tells nothing.
type Dir string

// Sysfs is where sysfs is mounted.
const Sysfs = "/sys"

// Numbered is the folder of the disk that has, or holds, a block device.
func Numbered(dev uint64) Dir {
	dir, err := filepath.EvalSymlinks(filepath.Join(Sysfs, fmt.Sprintf("dev/block/%d:%d", unix.Major(dev), unix.Minor(dev))))
	if err != nil {
		return ""
	}
	if _, err := os.Stat(filepath.Join(dir, "partition")); err == nil {
		dir = filepath.Dir(dir)
	}
	return Dir(dir)
}

// Named is the folder of a disk by its node, such as /dev/sr0, or by a symbolic link
// to it, in a sysfs mounted at root.
func Named(root, path string) Dir {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	dir, err := filepath.EvalSymlinks(filepath.Join(root, "class/block", filepath.Base(path)))
	if err != nil {
		return ""
	}
	return Dir(dir)
}

// read is the content of a file below d; nil where there is none.
func (d Dir) read(name string) []byte {
	if d == "" {
		return nil
	}
	return readFile(filepath.Join(string(d), name))
}

// Line is the one line in a file below d, with single spaces; "" where there is none.
func (d Dir) Line(name string) string { return tidy(d.read(name)) }

// Number is the number in a file below d; 0 where there is none above it.
func (d Dir) Number(name string) int {
	n, err := strconv.Atoi(d.Line(name))
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// Names are the drive's vendor and model, as far as it tells them.
func (d Dir) Names() (vendor, model string) {
	vendor, model = d.Line("device/vendor"), d.Line("device/model")
	if strings.HasPrefix(vendor, "0x") {
		vendor = "" // a PCI or virtio number, not a name
	}
	return vendor, model
}

// Serial is the drive's serial number; "" where it tells none.
func (d Dir) Serial() string {
	// NVMe and MMC have the first, virtio disks the second, SCSI the page.
	for _, name := range []string{"device/serial", "serial"} {
		if serial := d.Line(name); serial != "" {
			return serial
		}
	}
	// Of a page that is cut short there is a serial number's beginning.
	serial, _ := scsi.ParseSerial(d.read("device/vpd_pg80"))
	return tidy([]byte(serial))
}

// away holds the states in which a drive takes no requests any more, of SCSI
// disks (drivers/scsi/scsi_sysfs.c [memory]) and NVMe ones
// (drivers/nvme/host/sysfs.c [memory]). "blocked" and "quiesce" pass.
var away = map[string]bool{
	"offline": true, "transport-offline": true, "cancel": true, "deleted": true,
	"deleting": true, "deleting (no IO)": true, "dead": true,
}

// HasState tells whether the kernel keeps a state of the drive: of a loop device it
// does not.
func (d Dir) HasState() bool { return d.Line("device/state") != "" }

// Gone says how the kernel calls a drive that takes no requests any more, such as
// "offline"; "" where it does. One that had a state at its opening and has none now
// was removed.
func (d Dir) Gone(had bool) string {
	state := d.Line("device/state")
	switch {
	case state == "" && had && d != "":
		return "removed"
	case away[state]:
		return state
	}
	return ""
}
