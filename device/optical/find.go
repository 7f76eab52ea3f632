package optical

import (
	"path/filepath"
	"sort"

	"turnstone/device"
)

// place is by what a drive is found again that has another node than before.
type place struct {
	vendor, model, serial string
	port                  string // of USB; "" on another bus
	root                  string // of sysfs
}

// placeOf is the place of an opened drive; the zero place where the kernel knows none,
// as of a simulated drive.
func placeOf(i device.Info) place { return placeIn(sysRoot, i) }

func placeIn(root string, i device.Info) place {
	dir := sysfsOf(root, i.Node)
	if dir == "" {
		return place{}
	}
	_, port := dir.usb()
	return place{vendor: dir.line("device/vendor"), model: tidy(dir.line("device/model")), serial: serialOf(dir), port: port, root: root}
}

// serialOf is a drive's serial number; that of the USB device where it has none.
func serialOf(dir sysfs) string {
	if s := dir.serial(); s != "" {
		return s
	}
	usb, _ := dir.usb()
	return tidy(usb.line("serial"))
}

// is tells whether a folder in sysfs is of the same drive: vendor, model and serial
// are; without a serial number it hangs on the same port.
func (p place) is(dir sysfs) bool {
	if dir == "" || dir.gone() != "" || dir.line("device/vendor") != p.vendor || tidy(dir.line("device/model")) != p.model {
		return false
	}
	if s := serialOf(dir); p.serial != "" || s != "" {
		return s == p.serial
	}
	_, port := dir.usb()
	return port == p.port
}

// find is the drive's node now: the same as before where the drive is still there,
// else another one; "" where it is nowhere, or can't be told.
func (p place) find(node string) string {
	if p.root == "" {
		return ""
	}
	if p.is(sysfsOf(p.root, node)) {
		return node
	}
	names, _ := filepath.Glob(filepath.Join(p.root, "class/block/sr*"))
	sort.Strings(names)
	for _, name := range names {
		if other := "/dev/" + filepath.Base(name); p.is(sysfsOf(p.root, other)) {
			return other
		}
	}
	return ""
}
