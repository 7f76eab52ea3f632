package blockdev

import (
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// sysfs is the folder of a disk (not of a partition of it) in sysfs; "" where
// there is none.
type sysfs string

// sysfsOf is the folder of the disk that has, or holds, a block device.
func sysfsOf(dev uint64) sysfs {
	dir, err := filepath.EvalSymlinks(fmt.Sprintf("/sys/dev/block/%d:%d", unix.Major(dev), unix.Minor(dev)))
	if err != nil {
		return ""
	}
	if _, err := os.Stat(filepath.Join(dir, "partition")); err == nil {
		dir = filepath.Dir(dir)
	}
	return sysfs(dir)
}

// read is the one line in a file below s; "" where there is none.
func (s sysfs) read(name string) string {
	if s == "" {
		return ""
	}
	return readLine(filepath.Join(string(s), name))
}

// identity is what the drive tells of itself, as far as it does.
func (s sysfs) identity() (vendor, model, serial string) {
	vendor, model = s.read("device/vendor"), s.read("device/model")
	if strings.HasPrefix(vendor, "0x") {
		vendor = "" // a PCI or virtio number, not a name
	}
	// NVMe and MMC have the first, virtio disks the second, SCSI the last.
	for _, name := range []string{"device/serial", "serial"} {
		if serial = s.read(name); serial != "" {
			return vendor, model, serial
		}
	}
	return vendor, model, unitSerial(readSome(filepath.Join(string(s), "device/vpd_pg80")))
}

// unitSerial is the serial number in the Unit Serial Number page: page code 80h
// in byte 1, length in bytes 2 and 3, then ASCII (SPC, vital product data
// parameters [memory]).
func unitSerial(page []byte) string {
	if len(page) < 4 || page[1] != 0x80 {
		return ""
	}
	n := int(binary.BigEndian.Uint16(page[2:]))
	return tidy(page[4:min(4+n, len(page))])
}

// readLine is the text of a small file, tidied; "" where it can't be read.
func readLine(path string) string { return tidy(readSome(path)) }

// readSome is up to 4 KiB of a file: what sysfs gives at most.
func readSome(path string) []byte {
	f, err := os.Open(path)
	if err != nil {
		return nil
	}
	defer f.Close()
	b, _ := io.ReadAll(io.LimitReader(f, 4096))
	return b
}

// tidy makes one line of printable ASCII of what a drive or the kernel says, with
// single spaces: drives fill their names up with spaces and zeros.
func tidy(b []byte) string {
	s := strings.Map(func(r rune) rune {
		if r <= ' ' || r > '~' {
			return ' '
		}
		return r
	}, string(b))
	return strings.Join(strings.Fields(s), " ")
}

// away holds the states in which a drive takes no requests any more, of SCSI
// disks (drivers/scsi/scsi_sysfs.c [memory]) and NVMe ones
// (drivers/nvme/host/sysfs.c [memory]). "blocked" and "quiesce" pass.
var away = map[string]bool{
	"offline": true, "transport-offline": true, "cancel": true, "deleted": true,
	"deleting": true, "deleting (no IO)": true, "dead": true,
}

// state tells whether the kernel calls the drive gone, and how. A disk that has
// no state (a loop device) is never called so, one that had one at its opening
// and has none now is.
func (s sysfs) state(had bool) (state string, gone bool) {
	state = s.read("device/state")
	if state == "" {
		return "removed", had
	}
	return state, away[state]
}
