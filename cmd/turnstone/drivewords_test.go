package main

import (
	"slices"
	"testing"

	"turnstone/device/optical"
)

func TestOfDrive(t *testing.T) {
	yes, no := true, false
	for _, test := range []struct {
		name string
		d    optical.Description
		want []string
	}{
		{"one that tells nothing", optical.Description{}, nil},
		{"one that tells all", optical.Description{
			Attached: "USB, port 1-4", Firmware: "1.00", Reads: []string{"CD-ROM", "DVD-ROM"}, MaxKBps: 22160, C2: &yes, Streaming: &no,
			Settable: true, Recovery: &optical.Recovery{ReadRetryCount: 16, CanCount: true},
			Disc: "DVD-R sequential", Kind: "dvd", State: "appendable", Layers: 1, Sectors: 2_298_496, Recorded: 500_000,
			Speeds: []int{2770, 11080, 22160}, Notes: []string{"A note."},
		}, []string{
			"In it: DVD-R sequential, appendable, 500,000 sectors recorded (1.02 GB).",
			"Attached by USB, port 1-4, firmware 1.00.",
			"Reads CD-ROM, DVD-ROM, at up to 22,160 kB/s.",
			"Reads this disc at 2x, 8x or 16x (--cap).",
			"Tries a place again up to 16 times; that can be changed.",
			"Has C2 flags on CDs, has no streaming reads.",
			"A note.",
		}},
		// 706 kB/s is the 4x of a CD, whose 1x is 176.4 (MMC); 3,000 is nearly 17 times that.
		{"odd speeds", optical.Description{Kind: "cd", Speeds: []int{706, 3000}}, []string{"Reads this disc at 4x or 17x (--cap)."}},
		{"odder ones", optical.Description{Kind: "bd", Speeds: []int{4496, 6000}}, []string{"Reads this disc at 1x or 6,000 kB/s (--cap)."}},
		{"a single speed", optical.Description{Kind: "dvd", Speeds: []int{22160}}, nil},
	} {
		if got := ofDrive(test.d); !slices.Equal(got, test.want) {
			t.Errorf("ofDrive of %s = %q; want %q", test.name, got, test.want)
		}
	}
}
