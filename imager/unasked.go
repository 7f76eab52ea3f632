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

	lacks sector.Set // the missing ones
}

// Unasked is that of each file that lacks something, most first; of the wanted ones where
// not all of the disc is wanted.
func (f *Files) Unasked() (all []Unasked) {
	asked := f.askedInVain()
	wanted, err := f.WantedFiles()
	if err != nil { // the names were good when they were said
		return nil
	}
	for x := range f.All() {
		if x.Kind != tree.Regular || x.MissingBytes == 0 || !wanted[x.Entry] {
			continue
		}
		var at []sector.Range
		for _, e := range x.Extents {
			at = append(at, e.Sectors())
		}
		in := sector.Of(at...)
		u := Unasked{File: x, lacks: in.Subtract(&f.img.good)}
		open := u.lacks.Subtract(&asked)
		u.Missing, u.Open = u.lacks.Count(), open.Count()
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
