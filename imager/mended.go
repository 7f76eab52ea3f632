package imager

import (
	"sort"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// mended is what a pass of a source has put together from raw readings, in order of
// address: of how many each was made goes with the sectors, through as many merges and pass
// files as there are.
type mended []mapfile.Run

// mended is empty where the source is an image.
func (s *Source) mended(pass int) (all mended) {
	if s.m == nil {
		return nil
	}
	for r := range s.m.Runs(pass) {
		if _, ok := mapfile.ReadingsOf(r); ok {
			all = append(all, r)
		}
	}
	return all
}

// next is the first sectors of a range that were come by alike, and the attempts of a run
// for them.
func (m mended) next(r sector.Range) (part sector.Range, attempts uint8) {
	i := sort.Search(len(m), func(i int) bool { return m[i].Range.End > r.First })
	switch {
	case i == len(m) || m[i].Range.First >= r.End:
		return r, 1
	case m[i].Range.First > r.First:
		return sector.Range{First: r.First, End: m[i].Range.First}, 1
	}
	return r.Intersect(m[i].Range), m[i].Attempts
}
