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

// Seen fits how the disc in somebody's hand lies to the marks found, by the places at
// which some of them are seen from one of some sides, and keeps it in the case. Places at
// which no mark was found are left out of it. The errors of chart.FitTurn are returned,
// and ErrNoMarks.
func (c *Case) Seen(places []chart.Place, from []chart.Side) (mapfile.Held, error) {
	h, err := heldBy(c.m, places, from)
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
func heldBy(m *mapfile.Map, places []chart.Place, from []chart.Side) (mapfile.Held, error) {
	if s := surfaceOf(m, len(m.Rounds())-1, nil); s != nil {
		return heldOn(s, places, from)
	}
	return mapfile.Held{}, ErrNoMarks
}

// mostSpread is by how many degrees fits that are nearly as good may differ from one that
// is not called doubtful.
const mostSpread = 9

// mostSeen is how many marks, the costliest, may be those that somebody sees.
const mostSeen = 16

// visible are the marks of a layer that a person may see: the largest, without those
// that are but the fringe of others.
func (s *Surface) visible(layer int) []chart.Mark {
	var all []chart.Mark
	found := s.found[layer].Marks
	for i, m := range found {
		if len(all) < mostSeen && !slices.ContainsFunc(found[:i], m.Fringes) {
			all = append(all, chartMark(m))
		}
	}
	return all
}

// heldOn is the same for a surface.
func heldOn(s *Surface, places []chart.Place, from []chart.Side) (mapfile.Held, error) {
	seen := s.visible(0)
	var ways []chart.Sway
	if known, _ := s.disc.Angles(0); known {
		for way := range marks.Ways {
			ways = append(ways, func(mm float64) float64 { return s.disc.Sway(0, way, mm) })
		}
	}
	f, err := chart.FitTurn(places, from, seen, ways...)
	if err != nil {
		return mapfile.Held{}, err
	}
	h := mapfile.Held{Side: "read", TurnDeg: f.Turn, OffMM: f.Residual, Doubtful: f.Doubtful || f.Spread > mostSpread}
	if f.Side == chart.Label {
		h.Side = "label"
	}
	for i, p := range places {
		if f.Pairs[i] >= 0 {
			h.Places = append(h.Places, p.String())
		}
	}
	for i := range s.disc.Layers() {
		h.PerTurn = append(h.PerTurn, s.disc.PerTurn(i))
	}
	h.PerTurn[0] = s.disc.Swayed(0, f.Sways)
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
		s += " Another turn, or the other side, fits nearly as well: one more place decides."
	}
	return s
}

// LeftOutInWords says which of the places that were told were left out of how the disc is
// taken to be held; "" where none was.
func LeftOutInWords(h mapfile.Held, told []chart.Place) string {
	var out []string
	for _, p := range told {
		if !slices.Contains(h.Places, p.String()) {
			out = append(out, p.String())
		}
	}
	if len(out) == 0 {
		return ""
	}
	return fmt.Sprintf("No mark was found that lies there when the others do: %s.", strings.Join(out, "; "))
}
