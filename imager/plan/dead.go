package plan

// A whole part of a disc may be dead, a layer or a half. Where nothing at all came of what
// was asked for, the rate there is the prior of the scales, not that of the whole disc: up
// to as far again on both sides as it reaches already, and at least over 4,000 turns, 3 mm
// of a DVD, but nowhere so near to what came.
//
//	rings   came · · · · · · ╳ · · · · ╳ · · · · · · · · came      · not asked for
//	prior   ─ whole disc's ─├── that of the dead part ──┤───
//
// Where nearly all that failed lies in one such part it goes nearer to what came, and is
// worked out anew at each failure while there are few: each would be followed by two or
// three more to the same end, and each of them costs more of the speed. A half that is dead
// cost a tenth more than by stretches otherwise.
const (
	deadReach  = 128 // rings
	deadNear   = 32
	deadWeight = 2 // of the whole disc's rate, in blocks that passed over a cell
)

// lifeless is a run of rings of a layer in which nothing came.
type lifeless struct {
	from, to     int // rings
	first, last  int // of which something was asked for; none where failing is 0
	failing      int // so many of them
	seen, blamed float64
}

// lifeless is the run that begins with a ring, empty where something came of that.
func (f *field) lifeless(from int) lifeless {
	p := lifeless{from: from, to: from}
	for ; p.to < f.span[from][1] && f.rings[p.to].asked == len(f.rings[p.to].fails); p.to++ {
		p.seen += f.seen[p.to].mean()
		p.blamed += f.blamed[p.to].mean()
		if f.rings[p.to].asked == 0 {
			continue
		}
		if p.failing == 0 {
			p.first = p.to
		}
		p.last = p.to
		p.failing++
	}
	return p
}

// expect works the priors out.
func (f *field) expect() {
	failing := 0
	for i := range f.prior {
		f.prior[i] = float32(f.top)
		if len(f.rings[i].fails) > 0 {
			failing++
		}
	}
	f.dead = false
	for from := 0; from < len(f.prior); {
		p := f.lifeless(from)
		if p.failing > 0 {
			near := deadReach
			if p.failing > 1 && 4*p.failing >= 3*failing {
				f.dead, near = true, deadNear
			}
			reach := max(deadReach, p.last-p.first)
			lo, hi := max(p.from, p.first-reach), min(p.to, p.last+reach+1)
			if p.from > f.span[from][0] {
				lo = max(lo, p.from+near)
			}
			if p.to < f.span[from][1] {
				hi = min(hi, p.to-near)
			}
			for i := lo; i < hi; i++ {
				f.prior[i] = float32((p.blamed + deadWeight*f.top) / (p.seen + deadWeight))
			}
		}
		from = max(p.to, from+1)
	}
}
