package imager

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"sync"

	"turnstone/device/sector"
	"turnstone/imager/plan/marks"
	"turnstone/mapfile/chart"
)

// bringTogether brings the angles of a second layer to those of the first where what lies
// under both tells how they stand to each other. The round in which most failed tells it
// for all.
func (s *Surface) bringTogether(all []*marks.Sights) {
	if s.disc.Layers() != 2 {
		return
	}
	for i := range 2 {
		if known, _ := s.disc.Angles(i); !known {
			return
		}
	}
	most := slices.MaxFunc(all, func(a, b *marks.Sights) int { return cmp.Compare(a.Failed(), b.Failed()) })
	s.looked.at, s.looked.found = most, make([]*marks.Found, 2)
	var layers sync.WaitGroup
	for i := range s.looked.found {
		layers.Go(func() {
			f := s.disc.Find(i, most)
			s.looked.found[i] = &f
		})
	}
	layers.Wait()
	if x, ok := s.disc.Across(*s.looked.found[0], *s.looked.found[1]); ok {
		s.across = &x
		s.disc = s.disc.Brought(s.nominal, x)
		s.looked.found[1] = nil // at other angles now
	}
}

// looked is what was found in one round before the layers were brought together.
type looked struct {
	at    *marks.Sights
	found []*marks.Found // by layer; nil: it is not as the disc is now
}

// marksOf finds the marks of a layer, once.
func (s *Surface) marksOf(layer int, at *marks.Sights) marks.Found {
	if at == s.looked.at && s.looked.found[layer] != nil {
		return *s.looked.found[layer]
	}
	return s.disc.Find(layer, at)
}

// layersInWords says how the layers' angles stand to each other, and of which of them the
// damage is drawn; "" of a disc of one.
func (s *Surface) layersInWords(drawn int) string {
	if len(s.found) < 2 {
		return ""
	}
	shows := fmt.Sprintf("The estimated damage is what layer %d shows. ", drawn)
	if s.across == nil {
		return shows + "Angles of each layer count from where it begins; how they stand to each other is not known."
	}
	return shows + fmt.Sprintf("Angles of layer 1 are brought to those of layer 0: at %.0f of %d radii where both have marks these lie over each other then, to some %.0f°. Such marks count as one.",
		s.across.Rings, s.across.Of, max(1, 360*s.across.Off))
}

// layerMark is a mark as it is listed, on its layer.
type layerMark struct {
	listedMark
	layer   int
	lasting int // rounds in which its place was treated and that left it as it was
	mark    *marks.Mark
	also    []layerMark // of the other layer, that lie over it
}

// listOf are the marks of the layers of a view, and what lies over each other in both as one.
func (s *Surface) listOf(only int) []layerMark {
	var all []layerMark
	for layer, f := range s.found {
		if only != chart.AllLayers && only != layer {
			continue
		}
		lasting := s.lasting[layer]
		alike := func(a, b int) bool {
			return f.Marks[a].News == f.Marks[b].News && lasting[a] >= deepAfter == (lasting[b] >= deepAfter)
		}
		for _, l := range listed(f.Marks, alike) {
			m := layerMark{listedMark: l, layer: layer, lasting: lasting[l.at], mark: &f.Marks[l.at]}
			if layer == 0 || s.across == nil || !joined(all, m) {
				all = append(all, m)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b layerMark) int { return cmp.Compare(b.cost(), a.cost()) })
	return all
}

// joined puts a mark of the second layer to the one of the first that it lies over, and
// that fared as it did; not where there is none.
func joined(all []layerMark, m layerMark) bool {
	var first []marks.Mark
	var index []int
	for i, o := range all {
		if o.layer == 0 && o.mark.News == m.mark.News && o.lasting >= deepAfter == (m.lasting >= deepAfter) {
			first, index = append(first, *o.mark), append(index, i)
		}
	}
	i, ok := m.mark.LiesOver(first)
	if ok {
		o := &all[index[i]]
		o.also = append(o.also, m)
	}
	return ok
}

// cost is what it costs in all layers.
func (l layerMark) cost() int64 {
	all := l.costs
	for _, o := range l.also {
		all += o.costs
	}
	return all
}

// drawn is the mark as it is drawn, of a disc of so many layers: where it lies as the
// layer shows in which it costs most.
func (l layerMark) drawn(layers int) chart.Mark {
	at, along, there := l, l.along, int64(0)
	for _, o := range l.also {
		if o.costs > at.costs {
			at = o
		}
		there += o.costs
		along += o.along
	}
	c := chartMark(*at.mark)
	c.Costs = l.cost()
	var notes []string
	switch {
	case len(l.also) > 0:
		notes = append(notes, fmt.Sprintf("in both layers, %s of layer 0 and %s of layer 1", sector.Thousands(l.costs), sector.Thousands(there)))
		along += len(l.also) - 1
	case layers > 1:
		notes = append(notes, fmt.Sprintf("on layer %d", l.layer))
	}
	if more := (listedMark{along: along}).inWords(); more != "" {
		notes = append(notes, more)
	}
	if l.lasting >= deepAfter {
		notes = append(notes, fmt.Sprintf("treated in %d rounds, and as it was", l.lasting))
	}
	c.Note = strings.Join(notes, "; ")
	return c
}
