package imager

import (
	"slices"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// What a drive read counts where another had been asked in vain on the same surface:
// not what nobody had asked for, not its own failures, not those of an earlier round,
// not what was merged, and a block once however often it was asked for.
func TestDriveShares(t *testing.T) {
	m := mapfile.New("shares")
	for _, d := range []mapfile.Drive{{Node: "/dev/sr0"}, {Node: "/dev/sr1"}} {
		m.AddDrive(d)
	}
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: 1600, BlockSectors: 16, Written: sector.Of(sector.Span(0, 1600))}); err != nil {
		t.Fatal(err)
	}
	m.AddRound(mapfile.Round{})
	pass := func(round, drive int, runs ...mapfile.Run) {
		t.Helper()
		n, err := m.AddPass(mapfile.Pass{Round: round, Drive: drive, Settings: []mapfile.Settings{{}}})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range runs {
			var sums []uint32
			if r.Result.Came() {
				sums = make([]uint32, r.Range.Count())
			}
			r.Attempts = 1
			if _, err := m.Record(n, r, sums); err != nil {
				t.Fatal(err)
			}
		}
	}
	failed := func(block, blocks int64) mapfile.Run {
		return mapfile.Run{Range: sector.Span(sector.LBA(16*block), 16*blocks), Result: mapfile.Failed}
	}
	came := func(block, blocks int64) mapfile.Run {
		return mapfile.Run{Range: sector.Span(sector.LBA(16*block), 16*blocks), Result: mapfile.Delivered}
	}
	pass(0, 0, came(0, 50), failed(50, 10))
	pass(0, 1, came(50, 4), failed(54, 6), came(60, 20)) // 4 of 10; nobody had asked for 60 to 79
	pass(0, 1, came(54, 1))                              // 5 of 10
	pass(0, 0, failed(55, 5))                            // none of 5
	m.AddRound(mapfile.Round{})
	pass(1, 1, came(55, 5)) // another surface
	shares := map[string]DriveShare{}
	addShares(shares, m)
	want := []DriveShare{{Drive: "/dev/sr0", Cases: 1, Asked: 5}, {Drive: "/dev/sr1", Cases: 1, Asked: 10, Came: 5}}
	var got []DriveShare
	for _, d := range []string{"/dev/sr0", "/dev/sr1"} {
		got = append(got, shares[d])
	}
	if len(shares) != 2 || !slices.Equal(got, want) {
		t.Errorf("shares = %+v; want %+v", shares, want)
	}
}
