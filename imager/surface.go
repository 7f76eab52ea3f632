package imager

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	"turnstone/device/spiral"
	"turnstone/imager/plan/marks"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// Surface is what a case's map tells of its disc's surface after a round: the angles as
// they were fitted, the marks, the damage.
type Surface struct {
	m       *mapfile.Map
	round   int
	nominal *spiral.Track
	fitted  *marks.Disc   // by how blocks fared alone
	disc    *marks.Disc   // the same, as somebody who held it has told, and with its layers brought together
	across  *marks.Across // how the second layer was brought to the first; nil: it could not be
	shape   chart.Disc
	looked  looked
	now     *marks.Sights
	found   []marks.Found  // by layer
	gone    [][]marks.Mark // by layer
	lasting []map[int]int  // by layer, of a mark: rounds in which its place was treated and that left it as it was
}

// mostRounds is how many rounds are looked at, the latest, to tell what became of marks.
const mostRounds = 6

// SurfaceOf looks at the disc's surface after a round; nil is returned where the disc's
// geometry is not known.
func SurfaceOf(m *mapfile.Map, round int) *Surface {
	d := m.Disc()
	h := d.Held
	s := &Surface{m: m, round: round, shape: shapeOf(d)}
	if len(s.shape.Layers) == 0 {
		return nil
	}
	s.nominal = s.shape.Layers[0].Track
	sights := map[int]*marks.Sights{}
	var all []*marks.Sights
	last := min(len(m.Rounds())-1, max(round, mostRounds-1)) // so that the maps of all rounds are turned alike
	for r := max(0, round-mostRounds+1); r <= last; r++ {
		if r == round || read(m, r) {
			sights[r] = marks.After(m, r)
			all = append(all, sights[r])
		}
	}
	s.now = sights[round]
	s.fitted = marks.Calibrate(d.Kind, s.nominal, all...)
	s.disc = s.fitted
	if h != nil && len(h.PerTurn) > 0 {
		s.disc = s.disc.Remade(s.nominal, h.PerTurn)
	}
	s.bringTogether(all)
	s.place(h)
	s.find(sights)
	return s
}

// read tells whether a drive read in a round.
func read(m *mapfile.Map, round int) bool {
	for _, p := range m.Passes() {
		if p.Round == round && p.Drive >= 0 {
			return true
		}
	}
	return false
}

// Once tellDrift places have told without a doubt how the first layer's angles drift, they
// are off by what the places leave and leave open, and by seenAlong at least, in mm along
// the circle at midway.
const (
	tellDrift = 3
	seenAlong = 2.0
	midway    = 2 * math.Pi * 40
)

// place gives the shape the angles that were fitted, by what somebody saw too.
func (s *Surface) place(h *mapfile.Held) {
	for i := range s.shape.Layers {
		l := &s.shape.Layers[i]
		known, drift := s.disc.Angles(i)
		if !known {
			continue
		}
		if (i == 0 || s.across != nil) && h != nil && !h.Doubtful && len(h.Places) >= tellDrift {
			drift = min(drift, max(max(seenAlong, h.OffMM)/midway, h.LooseDeg/360))
			if i > 0 {
				drift += s.across.Off
			}
		}
		t := s.disc.Track(i)
		*l = chart.Layer{Track: t, Index: i, Turn: s.disc.Begin(i) - t.At(float64(t.Layer(i).First)).Turn, Drift: drift}
	}
}

// find finds the marks of each layer, and what became of them since the rounds before.
func (s *Surface) find(sights map[int]*marks.Sights) {
	n := s.disc.Layers()
	s.found, s.gone, s.lasting = make([]marks.Found, n), make([][]marks.Mark, n), make([]map[int]int, n)
	var layers sync.WaitGroup
	for layer := range n {
		layers.Go(func() { s.findOn(layer, sights) })
	}
	layers.Wait()
}

// findOn is find on one layer.
func (s *Surface) findOn(layer int, sights map[int]*marks.Sights) {
	rounds := s.m.Rounds()
	var before marks.Found
	var gone []marks.Mark
	var then *marks.Sights // those of before
	lasting := map[int]int{}
	for r := max(0, s.round-mostRounds+1); r <= s.round; r++ {
		if sights[r] == nil {
			continue
		}
		f := s.marksOf(layer, sights[r])
		last := map[int]int{}
		if then != nil {
			gone = f.Compare(before, then, sights[r])
			for i, m := range f.Marks {
				old, ok := m.Before(before)
				if !ok {
					continue
				}
				if left, ok := before.Marks[old].Left(sights[r]); ok && left >= asItWas {
					last[i] = lasting[old]
					if treated(rounds[r], m) {
						last[i]++
					}
				}
			}
		}
		before, lasting, then = f, last, sights[r]
	}
	s.found[layer], s.gone[layer], s.lasting[layer] = before, gone, lasting
}

// treated tells whether a treatment of a round took or smoothed material at a mark.
func treated(r mapfile.Round, m marks.Mark) bool {
	return slices.ContainsFunc(r.Treatments, func(t mapfile.Treatment) bool {
		return (t.Word == Sand || t.Word == Polish) && (t.ToMM == 0 || t.FromMM <= m.Middle.Radius && m.Middle.Radius <= t.ToMM)
	})
}

// After deepAfter rounds in which its place was treated and that left a mark as it was,
// but for a twentieth of its blocks, it is said that it may not lie on the surface.
const (
	deepAfter = 2
	asItWas   = .95
)

// into puts what was found into a view, and how the disc is held unless the view says.
func (s *Surface) into(v *chart.View) {
	for _, l := range s.listOf(v.Layer) {
		v.Marks = append(v.Marks, l.drawn(len(s.found)))
	}
	for layer := range s.found {
		if v.Layer != chart.AllLayers && v.Layer != layer {
			continue
		}
		for _, l := range listed(s.gone[layer], func(int, int) bool { return true }) {
			c := chartMark(s.gone[layer][l.at])
			c.News, c.Costs, c.Note = "", l.costs, l.inWords()
			if len(s.found) > 1 {
				c.Note = strings.TrimSuffix(fmt.Sprintf("on layer %d; %s", layer, c.Note), "; ")
			}
			v.Gone = append(v.Gone, c)
		}
	}
	slices.SortStableFunc(v.Gone, func(a, b chart.Mark) int { return cmp.Compare(b.Costs, a.Costs) })
	v.Notes = append(v.Notes, s.deepNotes(v.Layer)...)
	layer, r, ok := s.worst(v.Layer)
	if ok {
		v.Treat = &r
	}
	if words := s.layersInWords(layer); words != "" {
		v.Notes = append(v.Notes, words)
	}
	f := s.disc.Damage(layer, s.now)
	v.Field = fieldOf(f)
}

// deepNotes warn of marks that treatments have left as they were.
func (s *Surface) deepNotes(only int) []string {
	var costs int64
	for layer, f := range s.found {
		for i, m := range f.Marks {
			if (only == chart.AllLayers || only == layer) && s.lasting[layer][i] >= deepAfter {
				costs += m.Costs
			}
		}
	}
	if costs == 0 {
		return nil
	}
	return []string{fmt.Sprintf("Marks that cost %d sectors did not change in rounds in which their place was sanded or polished. Either they are deeper than what was taken off, or they don't lie on the reading side but on the label side or in the data layer, where sanding and polishing won't help: look through the disc against a light before more is taken off.", costs)}
}

// worst is where there is most to win, on the layer of which most failed.
func (s *Surface) worst(only int) (layer int, r chart.Region, ok bool) {
	for i, f := range s.found {
		if only == i || only == chart.AllLayers && f.Missing > s.found[layer].Missing {
			layer = i
		}
	}
	f := s.found[layer]
	w, ok := s.disc.Worst(layer, f)
	return layer, chart.Region{Inner: w.Inner, Outer: w.Outer, From: w.From, To: w.To, Share: w.Share,
		Sectors: int64(math.Round(w.Share * float64(f.Missing)))}, ok
}

// chartMark is a mark as it is drawn.
func chartMark(m marks.Mark) chart.Mark {
	c := chart.Mark{Kind: string(m.Kind), Inner: m.Inner, Outer: m.Outer, From: m.From, To: m.To, Costs: m.Costs, News: string(m.News)}
	if m.Kind == marks.Scratch || m.Kind == marks.Arc && m.To-m.From < 1 {
		c.Line = []chart.Polar{chart.Polar(m.Ends[0]), chart.Polar(m.Middle), chart.Polar(m.Ends[1])}
	}
	return c
}

// fieldOf is the damage as it is drawn. A cell is the surer the more blocks passed over it.
func fieldOf(d marks.Damage) *chart.Field {
	const half = 8 // blocks, of which a cell is half sure
	f := &chart.Field{Inner: d.Inner, Step: d.Step, Bands: d.Bands, Angles: d.Angles, Loss: d.Stops}
	for _, n := range d.Seen {
		f.Certainty = append(f.Certainty, n/(n+half))
	}
	return f
}
