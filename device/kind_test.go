package device_test

import (
	"testing"

	"turnstone/device"
)

// Sectors of an ECC block: ECMA-267 (16 on DVD), ECMA-130 (a CD's sector stands
// for itself), ISO/IEC 30190 (a BD cluster of 64 KiB) [memory].
func TestBlock(t *testing.T) {
	for _, c := range []struct {
		kind      string
		sectors   int
		whole, ok bool
	}{
		{"cd", 1, false, true}, {"dvd", 16, true, true}, {"bd", 32, true, true}, {"", 16, false, true},
		{device.Unknown, 0, false, false}, {"DVD", 0, false, false}, {"tape", 0, false, false},
	} {
		if n, whole, ok := device.Block(c.kind); n != c.sectors || whole != c.whole || ok != c.ok {
			t.Errorf("Block(%q) = %d, %v, %v; want %d, %v, %v", c.kind, n, whole, ok, c.sectors, c.whole, c.ok)
		}
	}
}

func TestOpticalNode(t *testing.T) {
	for node, want := range map[string]bool{
		"/dev/sr0": true, "/dev/sr11": true, "/dev/sda": false, "/dev/disk/sr0": false, "sr0": false, "/tmp/sr0": false, "": false,
	} {
		if got := device.OpticalNode(node); got != want {
			t.Errorf("OpticalNode(%q) = %v; want %v", node, got, want)
		}
	}
}
