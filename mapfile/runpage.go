package mapfile

import "turnstone/device/sector"

// runSectors is the number of sectors whose part in one pass one value holds.
const runSectors = 512

// fate is what a pass learned of a sector, packed: the byte of result and
// flags, attempts, time class and settings, from the lowest byte on. Zero is
// "not asked".
type fate uint32

// The lowest byte of a fate.
const (
	fateResult = 7 << 0 // a Result
	fateWeak   = 1 << 3
	fateAlone  = 1 << 4
	fateKnown  = fateResult | fateWeak | fateAlone
)

func fateOf(r Run) fate {
	low := fate(r.Result)
	if r.Weak {
		low |= fateWeak
	}
	if r.Alone {
		low |= fateAlone
	}
	return low | fate(r.Attempts)<<8 | fate(r.Took)<<16 | fate(r.Settings)<<24
}

// run is the fate of the sectors of r, as people get it.
func (f fate) run(r sector.Range) Run {
	return Run{
		Range: r, Result: f.result(), Attempts: uint8(f >> 8), Took: TimeClass(f >> 16),
		Weak: f&fateWeak != 0, Alone: f&fateAlone != 0, Settings: uint8(f >> 24),
	}
}

func (f fate) result() Result { return Result(f & fateResult) }

// runPage is the fates of the sectors of one run page. Most of what is done to
// it is done to neighbours, one after the other, so the map keeps the page it
// worked on last in this form, and all others as their values.
type runPage [runSectors]fate

// pieces appends the page's pieces to dst, up to the last that was asked for.
func (page *runPage) pieces(dst []piece) []piece {
	start := len(dst)
	for i := 0; i < runSectors; {
		n := 1
		for i+n < runSectors && page[i+n] == page[i] {
			n++
		}
		dst = append(dst, piece{n, uint32(page[i])})
		i += n
	}
	if last := len(dst) - 1; dst[last].what == 0 && last >= start {
		dst = dst[:last]
	}
	return dst
}

// set fills the page from its pieces.
func (page *runPage) set(pieces []piece) {
	*page = runPage{}
	i := 0
	for _, p := range pieces {
		part := page[i : i+p.n]
		for j := range part {
			part[j] = fate(p.what)
		}
		i += p.n
	}
}

// validFate tells whether what is the fate of a sector that was asked for.
func validFate(what uint32) bool {
	result := fate(what).result()
	return result >= Delivered && result <= Merged && what&0xFF&^fateKnown == 0
}
