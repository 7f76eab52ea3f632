package optical

import (
	"path/filepath"
	"sort"

	"turnstone/device"
	"turnstone/device/devnode"
)

// place is by what a drive is found again that has another node than before.
type place struct {
	vendor, model, serial string
	port                  string // of USB; "" on another bus
	root                  string // of sysfs
}

// placeOf is the place of an opened drive; the zero place where the kernel knows none,
// as of a simulated drive.
func placeOf(i device.Info) place { return placeIn(devnode.Sysfs, i) }

func placeIn(root string, i device.Info) place {
	dir := devnode.Named(root, i.Node)
	if dir == "" {
		return place{}
	}
	_, port := dir.USB()
	return place{vendor: dir.Line("device/vendor"), model: dir.Line("device/model"), serial: serialOf(dir), port: port, root: root}
}

// serialOf is a drive's serial number; that of the USB device where it has none.
func serialOf(dir devnode.Dir) string {
	if s := dir.Serial(); s != "" {
		return s
	}
	usb, _ := dir.USB()
	return usb.Line("serial")
}

// is tells whether a folder in sysfs is of the same drive, and that takes requests.
func (p place) is(dir devnode.Dir) bool { return dir != "" && dir.Gone(true) == "" && p.names(dir) }

// names tells whether a folder in sysfs is of the same drive: vendor, model and serial
// are; without a serial number it hangs on the same port.
func (p place) names(dir devnode.Dir) bool {
	if dir.Line("device/vendor") != p.vendor || dir.Line("device/model") != p.model {
		return false
	}
	if s := serialOf(dir); p.serial != "" || s != "" {
		return s == p.serial
	}
	_, port := dir.USB()
	return port == p.port
}

// find is the drive's node now: the same as before where the drive is still there,
// else another one; "" where it is nowhere, or can't be told.
func (p place) find(node string) string {
	if p.root == "" {
		return ""
	}
	if p.is(devnode.Named(p.root, node)) {
		return node
	}
	names, _ := filepath.Glob(filepath.Join(p.root, "class/block/sr*"))
	sort.Strings(names)
	for _, name := range names {
		if other := "/dev/" + filepath.Base(name); p.is(devnode.Named(p.root, other)) {
			return other
		}
	}
	return ""
}
