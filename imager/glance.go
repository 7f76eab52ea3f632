package imager

import (
	"fmt"
	"sync"

	"turnstone/imager/plan/marks"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// Look is a look at a case's map. What StatusIn, Glance and Advise share, where the case
// stands and the ring in which there is most to win, takes most of their time and is worked
// out once. The map must not change meanwhile.
type Look struct {
	m      *mapfile.Map
	status func() Status
	ring   func() (marks.Region, bool)
}

// LookAt is a look at a map.
func LookAt(m *mapfile.Map) Look {
	return Look{m,
		sync.OnceValue(func() Status { return StatusOf(m) }),
		sync.OnceValues(func() (marks.Region, bool) { return worstRing(m, shapeOf(m.Disc())) })}
}

// Glance is that of a look at a map.
func Glance(m *mapfile.Map) (p *chart.Picture, sentences []string, err error) {
	return LookAt(m).Glance()
}

// Advise is that of a look at a map.
func Advise(m *mapfile.Map) []Advice { return LookAt(m).Advise() }

// Glance is the damage map at a glance, for the small strip, and what is to be said of
// the surface: where there is most to win, by radius alone, which takes no fit of angles;
// and what treatments have taken off.
func (l Look) Glance() (p *chart.Picture, sentences []string, err error) {
	m, d := l.m, l.m.Disc()
	shape := shapeOf(d)
	p, err = chart.Of(m, shape, chart.View{Round: chart.Latest, Layer: chart.AllLayers})
	if err != nil {
		return nil, nil, err
	}
	if r, ok := l.ring(); ok {
		sentences = append(sentences, fmt.Sprintf("There is most to win in the ring from %.0f to %.0f mm: %.0f %% of what failed on this surface lies there. At which angles, the damage map tells.",
			r.Inner, r.Outer, 100*r.Share))
	}
	if taken, ok := chart.TakenOff(m.Rounds()); ok {
		sentences = append(sentences, taken.Sentences(d.Kind)...)
	}
	return p, sentences, nil
}

// worstRing is where there is most to win by radius; not ok where that can't be told, or
// no place is worse than others.
func worstRing(m *mapfile.Map, shape chart.Disc) (worst marks.Region, ok bool) {
	if len(shape.Layers) == 0 {
		return worst, false
	}
	s := marks.After(m, len(m.Rounds())-1)
	disc := marks.Calibrate(m.Disc().Kind, shape.Layers[0].Track, marks.NewSights(0, m.Disc().BlockSectors))
	var most int64
	for layer := range disc.Layers() {
		f := disc.Find(layer, s)
		if r, found := disc.Worst(layer, f); found && f.Missing > most {
			worst, ok, most = r, true, f.Missing
		}
	}
	return worst, ok
}
