package chart

import "io"

// Drawings for a page of HTML that says in its own words what is to be seen: the discs
// alone, and a key to what they are filled with.

// Inline writes the sheet as an element of HTML. Patterns get names that begin with
// prefix, for all elements of a page share their names. The writer's error is returned.
func (s Sheet) Inline(w io.Writer, prefix string) error {
	return writeElement(w, []*scene{s.scene(thinnest)}, s.Title, s.words, prefix)
}

// Bare is each layer alone: its disc, without words and ruler; of a disc whose geometry
// is not known, a strip over the addresses. It is for drawings of half the size and less,
// in which lines run together: they are half as thin, so that the whole is as dark as its
// shares.
func (p *Picture) Bare() []Sheet {
	var all []Sheet
	for _, l := range p.layers {
		title := "Where on the disc what is in the image lies"
		if len(p.disc.Layers) > 1 {
			title += ", " + p.layerName(l)
		}
		all = append(all, Sheet{"bare", title, p.after() + ". " + p.standing(), func(s *scene, thin float64) { p.drawBare(s, l, thin/2) }})
	}
	return all
}

func (p *Picture) drawBare(s *scene, l layerPicture, thin float64) {
	const edge = 1.0 // of paper round the drawing, mm
	if l.grid == nil {
		const height = 13.0
		s.width, s.height = sheetWidth, height+9
		newAxis(s, &p.scale, 4, sheetWidth-8).state(l.bins, p.classes, 4, height-4)
		return
	}
	r := p.disc.edge()
	s.width, s.height = 2*(r+edge), 2*(r+edge)
	d := &dial{s, point{r + edge, r + edge}, r, p.view}
	d.blank()
	d.standing(l, p.classes, thin)
	for _, radius := range []float64{r, holeRadius} {
		ring := circle(d.at, radius)
		d.stroke(bold, faint, append(ring, ring[0]))
	}
}

// Key is what one filling of the pictures stands for.
type Key struct {
	Missing bool
	// Of what is missing: a pass asked for it, and on the surface as it is after the
	// picture's round.
	Asked, Here bool
	// Of what is in the image: the rounds that won it.
	First, Last int

	Words   string // as the pictures say it
	Sectors int64
	Swatch  Sheet // a small drawing of it
}

// Keys are the fillings that the picture has, in the order of the pictures.
func (p *Picture) Keys() []Key {
	var all []Key
	for i, n := range p.total().Sectors {
		if n == 0 {
			continue
		}
		c := p.classes[i]
		k := Key{Missing: c.kind != won, Asked: c.kind == notSince || c.kind == failed, Here: c.kind == failed,
			First: c.first, Last: c.last, Words: c.words, Sectors: n}
		k.Swatch = Sheet{"swatch", upper(c.words), "", func(s *scene, _ float64) {
			s.width, s.height = 8, 5
			s.swatch(c, i, 0.5, 0.5, 7, 4)
		}}
		all = append(all, k)
	}
	return all
}

// swatch draws what a class is filled with, and its edge.
func (s *scene) swatch(c class, number int, x, y, width, height float64) {
	box := rectangle(x, y, width, height)
	s.fill(paintOf(c, number), box)
	edge := append(box, box[0])
	switch c.kind {
	case notAsked:
		s.dots(fine, ink, edge)
	case notSince, failed:
		s.stroke(fine, outline, edge)
	default:
		s.stroke(hair, faint, edge)
	}
}
