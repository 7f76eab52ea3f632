package plan

import "math"

const (
	bins      = 32 // cells of a ring
	ringTurns = 32
)

// level is a scale at which outcomes are counted.
type level struct {
	reach  int     // rings on each side
	weight float32 // of the next coarser level's estimate, in blocks that passed over the cell
}

// From coarse to fine.
var levels = [...]level{{32, 2}, {12, .6}, {6, 3}, {3, 9}, {1, 30}}

type cells [bins]float32

// ring is some turns of the track.
type ring struct {
	leg   *leg
	first int64   // block
	width float64 // of a block, in cells
	fails []int64 // blocks that did not come
	lost  int     // of them, in which the drive lost the track
	asked int     // blocks
}

// field is the estimate: how much each cell of the surface stands in the way of
// a block that passes over it.
type field struct {
	legs  []leg
	rings []ring // and one behind the last
	span  [][2]int

	seen   []cells // blocks that passed over the cell
	blamed []cells // failures that are put down to it
	rate   []cells // the estimate: failures a block
	sum    [][bins + 1]float32
	alike  []alike

	prior   []float32 // of each ring's rates
	grounds grounds

	phase []float32 // of each block, in cells
	all   struct{ seen, blamed, lost float64 }
	kind  []uint8 // of each block: what was heard of it
	hints [hints]hint
	top   float64
	dead  bool // nearly all that failed lies in a dead part
}

func newField(legs []leg) *field {
	f := &field{legs: legs}
	for i := range f.legs {
		l := &f.legs[i]
		start := len(f.rings)
		last := -1
		for k := int64(0); k < l.blocks; k++ {
			if n := int(turnOf(l.a, l.b, float64(k)) / ringTurns); n != last {
				f.rings = append(f.rings, ring{leg: l, first: l.first + k})
				last = n
			}
		}
		for range len(f.rings) - start {
			f.span = append(f.span, [2]int{start, len(f.rings)})
		}
	}
	n := len(f.rings)
	end := &f.legs[len(f.legs)-1]
	f.rings = append(f.rings, ring{leg: end, first: end.first + end.blocks})
	f.seen, f.blamed, f.rate = make([]cells, n), make([]cells, n), make([]cells, n)
	f.sum = make([][bins + 1]float32, n)
	f.alike, f.prior = make([]alike, n), make([]float32, n)
	f.phase = make([]float32, end.first+end.blocks)
	f.kind = make([]uint8, end.first+end.blocks)
	f.hints = newHints()
	f.place()
	f.refresh()
	return f
}

// ringOf is the ring in which block b begins.
func (f *field) ringOf(b int64) int {
	lo, hi := 0, len(f.rings)-1
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if f.rings[mid].first <= b {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// place works out at which angle each block begins.
func (f *field) place() {
	for i := range f.legs {
		l := &f.legs[i]
		for k := range l.blocks {
			p, _ := l.arc(k)
			f.phase[l.first+k] = float32(p * bins)
		}
	}
	for i := range f.rings {
		r := &f.rings[i]
		_, w := r.leg.arc(r.first - r.leg.first)
		r.width = w * bins
	}
}

// ringFrom is the same where the block is likely in ring i or one soon behind it.
func (f *field) ringFrom(i int, b int64) int {
	if b < f.rings[i].first || i+8 < len(f.rings) && b >= f.rings[i+8].first {
		return f.ringOf(b)
	}
	for b >= f.rings[i+1].first {
		i++
	}
	return i
}

// arc is where block b of ring i begins and how wide it is, in cells.
func (f *field) arc(i int, b int64) (from, width float64) {
	return min(float64(f.phase[b]), bins-1e-5), f.rings[i].width
}

// add counts a block that was asked for.
func (f *field) add(i int, b int64) {
	seen := &f.seen[i]
	from, width := f.arc(i, b)
	for c, share := range underOf(from, width).shares {
		seen[c] += share
	}
	f.all.seen += width
	f.hints[f.kind[b]].seen++
	f.rings[i].asked++
}

// fail counts one that did not come.
func (f *field) fail(i int, b int64, lost bool) {
	f.rings[i].fails = append(f.rings[i].fails, b)
	f.all.blamed++
	h := &f.hints[f.kind[b]]
	h.fails++
	if lost {
		f.rings[i].lost++
		f.all.lost++
		h.lost++
	}
}

// blame puts the failures of some rings down to cells, by the estimate.
func (f *field) blame(lo, hi int) {
	for i := lo; i < hi; i++ {
		if len(f.rings[i].fails) == 0 {
			continue
		}
		blamed, rate := &f.blamed[i], &f.rate[i]
		*blamed = cells{}
		for _, b := range f.rings[i].fails {
			u := underOf(f.arc(i, b))
			hint := &f.hints[f.kind[b]]
			sum := u.sum(float32(hint.rate), rate)
			by := float32(1 / -math.Expm1(-float64(max(sum, 1e-9))))
			hint.blamed += hint.rate * float64(by)
			u.blame(blamed, rate, by)
		}
	}
}

// slide goes along some rings with the sum of cells over a scale's rings around each. The
// sum slides along with the ring.
func (f *field) slide(n, lo, hi int, of []cells, do func(i int, sum *cells)) {
	var sum cells
	from, to := 0, 0 // the rings in it
	for i := lo; i < hi; i++ {
		first, end := max(f.span[i][0], i-levels[n].reach), min(f.span[i][1], i+levels[n].reach+1)
		if i == lo || first >= to {
			sum, from, to = cells{}, first, first
		}
		for ; to < end; to++ {
			sum.plus(&of[to])
		}
		for ; from < first; from++ {
			sum.minus(&of[from])
		}
		if n < len(levels)-f.rings[i].leg.angled { // the angle is unknown over so many turns
			sum.even()
		}
		do(i, &sum)
	}
}

// grounds is on how much the rates of some rings rest: by scale and ring the blocks that
// passed over a cell, with those for which the coarser scale's estimate stands.
type grounds struct {
	lo, hi int
	blocks [len(levels)][]cells
}

// groundsOf is that of some rings, until it is asked for again. Blame changes nothing of it.
func (f *field) groundsOf(lo, hi int) *grounds {
	g := &f.grounds
	g.lo, g.hi = lo, hi
	for n, l := range levels {
		all := g.blocks[n][:0]
		f.slide(n, lo, hi, f.seen, func(_ int, seen *cells) {
			var blocks cells
			for c := range blocks {
				blocks[c] = max(0, seen[c]) + l.weight
			}
			all = append(all, blocks)
		})
		g.blocks[n] = all
	}
	return g
}

// estimate works the rates of some rings out from what was seen and blamed, coarse scales
// first.
func (f *field) estimate(g *grounds) {
	for i := g.lo; i < g.hi; i++ {
		for c := range f.rate[i] {
			f.rate[i][c] = f.prior[i]
		}
	}
	for n, l := range levels {
		f.slide(n, g.lo, g.hi, f.blamed, func(i int, blamed *cells) {
			rate, blocks := &f.rate[i], &g.blocks[n][i-g.lo]
			for c := range rate {
				rate[c] = (max(0, blamed[c]) + l.weight*rate[c]) / blocks[c]
			}
		})
	}
}

// addUp sums the losses of rings' cells up. A rate is uncertain: with what it rests on as
// the rate of a gamma distribution, the chance that a block comes over the cell is the
// mean of exp(-rate), (1 + 1/blocks)^(-rate · blocks).
func (f *field) addUp(g *grounds) {
	for i := g.lo; i < g.hi; i++ {
		total, sum, blocks := float32(0), &f.sum[i], &g.blocks[len(levels)-1][i-g.lo]
		for c, rate := range f.rate[i] {
			total += rate * blocks[c] * float32(math.Log1p(float64(1/blocks[c])))
			sum[c+1] = total
		}
	}
}

func (a *cells) plus(b *cells) {
	for c := range a {
		a[c] += b[c]
	}
}

func (a *cells) minus(b *cells) {
	for c := range a {
		a[c] -= b[c]
	}
}

// even spreads what cells hold evenly; sums that slide stay right.
func (a *cells) even() {
	sum := float32(0)
	for _, v := range a {
		sum += v
	}
	for c := range a {
		a[c] = sum / bins
	}
}

// learn works the estimate out anew around ring i.
func (f *field) learn(i int) {
	reach := levels[1].reach + 1
	lo, hi := max(f.span[i][0], i-reach), min(f.span[i][1], i+reach+1)
	g := f.groundsOf(lo, hi)
	for range 3 {
		f.blame(lo, hi)
		f.estimate(g)
	}
	f.addUp(g)
}

// refresh works the whole estimate out anew.
func (f *field) refresh() {
	f.top = (f.all.blamed + 0.05) / (f.all.seen + 375)
	n := len(f.rings) - 1
	g := f.groundsOf(0, n)
	f.expect()
	f.estimate(g)
	if f.all.blamed > 0 {
		for range 2 {
			for i := range f.hints {
				f.hints[i].blamed = 0
			}
			f.blame(0, n)
			f.expect()
			f.estimate(g)
			for i := range f.hints {
				f.hints[i].learn(i)
			}
		}
	}
	f.addUp(g)
}

// mean is that of the cells of a ring.
func (a *cells) mean() float64 {
	sum := float32(0)
	for _, v := range a {
		sum += v
	}
	return float64(sum) / bins
}

// chance is that of block b of ring i.
func (f *field) chance(i int, b int64) float64 {
	from, width := f.arc(i, b)
	s := &f.sum[i]
	to := from + width
	hint := f.hints[f.kind[b]].rate
	loss := hint + at(s, to) - at(s, from)
	if to > bins {
		loss = hint + at(s, bins) - at(s, from) + at(s, to-bins)
	}
	return f.chanceAlike(i, b, loss)
}

func at(s *[bins + 1]float32, x float64) float64 {
	c := min(int(x), bins-1)
	return float64(s[c]) + (x-float64(c))*float64(s[c+1]-s[c])
}
