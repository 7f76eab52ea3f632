package chart

import (
	"math"
	"sort"

	"turnstone/device/sector"
)

// Bin is a stretch of the disc for which sectors are counted: a millimetre of
// radius, or of a disc whose geometry is not known a stretch of addresses.
type Bin struct {
	From float64 `json:"from"` // in the unit of the scale
	To   float64 `json:"to"`
}

// scale is the bins of a picture and which sectors lie in them.
type scale struct {
	unit  string // "mm" or "sector"
	bins  []Bin
	cuts  []cut // in order of address, without gap over the disc
	blind bool  // the geometry is not known
}

// cut is sectors in a row that lie in one bin.
type cut struct {
	sector.Range
	bin int
}

// addressBins is how many stretches a disc without geometry has.
const addressBins = 40

// scaleOf is the scale of a disc of so many sectors. A sector counts where it
// begins.
func scaleOf(d Disc, sectors int64) scale {
	if len(d.Layers) == 0 {
		return addresses(sectors)
	}
	least, most := math.Inf(1), 0.0
	for _, l := range d.Layers {
		in, out := l.radii()
		least, most = min(least, in), max(most, out)
	}
	s := scale{unit: "mm"}
	first := int(math.Floor(least + 1e-6))
	for mm := first; mm == first || float64(mm)+1e-6 < most; mm++ {
		s.bins = append(s.bins, Bin{float64(mm), float64(mm + 1)})
	}
	for _, l := range d.Layers {
		for _, p := range l.parts(float64(first), 1, len(s.bins)) {
			r := sector.Range{First: sector.LBA(math.Ceil(p.from)), End: sector.LBA(math.Ceil(p.to))}
			if !r.Empty() {
				s.cuts = append(s.cuts, cut{r, p.band})
			}
		}
	}
	return s
}

func addresses(sectors int64) scale {
	s := scale{unit: "sector", blind: true}
	n := min(sectors, addressBins)
	for i := range n {
		r := sector.Range{First: sector.LBA(i * sectors / n), End: sector.LBA((i + 1) * sectors / n)}
		s.bins = append(s.bins, Bin{float64(r.First), float64(r.End)})
		s.cuts = append(s.cuts, cut{r, int(i)})
	}
	return s
}

// spreading gives the sectors of ranges, which come in order of address, to the bins in
// which they lie.
type spreading struct {
	*scale
	at int // the first cut that ranges to come may lie in
}

func (s *spreading) spread(r sector.Range, give func(bin int, n int64)) {
	for s.at < len(s.cuts) && s.cuts[s.at].End <= r.First {
		s.at++
	}
	for i := s.at; i < len(s.cuts) && s.cuts[i].First < r.End; i++ {
		if part := s.cuts[i].Intersect(r); !part.Empty() {
			give(s.cuts[i].bin, part.Count())
		}
	}
}

// part is the piece of a layer's track that lies in one band of radii.
type part struct {
	band     int
	from, to float64 // positions, in sectors
	turn     float64 // at from
	end      float64 // turn at to
}

// parts cuts the layer's track at the edges of bands of even width in mm, from an
// inner radius on, which together hold the layer. They are in order of position.
func (l Layer) parts(inner, step float64, bands int) []part {
	var all []part
	for i := range bands {
		band := i
		low, high := inner+float64(band)*step, inner+float64(band+1)*step
		a, b := l.Track.Turn(l.Index, low), l.Track.Turn(l.Index, high)
		if a > b { // the layer runs inwards
			a, b = b, a
		}
		if a < b {
			all = append(all, part{band, l.Track.Position(l.Index, a), l.Track.Position(l.Index, b), a + l.Turn, b + l.Turn})
		}
	}
	sort.Slice(all, func(i, j int) bool { return all[i].from < all[j].from })
	if len(all) == 0 {
		return nil
	}
	// Neighbours share an edge to the last bit, and the first and last reach the
	// layer's ends, so that no sector falls between them.
	r := l.Track.Layer(l.Index)
	all[0].from, all[len(all)-1].to = float64(r.First), float64(r.End)
	for i := 1; i < len(all); i++ {
		all[i].from = all[i-1].to
	}
	return all
}
