package chart

import "math"

// A scene is one sheet as it is drawn by SVG and PNG alike: areas, lines and
// words, in mm from the upper left corner, x to the right, y down.
type scene struct {
	width, height float64
	items         []item
}

// item is one thing of a scene: exactly one of its fields is set.
type item struct {
	area  *area
	line  *line
	label *label
}

type point struct{ x, y float64 }

// area is filled by the even-odd rule; its loops are closed.
type area struct {
	loops [][]point
	paint paint
}

// line is lines that are drawn with one pen, round at ends and corners.
type line struct {
	paths  [][]point
	width  float64
	colour rgb
	dash   [2]float64 // drawn and left out, in turns; 0: not dashed
}

// anchor is which part of a text lies at its place.
type anchor uint8

const (
	start anchor = iota
	middle
	end
)

// label is a line of text; at is the base line's.
type label struct {
	at     point
	size   float64 // height of capitals in mm
	anchor anchor
	text   string
	colour rgb
}

func (s *scene) fill(p paint, loops ...[]point) {
	if len(loops) > 0 {
		s.items = append(s.items, item{area: &area{loops, p}})
	}
}

func (s *scene) stroke(width float64, c rgb, paths ...[]point) {
	if len(paths) > 0 {
		s.items = append(s.items, item{line: &line{paths: paths, width: width, colour: c}})
	}
}

// dots strokes with dots.
func (s *scene) dots(width float64, c rgb, paths ...[]point) {
	if len(paths) > 0 {
		s.items = append(s.items, item{line: &line{paths: paths, width: width, colour: c, dash: [2]float64{0.01, 2.2 * width}}})
	}
}

func (s *scene) say(x, y, size float64, a anchor, text string) {
	s.sayIn(ink, x, y, size, a, text)
}

func (s *scene) sayIn(c rgb, x, y, size float64, a anchor, text string) {
	if text != "" {
		s.items = append(s.items, item{label: &label{point{x, y}, size, a, text, c}})
	}
}

// paragraph says sentences within a width, from a first base line down, and gives
// the base line after the last.
func (s *scene) paragraph(x, y, width, size float64, text string) float64 {
	for _, l := range wrap(text, func(t string) bool { return textWidth(t, size) <= width }) {
		s.say(x, y, size, start, l)
		y += lineHeight * size
	}
	return y
}

// paragraphEnd is the base line after the last of a paragraph that is not said yet.
func (s *scene) paragraphEnd(y, width, size float64, text string) float64 {
	lines := wrap(text, func(t string) bool { return textWidth(t, size) <= width })
	return y + lineHeight*size*float64(len(lines))
}

const lineHeight = 1.75 // of the height of capitals

func rectangle(x, y, w, h float64) []point {
	return []point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}
}

// around is the points of an arc of a circle between two angles in turns,
// clockwise from 12 o'clock; both ends included. Its chords leave the arc by less
// than 0.02 mm on a disc.
func around(c point, radius, from, to float64) []point {
	n := max(1, int(math.Ceil(math.Abs(to-from)*mostCells/2)))
	all := make([]point, 0, n+1)
	for i := range n + 1 {
		all = append(all, polar(c, radius, from+(to-from)*float64(i)/float64(n)))
	}
	return all
}

// circle is a closed loop.
func circle(c point, radius float64) []point {
	p := around(c, radius, 0, 1)
	return p[:len(p)-1]
}

// polar is a point by radius and turns clockwise from 12 o'clock.
func polar(c point, radius, turns float64) point {
	sin, cos := math.Sincos(2 * math.Pi * turns)
	return point{c.x + radius*sin, c.y - radius*cos}
}

// wrap breaks a text into lines that fit. A word that does not fit alone is cut.
func wrap(text string, fits func(string) bool) []string {
	var lines []string
	now := ""
	for word := range fields(text) {
		longer := word
		if now != "" {
			longer = now + " " + word
		}
		if fits(longer) {
			now = longer
			continue
		}
		if now != "" {
			lines = append(lines, now)
		}
		for now = word; !fits(now); {
			head, tail := cutToFit(now, fits)
			lines = append(lines, head)
			now = tail
		}
	}
	if now != "" {
		lines = append(lines, now)
	}
	return lines
}

// cutToFit cuts a word after as many letters as fit, one at least.
func cutToFit(word string, fits func(string) bool) (head, tail string) {
	runes := []rune(word)
	n := 1
	for n < len(runes) && fits(string(runes[:n+1])) {
		n++
	}
	return string(runes[:n]), string(runes[n:])
}

// shorten cuts a text so that it fits, with an ellipsis.
func shorten(text, ellipsis string, fits func(string) bool) string {
	if fits(text) {
		return text
	}
	runes := []rune(text)
	for n := len(runes) - 1; n > 0; n-- {
		if t := string(runes[:n]) + ellipsis; fits(t) {
			return t
		}
	}
	return ""
}
