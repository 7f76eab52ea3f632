package chart

import (
	"encoding/json"
	"io"
	"math"
)

// document is the numbers behind a picture, as JSON has them. Lengths are in mm,
// angles on the disc in turns as package spiral has them, times in seconds.
type document struct {
	Title    string          `json:"title,omitempty"`
	Round    int             `json:"round"` // the state after it
	Side     string          `json:"side"`
	TurnDeg  float64         `json:"turn_deg"`
	Diameter float64         `json:"diameter_mm"`
	Places   bool            `json:"places"` // whether the geometry is known; else bins are of addresses
	Written  int64           `json:"written"`
	Repaired int64           `json:"repaired"` // of the good sectors, those put together from raw readings
	Classes  []classDocument `json:"classes"`
	Layers   []layerDocument `json:"layers"`
	Passes   []passDocument  `json:"passes"`
	Rounds   []roundDocument `json:"rounds"`
	Marks    []markDocument  `json:"marks"`
	Gone     []markDocument  `json:"gone"`  // marks of the round before
	Treat    *regionDocument `json:"treat"` // where there is most to win
	Material *Material       `json:"material"`
}

// classDocument is one class of sectors; State is good, bad or untried.
type classDocument struct {
	State  string `json:"state"`
	Words  string `json:"words"`
	Rounds []int  `json:"rounds,omitempty"` // that won them, first and last
}

type layerDocument struct {
	Layer    int           `json:"layer"`
	DoubtDeg float64       `json:"angles_off_deg"`   // how far angles may be off; 180: not known
	DriftDeg float64       `json:"angles_drift_deg"` // how far places may be off against each other that lie apart in radius
	Sectors  []int64       `json:"sectors"`          // by class
	Bins     []binDocument `json:"bins"`
	Cells    *cellDocument `json:"cells,omitempty"`
}

type binDocument struct {
	Bin
	Sectors []int64 `json:"sectors"` // by class
}

// cellDocument is the cells of which something is missing: bands of even width
// from an inner radius on, each with angles of even width from angle 0 on.
type cellDocument struct {
	Inner  float64        `json:"inner_mm"`
	Width  float64        `json:"width_mm"`
	Angles int            `json:"angles"`
	Bands  []bandDocument `json:"bands"`
}

// bandDocument is the share of each cell's sectors that failed, on this surface or
// before, and that was not asked for yet.
type bandDocument struct {
	Band    int       `json:"band"`
	Bad     []float64 `json:"bad,omitempty"`
	Untried []float64 `json:"untried,omitempty"`
}

type passDocument struct {
	Pass      int       `json:"pass"`
	Round     int       `json:"round"`
	Drive     string    `json:"drive"`
	Merged    bool      `json:"merged"`
	Won       int64     `json:"won"`
	Seconds   float64   `json:"seconds"`
	WonIn     []int64   `json:"won_by_bin"`
	SecondsIn []float64 `json:"seconds_by_bin"` // an estimate
}

type roundDocument struct {
	Round   int     `json:"round"`
	Words   string  `json:"words"`
	Won     int64   `json:"won"`
	Missing int64   `json:"missing_before"`
	Seconds float64 `json:"seconds"`
}

type markDocument struct {
	Kind  string       `json:"kind"`
	Inner float64      `json:"inner_mm"`
	Outer float64      `json:"outer_mm"`
	From  float64      `json:"from_turns"`
	To    float64      `json:"to_turns"`
	Line  [][2]float64 `json:"line,omitempty"` // radius, angle
	Costs int64        `json:"costs"`
	News  string       `json:"news,omitempty"`
	Note  string       `json:"note,omitempty"`
	Seen  string       `json:"seen"` // its middle as the view has it
}

// JSON writes the numbers behind the picture as one document. The writer's error
// is returned.
func (p *Picture) JSON(w io.Writer) error {
	d := document{
		Title: p.view.Title, Round: p.round, Side: p.view.Side.String(), TurnDeg: number(p.view.Turn), Diameter: 2 * p.disc.edge(),
		Places: !p.scale.blind, Written: p.written, Repaired: p.repaired.sectors, Classes: []classDocument{}, Layers: []layerDocument{}, Passes: []passDocument{},
		Rounds: []roundDocument{}, Marks: p.markDocuments(p.view.Marks), Gone: p.markDocuments(p.view.Gone), Material: p.view.Material,
	}
	for _, c := range p.classes {
		cd := classDocument{State: c.kind.state(), Words: c.words}
		if c.kind == won {
			cd.Rounds = []int{c.first, c.last}
		}
		d.Classes = append(d.Classes, cd)
	}
	for _, l := range p.layers {
		d.Layers = append(d.Layers, p.layerDocument(l))
	}
	for _, s := range p.passes {
		seconds := make([]float64, len(s.secondsIn))
		for i, v := range s.secondsIn {
			seconds[i] = math.Round(v*1000) / 1000
		}
		d.Passes = append(d.Passes, passDocument{s.number, s.round, s.drive, s.merged, s.won, s.seconds, s.wonIn, seconds})
	}
	for _, b := range p.byRound() {
		d.Rounds = append(d.Rounds, roundDocument{b.round, b.words, b.won, b.of, b.seconds})
	}
	if r := p.view.Treat; r != nil {
		d.Treat = &regionDocument{number(r.Inner), number(r.Outer), number(r.From), number(r.To), number(r.Share), r.Sectors, r.inWords(p.view, p.kind)}
	}
	return json.NewEncoder(w).Encode(d)
}

// regionDocument is where there is most to win; words say it with its cautions.
type regionDocument struct {
	Inner   float64  `json:"inner_mm"`
	Outer   float64  `json:"outer_mm"`
	From    float64  `json:"from_turns"`
	To      float64  `json:"to_turns"`
	Share   float64  `json:"share"` // of the sectors that failed
	Sectors int64    `json:"sectors"`
	Words   []string `json:"words"`
}

func (p *Picture) markDocuments(marks []Mark) []markDocument {
	all := []markDocument{}
	for _, m := range marks {
		at := m.middle()
		md := markDocument{m.Kind, number(m.Inner), number(m.Outer), number(m.From), number(m.To), nil, m.Costs, m.News, m.Note,
			Place{Radius: at.Radius, Clock: p.view.onPaper(at.Angle)}.String()}
		for _, q := range m.Line {
			md.Line = append(md.Line, [2]float64{number(q.Radius), number(q.Angle)})
		}
		all = append(all, md)
	}
	return all
}

// number is v, or 0 where JSON has no such number.
func number(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

// state is the state of a sector of the kind, in the case's words.
func (k kind) state() string {
	switch k {
	case won:
		return "good"
	case notAsked:
		return "untried"
	}
	return "bad"
}

func (p *Picture) layerDocument(l layerPicture) layerDocument {
	d := layerDocument{Layer: l.index, DoubtDeg: number(360 * min(l.layer.Doubt, NoAngles)), DriftDeg: number(360 * min(l.layer.Drift, NoAngles)), Sectors: l.total.Sectors, Bins: []binDocument{}}
	for i, b := range l.bins {
		d.Bins = append(d.Bins, binDocument{p.scale.bins[i], b.Sectors})
	}
	g := l.grid
	if g == nil {
		return d
	}
	d.Cells = &cellDocument{Inner: g.inner, Width: g.step, Angles: g.angles, Bands: []bandDocument{}}
	for b := range g.bands {
		bd := bandDocument{Band: b}
		for c := range p.classes {
			switch p.classes[c].kind {
			case won:
			case notAsked:
				bd.Untried = g.addShares(bd.Untried, b, c)
			default:
				bd.Bad = g.addShares(bd.Bad, b, c)
			}
		}
		if bd.Bad != nil || bd.Untried != nil {
			d.Cells.Bands = append(d.Cells.Bands, bd)
		}
	}
	return d
}

// addShares adds the shares of a class to those of a band's cells, to a thousandth
// but never to nothing; nil where there are none.
func (g *grid) addShares(all []float64, band, class int) []float64 {
	for j, n := range g.at(band, class) {
		if n == 0 {
			continue
		}
		if all == nil {
			all = make([]float64, g.angles)
		}
		all[j] = min(1, max(0.001, math.Round(1000*(all[j]+n/g.capacity[band]))/1000))
	}
	return all
}
