package volume

import (
	"slices"
	"sort"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// wrap is what a size of 32 bits counts up to.
const wrap = 1 << 32

// wrapped finds the files whose size may be a size modulo 2^32: genisoimage records
// so, in its ISO trees, a file of more than 4 GiB that it has in UDF as well. Where
// no UDF tree tells of a file, and 4 GiB or more lie between its end and the next
// file or the end of the volume, its end is not certain.
func (v *Volume) wrapped(systems []*tree.System) {
	end := int64(0)
	for _, t := range systems {
		if t.End == 0 {
			end = v.img.Sectors()
			break
		}
		end = max(end, min(int64(t.End), v.img.Sectors()))
	}
	if end *= sector.Size; end < wrap {
		return
	}
	starts := []int64{end}
	for e := range v.Files() {
		for _, x := range e.Extents {
			if x.Place == tree.Recorded {
				starts = append(starts, x.At)
			}
		}
	}
	slices.Sort(starts)
	for e := range v.Files() {
		if e.From == tree.UDF || len(e.Extents) != 1 || e.Extents[0].Place != tree.Recorded || e.Why != "" {
			continue
		}
		x := e.Extents[0]
		i := sort.Search(len(starts), func(i int) bool { return starts[i] > x.At })
		if i < len(starts) && starts[i]-(x.At+x.Length) >= wrap-sector.Size {
			e.Why = "4 GiB or more behind it belong to no file: its size may be cut to 32 bits"
		}
	}
}
