package marks_test

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"turnstone/device/spiral"
	"turnstone/imager/plan/marks"
	"turnstone/mapfile/chart"
)

// How somebody looks at the disc, and what he can tell.
const (
	toldStep  = 1. / 360  // turns: a place is told to a degree
	held      = 50. / 360 // turns by which the disc is held turned
	thin      = .12       // mm, of a mark along another that the map does not list by itself
	mostSeen  = 16        // marks that places may be of
	looseMost = 5.0       // degrees that may be left open before one more place is told
	wider     = 40.0      // degrees by which a mark found may be wider than the one that it is: the length that a block's code makes up for, at both ends, and more
	narrower  = 8.0       // the same, narrower
)

// telling is what comes of telling places.
type telling struct {
	places, named int // that were told, and of them those that named their mark
	seen, untold  int // due marks that came to lie within the angle, and of them those that were not told
	fit           chart.Fit
	bent          *marks.Disc // the disc by it; nil where nothing came of it
	err           error       // of the last try
}

func (t telling) String() string {
	if t.bent == nil {
		return fmt.Sprintf("of %d (%v) 0", t.places, t.err)
	}
	s := fmt.Sprintf("of %d, %d of them named (open by %.0f°", t.places, t.named, max(t.fit.Spread, t.fit.Loose))
	if t.fit.Doubtful {
		s += ", doubtful"
	}
	return fmt.Sprintf("%s) %d, %d of them not told", s, t.seen, t.untold)
}

// looker is somebody who looks at the reading side of a disc.
type looker struct {
	*world
	disc    *marks.Disc
	round   int
	due     []dueMark
	visible []chart.Mark // of the map, as it lists them
	like    []tellable   // due marks and those that can be named, from the innermost to the outermost
}

// tellable is a simulated mark of which can be told.
type tellable struct {
	number int // of the mark on the map that it is, if that is alike; 0: none is
	at     chart.Polar
	due    int // -1: it is none of the due ones
}

func (w *world) looker(d *marks.Disc, f marks.Found, round int, due []dueMark) *looker {
	slices.SortFunc(due, func(a, b dueMark) int { return cmp.Compare(a.at.Radius, b.at.Radius) })
	l := &looker{world: w, disc: d, round: round, due: due}
	alone := map[int][][]int64{}
	for i, m := range f.Marks {
		if len(l.visible) == mostSeen || m.Outer-m.Inner <= thin && slices.ContainsFunc(f.Marks[:i], m.Fringes) {
			continue
		}
		l.visible = append(l.visible, chart.Mark{Inner: m.Inner, Outer: m.Outer, From: m.From, To: m.To, Costs: m.Costs, Line: []chart.Polar{chart.Polar(m.Middle)}})
		if n := len(l.visible); n <= chart.MostListed {
			if t, ok := w.alike(m, round, alone); ok {
				t.number, t.due = n, -1
				for k, x := range due {
					if len(common(m.Blocks(), x.blocks)) >= len(m.Blocks())/4 {
						t.due = k
					}
				}
				l.like = append(l.like, t)
			}
		}
	}
	if len(due) == 1 { // who looks for one mark tells of that one
		l.like = slices.DeleteFunc(l.like, func(t tellable) bool { return t.due < 0 })
	}
	for k, x := range due {
		if !slices.ContainsFunc(l.like, func(t tellable) bool { return t.due == k }) {
			l.like = append(l.like, tellable{0, x.at, k})
		}
	}
	slices.SortFunc(l.like, func(a, b tellable) int { return cmp.Compare(a.at.Radius, b.at.Radius) })
	return l
}

// alike is the simulated mark that a mark found is, where it lies at its radii, if the two
// look alike: one that by itself stops half of its blocks, or half of whose blocks it
// explains, and that is about as wide.
func (w *world) alike(m marks.Mark, round int, alone map[int][][]int64) (t tellable, ok bool) {
	most, whole, best := []int64(nil), 0, 0
	for i, x := range w.marks {
		if x.kind == "haze" || !x.dims() || !x.crosses(m.Inner, m.Outer) {
			continue
		}
		if alone[i] == nil {
			alone[i] = parts(w.alone(i, round, w.failed[round]), w.track)
		}
		for _, blocks := range alone[i] {
			if both := common(m.Blocks(), blocks); len(both) > len(most) {
				most, whole, best = both, len(blocks), i
			}
		}
	}
	if 2*len(most) < min(whole, len(m.Blocks())) || len(most) == 0 {
		return t, false
	}
	t.at.Radius, t.at.Angle = w.middle(w.marks[best], most)
	off := 360*(m.To-m.From) - w.wide(w.marks[best], most)
	return t, -narrower <= off && off <= wider
}

// tell tells where some of the marks are: three from the innermost to the outermost, and
// one more as long as that leaves a doubt, or angles open; each to a degree, as a printed
// map under the disc tells it, and by the number of its mark on the map, if marks are named
// and there is one that is alike, else by its radius to half a mm. What the map refuses
// changes nothing.
func (l *looker) tell(named bool) (best telling) {
	all := l.like
	if !named {
		all = nil
		for k, x := range l.due {
			all = append(all, tellable{0, x.at, k})
		}
	}
	var of []int // the due ones that were told
	for n := min(3, len(all)); n > 0 && n <= len(all); n++ {
		t := telling{places: n}
		var places []chart.Place
		var which []int
		for i := range n {
			x := all[i*(len(all)-1)/max(1, n-1)]
			clock := x.at.Angle + held
			p := chart.Place{Mark: x.number, Clock: math.Mod(math.Round((clock-math.Floor(clock))/toldStep)*toldStep, 1), Step: toldStep}
			if p.Mark > 0 {
				t.named++
			} else {
				p.Radius = math.Round(2*x.at.Radius) / 2
			}
			places, which = append(places, p), append(which, x.due)
		}
		var ways []chart.Sway
		for way := range marks.Ways {
			ways = append(ways, func(mm float64) float64 { return l.disc.Sway(0, way, mm) })
		}
		t.fit, t.err = chart.FitTurn(places, []chart.Side{chart.Reading}, l.visible, ways...)
		if t.err != nil {
			best.err = t.err
			if best.bent == nil {
				best.places = n
			}
			l.t.Logf("   %d told: %v", n, t.err)
			continue
		}
		nominal, err := spiral.Nominal("dvd", true, l.blocks*16)
		l.must(err)
		t.bent = l.disc.Remade(nominal, [][2]float64{l.disc.Swayed(0, t.fit.Sways)})
		best, of = t, which
		if !t.fit.Doubtful && max(t.fit.Spread, t.fit.Loose) <= looseMost {
			break
		}
	}
	if best.bent == nil {
		return best
	}
	f := best.bent.Find(0, l.sights[l.round])
	for k, x := range l.due {
		off := math.Inf(1)
		for _, m := range f.Marks {
			if a := 360 * math.Remainder(m.Middle.Angle+best.fit.Turn/360-held-x.at.Angle, 1); x.isOf(m) && math.Abs(a) < math.Abs(off) {
				off = a
			}
		}
		l.t.Logf("   by --seen, marks named %v, at %.2f mm: off %.1f°", named, x.at.Radius, off)
		if math.Abs(off) <= angleOff {
			best.seen++
			if !slices.Contains(of, k) {
				best.untold++
			}
		}
	}
	return best
}

// crosses tells whether a mark lies at some of the radii between two.
func (m drawn) crosses(inner, outer float64) bool {
	return slices.ContainsFunc(m.points(), func(p [2]float64) bool {
		r := math.Hypot(p[0], p[1])
		return inner-.1 <= r && r <= outer+.1
	})
}

// wide is how many degrees the part of a mark spans that makes blocks unreadable.
func (w *world) wide(m drawn, blocks []int64) float64 {
	lo, hi := math.Inf(1), 0.0
	for _, b := range blocks {
		r := w.track.At(float64(b*16) + 8).Radius
		lo, hi = min(lo, r), max(hi, r)
	}
	_, mid := w.middle(m, blocks)
	from, to := 0.0, 0.0
	for _, p := range m.points() {
		if r := math.Hypot(p[0], p[1]); lo-.05 <= r && r <= hi+.05 {
			a := math.Remainder(math.Atan2(p[1], p[0])/(2*math.Pi)-mid, 1)
			from, to = min(from, a), max(to, a)
		}
	}
	return 360 * (to - from)
}
