package imager

import (
	"testing"

	"turnstone/device"
	"turnstone/mapfile"
)

// The same drive is known again under another node, and another one under the same
// node is not taken for it.
func TestDriveNumber(t *testing.T) {
	m := mapfile.New("drives")
	for _, d := range []mapfile.Drive{
		{Vendor: "A", Model: "1", Serial: "S", Node: "/dev/sr0", Port: "1-1"},
		{Vendor: "A", Model: "1", Node: "/dev/sr1", Port: "1-2"},
		{Vendor: "A", Model: "2", Node: "/dev/sr2"},
		{Node: "/disc.iso"},
	} {
		m.AddDrive(d)
	}
	const fresh = 4
	for _, c := range []struct {
		info device.Info
		want int
	}{
		{device.Info{Vendor: "A", Model: "1", Serial: "S", Node: "/dev/sr5", Port: "2-7"}, 0},
		{device.Info{Vendor: "A", Model: "1", Serial: "T", Node: "/dev/sr0", Port: "1-1"}, fresh},
		{device.Info{Vendor: "A", Model: "1", Node: "/dev/sr0", Port: "1-1"}, fresh},
		{device.Info{Vendor: "A", Model: "1", Node: "/dev/sr5", Port: "1-2"}, 1},
		{device.Info{Vendor: "A", Model: "1", Node: "/dev/sr1", Port: "1-3"}, fresh},
		{device.Info{Vendor: "B", Model: "1", Node: "/dev/sr1", Port: "1-2"}, fresh},
		{device.Info{Vendor: "A", Model: "1", Node: "/dev/sr1"}, 1},
		{device.Info{Vendor: "A", Model: "2", Node: "/dev/sr2", Port: "1-4"}, 2}, // met before ports were noted
		{device.Info{Vendor: "A", Model: "2", Node: "/dev/sr3", Port: "1-4"}, fresh},
		{device.Info{Node: "/disc.iso"}, 3},
		{device.Info{Node: "/other.iso"}, fresh},
	} {
		if got := driveNumber(m, c.info); got != c.want {
			t.Errorf("driveNumber(%+v) = %d; want %d", c.info, got, c.want)
		}
	}
}
