package chart

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"

	"turnstone/device/sector"
)

// Sheet is one drawing of a picture, to be printed on its own: 190 mm wide, so
// that it fits a sheet of A4 at 100 %.
type Sheet struct {
	Name  string // a word for files: "surface", "damage", "work", on discs of several layers with the layer
	Title string
	words string // what is to be seen, for those who don't see it
	build func(s *scene, thin float64)
}

// Size of a sheet and what stands where on it, in mm.
const (
	sheetWidth  = 190.0
	sheetHeight = 190.0
	margin      = 6.0
	middleX     = 72.0 // of the disc
	middleY     = 89.0
	column      = 144.0 // of the legend
	columnWidth = sheetWidth - margin - column
	small       = 1.7 // heights of capitals
	usual       = 2.1
	large       = 3.2
)

// Widths of PNGs in pixels.
const (
	LeastPixels = 200
	MostPixels  = 8000
)

// ErrPixels is returned when a PNG is asked for that is too narrow to show
// anything, or too wide to be made in memory.
var ErrPixels = errors.New("a PNG is 200 to 8000 pixels wide")

// Sheets are the drawings of the picture: for each layer what is in the image and
// what is missing; the estimated damage, where there is a field or marks; and what
// passes, rounds and drives brought.
func (p *Picture) Sheets() []Sheet {
	var all []Sheet
	for _, l := range p.layers {
		name, title := "surface", "What is in the image"
		if len(p.disc.Layers) > 1 {
			name, title = fmt.Sprintf("surface-%d", l.index), title+", "+p.layerName(l)
		}
		all = append(all, Sheet{name, title, p.standing(), func(s *scene, thin float64) { p.drawSurface(s, title, l, thin) }})
	}
	if !p.scale.blind && (p.view.Field != nil || len(p.view.Marks) > 0) {
		const title = "The damage, as it is estimated"
		all = append(all, Sheet{"damage", title, "Estimated from what was read; not seen.", func(s *scene, thin float64) { p.drawDamage(s, title, thin) }})
	}
	const title = "What the passes brought"
	return append(all, Sheet{"work", title, p.standing(), func(s *scene, _ float64) { p.drawWork(s, title) }})
}

// SVG writes the sheet as an SVG document in true millimetres. The writer's error
// is returned.
func (s Sheet) SVG(w io.Writer) error {
	return writeSVG(w, []*scene{s.scene(thinnest)}, s.Title, s.words)
}

// PNG writes the sheet as a PNG that is so many pixels wide; ErrPixels or the
// writer's error is returned.
func (s Sheet) PNG(w io.Writer, pixels int) error {
	if pixels < LeastPixels || pixels > MostPixels {
		return ErrPixels
	}
	return writePNG(w, []*scene{s.scene(thinnestIn(pixels))}, pixels)
}

// thinnestIn is the least height of what is drawn on a PNG: a pixel.
func thinnestIn(pixels int) float64 { return max(thinnest, sheetWidth/float64(pixels)) }

func (s Sheet) scene(thin float64) *scene {
	sc := &scene{width: sheetWidth, height: sheetHeight}
	s.build(sc, thin)
	return sc
}

// SVG writes all sheets, one below the other, as one document in true millimetres.
// The writer's error is returned.
func (p *Picture) SVG(w io.Writer) error {
	return writeSVG(w, p.scenes(thinnest), p.heading(), p.standing())
}

// PNG writes all sheets, one below the other, as a PNG that is so many pixels
// wide; ErrPixels or the writer's error is returned.
func (p *Picture) PNG(w io.Writer, pixels int) error {
	if pixels < LeastPixels || pixels > MostPixels {
		return ErrPixels
	}
	return writePNG(w, p.scenes(thinnestIn(pixels)), pixels)
}

func (p *Picture) scenes(thin float64) []*scene {
	var all []*scene
	for _, s := range p.Sheets() {
		all = append(all, s.scene(thin))
	}
	return all
}

// heading is what the picture is of.
func (p *Picture) heading() string {
	if p.view.Title == "" {
		return "Damage map"
	}
	return "Damage map of " + printable(p.view.Title)
}

// head writes a sheet's first lines.
func (p *Picture) head(s *scene, title string) {
	fits := func(size float64) func(string) bool {
		return func(t string) bool { return textWidth(t, size) <= sheetWidth-2*margin }
	}
	s.say(margin, 8, large, start, shorten(p.heading()+": "+lower(title), "…", fits(large)))
	s.say(margin, 12.6, usual, start, shorten(p.after(), "…", fits(usual)))
	s.say(margin, 16.2, usual, start, p.standing())
}

// drawSurface draws what is in the image and what is missing.
func (p *Picture) drawSurface(s *scene, title string, l layerPicture, thin float64) {
	p.head(s, title)
	notes := []string{l.doubt()}
	stripY := 167.5
	d := &dial{s, point{middleX, middleY}, p.disc.edge(), p.view}
	if l.grid != nil {
		s.say(margin, 19.8, usual, start, p.surface())
		d.blank()
		d.standing(l, p.classes, thin)
		d.hub()
		d.clockFace()
		d.ruler(middleY + d.edge + 7)
		notes = append(notes,
			"In each half millimetre of radius the states lie side by side, as wide as their shares: lines swell where more is missing.",
			"The thinnest line may be a single block.")
		if p.kind == "dvd" {
			notes = append(notes, "A block of a DVD is 80 to 90 mm of track: one spot stops all of it.")
		}
	} else {
		s.height = 92
		s.paragraph(margin, 19.8, sheetWidth-2*margin, usual, blind)
		stripY = 32
	}
	y := 26.0
	x, width := column, columnWidth
	if l.grid == nil {
		x, y, width = margin, stripY+30, sheetWidth-2*margin
	}
	y = p.legend(s, l, x, y, width)
	var below []string // notes for which there is no room beside the disc
	for _, n := range append(notes, p.view.Notes...) {
		switch {
		case n == "":
		case l.grid != nil && (len(below) > 0 || s.paragraphEnd(y+1, width, small, n) > stripY-2):
			below = append(below, n)
		default:
			y = s.paragraph(x, y+1, width, small, n)
		}
	}
	s.say(margin, stripY-2.8, small, start, "Shares along "+alongWords(l.grid != nil)+"; the figures above say how much is missing")
	newAxis(s, &p.scale, margin+3, sheetWidth-2*margin-6).state(l.bins, p.classes, stripY+1.8, 13)
	y = stripY + 26
	for _, n := range below {
		y = s.paragraph(margin, y, sheetWidth-2*margin, small, n)
		s.height = max(s.height, y+margin/2)
	}
}

func alongWords(places bool) string {
	if places {
		return "the radius, millimetre by millimetre"
	}
	return "the addresses"
}

// legend lists the classes that the layer has, with pattern and words, and gives
// the height below.
func (p *Picture) legend(s *scene, l layerPicture, x, y, width float64) float64 {
	for c, n := range l.total.Sectors {
		if n == 0 {
			continue
		}
		s.swatch(p.classes[c], c, x, y-3, 6, 4)
		words := fmt.Sprintf("%s: %s", upper(p.classes[c].words), sector.Thousands(n))
		y = s.paragraph(x+8, y, width-8, small, words) + 2
	}
	if l.grid != nil {
		box := rectangle(x, y-3, 6, 4)
		s.fill(paint{base: body}, box)
		s.stroke(hair, faint, append(box, box[0]))
		y = s.paragraph(x+8, y, width-8, small, "Nothing is recorded there") + 2
	}
	return y
}

// drawDamage draws the estimated damage and the marks found.
func (p *Picture) drawDamage(s *scene, title string, thin float64) {
	p.head(s, title)
	s.say(margin, 19.8, usual, start, p.surface())
	d := &dial{s, point{middleX, middleY}, p.disc.edge(), p.view}
	d.blank()
	y := 26.0
	if f := p.view.Field; f != nil {
		inner, outer := p.disc.edge(), 0.0
		for _, l := range p.layers {
			in, out := l.layer.radii()
			inner, outer = min(inner, in), max(outer, out)
		}
		d.damage(f, inner, outer, thin)
		for _, step := range lossSteps {
			box := rectangle(column, y-3, 6, 4)
			s.fill(step.paint, box)
			s.stroke(hair, faint, append(box, box[0]))
			y = s.paragraph(column+8, y, columnWidth-8, small, upper(step.words)) + 2
		}
		box := rectangle(column, y-3, 6, 4)
		s.fill(paint{base: paper}, box)
		s.dots(fine, ink, append(box, box[0]))
		y = s.paragraph(column+8, y, columnWidth-8, small, "Not known. The thinner a line, the less sure it is.") + 2
	}
	d.hub()
	listed, rest := costliest(p.view.Marks)
	d.marks(listed)
	d.clockFace()
	d.ruler(middleY + d.edge + 7)
	const bottom = sheetHeight - margin
	for i, m := range listed {
		words := fmt.Sprintf("%d  %s", i+1, m.inWords(p.view))
		if left := len(p.view.Marks) - i; left > 1 && y > bottom-12 {
			rest = ""
			s.say(column, y, small, start, fmt.Sprintf("and %d more", left))
			break
		}
		y = s.paragraph(column, y, columnWidth, small, words) + 1
	}
	if rest != "" {
		s.paragraph(column, y, columnWidth, small, rest)
	}
	y = middleY + d.edge + 18
	notes := append([]string{p.layers[0].doubt()}, p.view.Notes...)
	if p.view.Treat != nil {
		notes = append(notes, p.view.Treat.inWords(p.view, p.kind)...)
	}
	for _, n := range notes {
		y = s.paragraph(margin, y, column-2*margin, small, n)
	}
	s.height = max(s.height, y+margin)
}

// upper and lower begin a text with a capital and with a small letter.
func upper(s string) string { return first(s, unicode.ToUpper) }
func lower(s string) string { return first(s, unicode.ToLower) }

func first(s string, turned func(rune) rune) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 || r == utf8.RuneError {
		return s
	}
	var b strings.Builder
	b.WriteRune(turned(r))
	b.WriteString(s[n:])
	return b.String()
}
