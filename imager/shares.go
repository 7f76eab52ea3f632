package imager

import (
	"cmp"
	"os"
	"path/filepath"
	"slices"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// DriveShare is what one drive read of what others had been asked for in vain, on the
// same surfaces. Blocks beside each other fare alike, so that their number says more
// than is known; that of the cases says how much stands on few discs.
type DriveShare struct {
	Drive string `json:"drive"` // by the name that maps keep
	Cases int    `json:"cases"` // in which it was asked for what others did not read
	Asked int64  `json:"asked"` // ECC blocks that others had been asked for in vain
	Came  int64  `json:"came"`  // those that came whole with this drive
}

// DriveShares works out, over all cases of a folder, how much each drive read of what
// others could not, the most asked first. Cases that can't be read, and what is no
// case, are passed over; it only reads, and works while passes run. The folder's error
// is returned where it can't be listed.
func DriveShares(dir string) ([]DriveShare, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	shares := map[string]DriveShare{}
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		if noCase(path) != nil {
			continue
		}
		if m, err := Load(path); err == nil {
			addShares(shares, m)
		}
	}
	var all []DriveShare
	for _, s := range shares {
		all = append(all, s)
	}
	slices.SortFunc(all, func(a, b DriveShare) int {
		return cmp.Or(cmp.Compare(b.Asked, a.Asked), cmp.Compare(a.Drive, b.Drive))
	})
	return all, nil
}

// addShares adds a case. What a pass merged in was asked elsewhere, and samples of a
// survey count as any reading does.
func addShares(shares map[string]DriveShare, m *mapfile.Map) {
	type of struct{ asked, came sector.Set }
	drives := m.Drives()
	all := make([]of, len(drives))
	var vain []sector.Set // of the round in hand, by drive
	round := -1
	for n, p := range m.Passes() {
		if p.Drive < 0 || p.Drive >= len(drives) {
			continue
		}
		if p.Round != round {
			round, vain = p.Round, make([]sector.Set, len(drives))
		}
		var others sector.Set
		for d := range vain {
			if d != p.Drive {
				others = others.Union(&vain[d])
			}
		}
		var came, failed []sector.Range
		for r := range m.Runs(n) {
			switch {
			case r.Result == mapfile.Merged:
			case r.Result.Came():
				came = append(came, r.Range)
			default:
				failed = append(failed, r.Range)
			}
		}
		got, lost := sector.Of(came...), sector.Of(failed...)
		won, not := got.Intersect(&others), lost.Intersect(&others)
		all[p.Drive].came = all[p.Drive].came.Union(&won)
		all[p.Drive].asked = all[p.Drive].asked.Union(&won)
		all[p.Drive].asked = all[p.Drive].asked.Union(&not)
		vain[p.Drive] = vain[p.Drive].Union(&lost)
	}
	block := max(1, m.Disc().BlockSectors)
	for d, x := range all {
		asked := blocksOf(&x.asked, block)
		if asked == 0 {
			continue
		}
		left := x.asked.Subtract(&x.came)
		s := shares[drives[d].Name()]
		s.Drive = drives[d].Name()
		s.Cases++
		s.Asked += asked
		s.Came += asked - blocksOf(&left, block)
		shares[s.Drive] = s
	}
}

// blocksOf is the number of ECC blocks of which a set holds a part.
func blocksOf(s *sector.Set, block int64) int64 {
	var n int64
	last := int64(-1)
	for r := range s.Runs() {
		first, end := int64(r.First)/block, (int64(r.End)+block-1)/block
		n += end - max(first, last+1)
		last = end - 1
	}
	return n
}
