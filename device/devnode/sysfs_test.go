package devnode_test

import (
	"os"
	"path/filepath"
	"testing"

	"turnstone/device/devnode"
	"turnstone/device/devnode/devnodetest"
)

// Files and values as Linux names them (Documentation/ABI, sysfs-block and
// sysfs-bus-usb [memory]); the drives are invented.
func TestSysfsOfDrives(t *testing.T) {
	root := devnodetest.Sysfs(t, devnodetest.Drive{Node: "sr0", Path: "pci0/usb1/1-1/host0/target0", Files: map[string]string{
		"device/state": "running\n", "queue/max_hw_sectors_kb": "120\n", "queue/max_segments": "2048\n",
		"device/scsi_generic/sg3/dev": "21:3\n", "/pci0/usb1/1-1/busnum": "1\n", "/pci0/usb1/1-1/devnum": "12\n",
	}}, devnodetest.Drive{Node: "sr1", Path: "pci0/ata2/host1", Files: map[string]string{
		"queue/max_hw_sectors_kb": "32767", "queue/max_segments": "168"}})
	s := devnode.Named(root, "/dev/sr0")
	if got := s.CommandBytes(); got != 120<<10 {
		t.Errorf("CommandBytes() = %d; want %d", got, 120<<10)
	}
	if got := s.SG(); got != "/dev/sg3" {
		t.Errorf("SG() = %q; want /dev/sg3", got)
	}
	usb, port := s.USB()
	if bus, dev := usb.Number("busnum"), usb.Number("devnum"); port != "1-1" || bus != 1 || dev != 12 {
		t.Errorf("USB() = port %q, bus %d, device %d; want 1-1, 1, 12", port, bus, dev)
	}
	if got := devnode.Named(root, "/dev/sr1").CommandBytes(); got != 168*4096 {
		t.Errorf("CommandBytes() = %d; want %d", got, 168*4096)
	}
	for state, want := range map[string]string{"running": "", "offline": "offline", "blocked": "", "transport-offline": "transport-offline"} {
		if err := os.WriteFile(filepath.Join(string(s), "device/state"), []byte(state+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if got := s.Gone(true); got != want {
			t.Errorf("Gone() of state %s = %q; want %q", state, got, want)
		}
	}
	if err := os.RemoveAll(string(s)); err != nil {
		t.Fatal(err)
	}
	if got := s.Gone(true); got != "removed" {
		t.Errorf("Gone() without a folder = %q; want removed", got)
	}
	none := devnode.Named(root, "/dev/sr9")
	if none != "" || none.Gone(true) != "" || none.CommandBytes() <= 0 || none.SG() != "" {
		t.Errorf("a node that sysfs does not know: %q, gone %q, limit %d", none, none.Gone(true), none.CommandBytes())
	}
	if _, port := devnode.Dir("/sys/devices/pci0/usb1/1-4/1-4.2/1-4.2:1.0/host1/target1/block/sr0").USB(); port != "1-4.2" {
		t.Errorf("USB() = port %q; want 1-4.2", port)
	}
}
