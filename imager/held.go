package imager

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"turnstone/imager/plan/marks"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// ErrNoMarks is returned when places are told of a disc of which no geometry is known.
var ErrNoMarks = errors.New("where on this disc its sectors lie is not known, so no marks are either")

// ErrOtherLayer is returned when a place names a mark of a second layer whose angles do
// not count with those of the first.
var ErrOtherLayer = errors.New("it lies on layer 1 alone, and how the angles of that layer stand to those of layer 0, by which the map is turned, is not known; name marks of layer 0")

// Seen fits how the disc in somebody's hand lies to the marks found, by the places at
// which some of them are seen from one of some sides, and keeps it in the case. A place
// that names its mark does so by the numbers of the map of one layer, or of all
// (chart.AllLayers), as the case stands. Places at which no mark was found are left out of
// it. The errors of chart.FitTurn are returned, ErrNoMarks, ErrOtherLayer and
// chart.ErrNoLayer.
func (c *Case) Seen(places []chart.Place, from []chart.Side, layer int) (mapfile.Held, error) {
	h, err := heldBy(c.m, places, from, layer)
	if err != nil {
		return h, err
	}
	d := c.m.Disc()
	d.Held = &h
	if err := c.m.SetDisc(d); err != nil {
		return h, err
	}
	c.m.AddEvent(mapfile.Event{Time: c.now(), Pass: -1, Kind: KindHeld, Text: HeldInWords(h)})
	return h, c.saveRecords()
}

// heldBy is how the disc is held by whom some marks are seen at places.
func heldBy(m *mapfile.Map, places []chart.Place, from []chart.Side, layer int) (mapfile.Held, error) {
	if s := SurfaceOf(m, len(m.Rounds())-1); s != nil {
		return heldOn(s, places, from, layer)
	}
	return mapfile.Held{}, ErrNoMarks
}

// mostSpread is by how many degrees fits that are nearly as good may differ from one that
// is not called doubtful.
const mostSpread = 9

// mostLoose is the degrees, as a standard deviation, from which on it is said that angles are
// open at radii or on marks of which nothing was told: a fit is no more doubtful for that.
const mostLoose = 5

// mostSeen is how many marks, the costliest, may be those that somebody sees.
const mostSeen = 16

// visible are the marks as the map of a layer, or of all, lists them, as many as somebody
// may see, at the angles that nobody has told anything of yet. Aside are thin ones along the
// edge of others, and those of layers that were not brought together with the first.
func (s *Surface) visible(only int) []chart.Mark {
	var all []chart.Mark
	list := s.listOf(only)
	seen := 0
	for i, l := range list {
		c := l.drawn(len(s.found))
		thin := l.mark.Outer-l.mark.Inner <= thinFringe
		c.Aside = s.apart(l) || thin && slices.ContainsFunc(list[:i], func(o layerMark) bool {
			return !s.apart(o) && l.mark.Fringes(*o.mark)
		})
		if !c.Aside {
			seen++
		}
		if seen > mostSeen {
			break
		}
		back := func(mm float64) float64 { return s.disc.Further(s.fitted, 0, mm) }
		mid := back((c.Inner + c.Outer) / 2)
		c.From, c.To = c.From-mid, c.To-mid
		for k, p := range c.Line {
			c.Line[k].Angle -= back(p.Radius)
		}
		all = append(all, c)
	}
	return all
}

// apart tells whether a mark's angles do not count with those of the first layer.
func (s *Surface) apart(l layerMark) bool { return l.layer > 0 && s.across == nil }

// heldOn is the same for a surface.
func heldOn(s *Surface, places []chart.Place, from []chart.Side, layer int) (mapfile.Held, error) {
	if err := s.shape.CheckLayer(layer); err != nil {
		return mapfile.Held{}, err
	}
	if !slices.ContainsFunc(places, func(p chart.Place) bool { return p.Mark > 0 }) {
		layer = chart.AllLayers
	}
	list := s.listOf(layer)
	for _, p := range places {
		if n := p.Mark; n > 0 && n <= len(list) && s.apart(list[n-1]) {
			return mapfile.Held{}, fmt.Errorf("mark %d: %w", n, ErrOtherLayer)
		}
	}
	var ways []chart.Sway
	if known, _ := s.fitted.Angles(0); known {
		for way := range marks.Ways {
			ways = append(ways, func(mm float64) float64 { return s.fitted.Sway(0, way, mm) })
		}
	}
	f, err := chart.FitTurn(places, from, s.visible(layer), ways...)
	if err != nil {
		return mapfile.Held{}, err
	}
	h := mapfile.Held{Side: "read", TurnDeg: f.Turn, OffMM: f.Residual, Doubtful: f.Doubtful || f.Spread > mostSpread, LooseDeg: f.Loose}
	if f.Side == chart.Label {
		h.Side = "label"
	}
	for i, p := range f.Places {
		if f.Pairs[i] >= 0 {
			p.Mark = 0 // the numbers are others once the map is turned, and more is read
			h.Places = append(h.Places, p.String())
		}
	}
	for i := range s.disc.Layers() {
		h.PerTurn = append(h.PerTurn, s.disc.PerTurn(i))
	}
	h.PerTurn[0] = s.fitted.Swayed(0, f.Sways)
	return h, nil
}

// HeldInWords says how the disc is taken to be held.
func HeldInWords(h mapfile.Held) string {
	side := "reading side"
	if h.Side == "label" {
		side = "label side"
	}
	s := fmt.Sprintf("Turned so that marks lie where they were seen from the %s (%s), to within %.1f mm.", side, strings.Join(h.Places, "; "), h.OffMM)
	if h.Doubtful {
		s += " Another turn, or the other side, fits nearly as well: one more place decides, or one whose mark is named by its number on the map."
	}
	if h.LooseDeg > mostLoose {
		open := fmt.Sprintf("may still be off by some %.0f°", h.LooseDeg)
		if h.LooseDeg > 90 {
			open = "are still open"
		}
		s += fmt.Sprintf(" Angles at other radii, or on wide marks, %s: tell of one more, a narrow one far from these.", open)
	}
	return s
}

// LeftOutInWords says which of the places that were told were left out of how the disc is
// taken to be held; "" where none was.
func LeftOutInWords(h mapfile.Held, told []chart.Place) string {
	var out []string
	for _, p := range told {
		if p.Mark == 0 && !slices.Contains(h.Places, p.String()) {
			out = append(out, p.String())
		}
	}
	if len(out) == 0 {
		return ""
	}
	return fmt.Sprintf("No mark was found that lies there when the others do: %s.", strings.Join(out, "; "))
}
