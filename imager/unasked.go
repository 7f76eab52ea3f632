package imager

import (
	"cmp"
	"slices"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Unasked is how much of what a file lacks this surface was not asked for yet.
type Unasked struct {
	File    File
	Missing int64 // sectors with bytes of it that are not there
	Open    int64 // of them those that no drive was asked for since the last treatment
}

// Unasked is that of each file that lacks something, most first.
//
// What an hour more of reading brings is not worked out of it. The plan's model (Plan,
// Outlook) was held against what came, file by file, on the demo's disc: early in a pass
// it hoped for ten times too much of the worst films, and after a treatment for a half of
// what came. Of a whole disc it is told, as a range, where it is told at all.
func (f *Files) Unasked() (all []Unasked) {
	asked := f.askedInVain()
	for x := range f.All() {
		if x.Kind != tree.Regular || x.MissingBytes == 0 {
			continue
		}
		u := Unasked{File: x}
		for _, e := range x.Extents {
			at := sector.Of(e.Sectors())
			missing := at.Subtract(&f.img.good)
			open := missing.Subtract(&asked)
			u.Missing, u.Open = u.Missing+missing.Count(), u.Open+open.Count()
		}
		all = append(all, u)
	}
	slices.SortStableFunc(all, func(a, b Unasked) int { return cmp.Compare(b.Open, a.Open) })
	return all
}

// askedInVain is the sectors that some drive was asked for in the last round and did not
// give.
func (f *Files) askedInVain() sector.Set {
	round := len(f.m.Rounds()) - 1
	var asked []sector.Range
	for n, p := range f.m.Passes() {
		if p.Round != round || p.Drive < 0 {
			continue
		}
		for r := range f.m.Runs(n) {
			if !r.Result.Came() {
				asked = append(asked, r.Range)
			}
		}
	}
	return sector.Of(asked...)
}
