package ruler

import (
	"math/bits"

	"turnstone/device/sector"
)

// blockSectors is the sectors of a DVD's ECC block: the simulated disc is one.
const blockSectors = 16

// bitmap is a set of sectors, a word for each block.
type bitmap []uint16

// mask is the bits of a range in block b.
func mask(b int64, r sector.Range) uint16 {
	in := r.Intersect(sector.Span(sector.LBA(b*blockSectors), blockSectors))
	if in.Empty() {
		return 0
	}
	return uint16(1<<in.Count()-1) << (int64(in.First) % blockSectors)
}

// add puts the sectors of r in.
func (m bitmap) add(r sector.Range) {
	for b := int64(r.First) / blockSectors; b*blockSectors < int64(r.End); b++ {
		m[b] |= mask(b, r)
	}
}

// remove takes the sectors of r out.
func (m bitmap) remove(r sector.Range) {
	for b := int64(r.First) / blockSectors; b*blockSectors < int64(r.End); b++ {
		m[b] &^= mask(b, r)
	}
}

// countIn is how many sectors of r are in.
func (m bitmap) countIn(r sector.Range) int64 {
	n := 0
	for b := int64(r.First) / blockSectors; b*blockSectors < int64(r.End); b++ {
		n += bits.OnesCount16(m[b] & mask(b, r))
	}
	return int64(n)
}

// count is how many sectors are in.
func (m bitmap) count() int64 {
	n := 0
	for _, word := range m {
		n += bits.OnesCount16(word)
	}
	return int64(n)
}

// join puts in what o has.
func (m bitmap) join(o bitmap) {
	for i, word := range o {
		m[i] |= word
	}
}

// without is what is in m and not in o.
func (m bitmap) without(o bitmap) bitmap {
	left := make(bitmap, len(m))
	for i := range left {
		left[i] = m[i] &^ o[i]
	}
	return left
}

// set is the same set in the words of the other packages.
func (m bitmap) set() sector.Set {
	var ranges []sector.Range
	for b, word := range m {
		first := sector.LBA(b * blockSectors)
		for word != 0 {
			skip := bits.TrailingZeros16(word)
			n := bits.TrailingZeros16(^(word >> skip))
			at := first + sector.LBA(skip)
			if last := len(ranges) - 1; last >= 0 && ranges[last].End == at {
				ranges[last].End += sector.LBA(n)
			} else {
				ranges = append(ranges, sector.Span(at, int64(n)))
			}
			word &^= uint16(1<<n-1) << skip
		}
	}
	return sector.Of(ranges...)
}
