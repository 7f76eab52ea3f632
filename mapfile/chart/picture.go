package chart

import (
	"fmt"
	"sync"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Latest is the Round of a view of how the case stands now.
const Latest = -1

// AllLayers is the Layer of a view of the whole disc.
const AllLayers = -1

// View is what is to be seen, and from where.
type View struct {
	Title string  // the case's name
	Round int     // the state after this round; Latest: as it stands
	Layer int     // one layer only; AllLayers: each
	Side  Side    // from which the disc is looked at
	Turn  float64 // degrees by which the picture is turned, clockwise from the reading side

	Field    *Field // the estimated damage; nil: there is no picture of it
	Marks    []Mark
	Gone     []Mark    // marks of the round before that are gone
	Treat    *Region   // where there is most to win; nil: not told
	Material *Material // what was taken off; nil: not told
	Notes    []string  // sentences to stand below the pictures, such as warnings
}

// onPaper is where an angle of the disc lies on the picture, in turns clockwise
// from 12 o'clock.
func (v View) onPaper(angle float64) float64 { return v.Side.onPaper(angle, v.Turn/360) }

// Picture is a damage map, ready to be drawn. It keeps nothing of the map that it
// was made from.
type Picture struct {
	view    View
	disc    Disc
	kind    string // of the disc: "dvd", ...
	sectors int64  // of the disc
	written int64  // of its written area
	round   int

	scale   scale
	classes []class
	layers  []layerPicture // the layers of the view; one of a disc whose geometry is not known
	passes  []passStrip
	rounds  []string // in words, up to round

	repaired repaired
}

// layerPicture is how one layer stands.
type layerPicture struct {
	index   int
	layer   Layer // without Track where the geometry is not known
	grid    *grid // nil there
	bins    []tally
	total   tally
	sectors sector.Range
}

// Of makes the damage map of a disc. Its geometry must be that of the map's disc:
// an error is returned when its layers do not hold the disc's sectors, when the
// map has no such round, the disc no such layer, or when the field is none. The
// map is only read.
func Of(m *mapfile.Map, d Disc, v View) (*Picture, error) {
	rounds, disc := m.Rounds(), m.Disc()
	last := max(0, len(rounds)-1) // a new map counts as being in round 0
	round := v.Round
	if round == Latest {
		round = last
	}
	if round < 0 || round > last {
		return nil, fmt.Errorf("chart: there is no round %d; the last is round %d", v.Round, last)
	}
	if err := d.check(disc.Sectors); err != nil {
		return nil, fmt.Errorf("chart: %w", err)
	}
	if err := d.CheckLayer(v.Layer); err != nil {
		return nil, fmt.Errorf("chart: %w", err)
	}
	if v.Field != nil {
		if err := v.Field.check(); err != nil {
			return nil, fmt.Errorf("chart: %w", err)
		}
		v.Field = v.Field.coarse()
	}
	p := &Picture{
		view: v, disc: d, kind: disc.Kind, sectors: disc.Sectors, written: disc.Written.Count(), round: round,
		scale: scaleOf(d, disc.Sectors),
	}
	p.passes = passesUpTo(m, round, &p.scale)
	p.repaired = repairedUpTo(m, round)
	s := standingAfter(m, round, p.passes)
	for i := range p.passes {
		p.passes[i].set, p.passes[i].failed = sector.Set{}, sector.Set{} // no longer needed
	}
	p.classes = s.classes
	if p.scale.blind {
		p.layers = []layerPicture{{sectors: sector.Span(0, disc.Sectors)}}
	}
	for i, l := range d.Layers {
		if v.Layer == AllLayers || v.Layer == i {
			p.layers = append(p.layers, layerPicture{index: i, layer: l, sectors: l.Track.Layer(l.Index)})
		}
	}
	var layers sync.WaitGroup
	for i := range p.layers {
		layers.Go(func() { p.layers[i].count(&s, &p.scale) })
	}
	layers.Wait()
	for n := range round + 1 {
		p.rounds = append(p.rounds, roundInWords(rounds, n))
	}
	return p, nil
}

// count counts the layer's sectors as they stand.
func (l *layerPicture) count(s *standing, sc *scale) {
	l.bins = s.count(l.sectors, sc)
	l.total.Sectors = make([]int64, len(s.classes))
	for _, b := range l.bins {
		for c, n := range b.Sectors {
			l.total.Sectors[c] += n
		}
		l.total.Written += b.Written
	}
	if l.layer.Track != nil {
		l.grid = s.reduce(l.layer)
	}
}

// check returns an error unless the layers hold the disc's sectors, one after the
// other.
func (d Disc) check(sectors int64) error {
	if len(d.Layers) == 0 {
		return nil
	}
	var at sector.LBA
	for i, l := range d.Layers {
		r := sector.Range{}
		if l.Track != nil {
			r = l.Track.Layer(l.Index)
		}
		if r.Empty() || r.First != at {
			return fmt.Errorf("layer %d holds sectors %v; want them to begin at %d", i, r, at)
		}
		if _, out := l.radii(); out > d.edge() {
			return fmt.Errorf("layer %d reaches to %.1f mm, on a disc of %.0f mm", i, out, 2*d.edge())
		}
		at = r.End
	}
	if int64(at) < sectors {
		return fmt.Errorf("the layers hold %d sectors, and the disc %d", at, sectors)
	}
	return nil
}

// layerName is the layer's number, and which there are: "layer 1 (of 0 and 1)".
func (p *Picture) layerName(l layerPicture) string {
	last := len(p.disc.Layers) - 1
	and := "to"
	if last == 1 {
		and = "and"
	}
	return fmt.Sprintf("layer %d (of 0 %s %d)", l.index, and, last)
}

// total is the sectors by class of all layers of the view.
func (p *Picture) total() tally {
	t := tally{Sectors: make([]int64, len(p.classes))}
	for _, l := range p.layers {
		for c, n := range l.total.Sectors {
			t.Sectors[c] += n
		}
		t.Written += l.total.Written
	}
	return t
}

// surface is how the disc is to be seen, in a sentence.
func (p *Picture) surface() string {
	s := fmt.Sprintf("Seen from the %s; in the drive it turns %s, seen so.", p.view.Side, p.view.Side.turning())
	if p.view.Turn != 0 {
		s += fmt.Sprintf(" Turned by %s°.", decimal(p.view.Turn, 1))
	}
	return s
}

// standing is how the view's sectors stand, in a sentence.
func (p *Picture) standing() string {
	t := p.total()
	if t.Written == 0 {
		if p.sectors == 0 {
			return "The disc was not recognised by a drive yet."
		}
		return "Nothing is recorded here."
	}
	missing := t.missing(p.classes)
	if missing == 0 {
		return fmt.Sprintf("All %s sectors are in the image.", sector.Thousands(t.Written)) + p.repaired.inWords()
	}
	return fmt.Sprintf("Of %s sectors %s (%s) are in the image, %s are missing.",
		sector.Thousands(t.Written), sector.Thousands(t.Written-missing), percent(t.Written-missing, t.Written), sector.Thousands(missing)) + p.repaired.inWords()
}

// after is the round after which the disc is shown, in words.
func (p *Picture) after() string { return "After " + p.rounds[p.round] }

// extent says where on the disc the layer's track lies.
func (p *Picture) extent(l layerPicture) string {
	in, out := l.layer.radii()
	return fmt.Sprintf("The data lie from %s to %s mm from the middle; the disc ends at %s mm. ", decimal(in, 1), decimal(out, 1), decimal(p.disc.edge(), 0))
}

// blind is the sentence for discs whose geometry is not known.
const blind = "Where on this disc its sectors lie is not known (a plain device, or an unknown kind of disc): shown by address, not by place."

// anyAngle is a drift, in turns, from which on nothing is known of how marks stand to
// each other: its double is half a turn.
const anyAngle = 0.25

// doubt says how well angles are known on a layer; "" where nothing is to be said.
func (l layerPicture) doubt() string {
	switch {
	case l.grid == nil:
		return ""
	case l.grid.angles == 1:
		return "Angles are not known on this disc yet: rings show shares of whole turns."
	case l.layer.Doubt > 0:
		return fmt.Sprintf("Angles may be off by ± %s°.", decimal(360*l.layer.Doubt, 1))
	case l.layer.Drift >= anyAngle:
		return "The shape of a mark holds; marks that lie millimetres apart in radius may be turned against each other by any angle."
	case l.layer.Drift > 0:
		return fmt.Sprintf("The shape of a mark holds; marks that lie millimetres apart in radius may be turned against each other by some %s°.", decimal(max(1, 360*l.layer.Drift), 0))
	}
	return ""
}
