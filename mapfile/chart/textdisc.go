package chart

import (
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// letters is a disc of letters: places twice as high as wide.
type letters struct {
	columns, rows int
	places        []drawn
}

// How wide a disc of letters is.
const (
	widestDisc = 120
	hoursRoom  = 3 // columns at each side for the hours 9 and 3
	withHours  = 44
)

// discSize is the columns and rows of a disc on a terminal.
func (s Style) discSize() (columns, rows int) {
	columns = s.Width
	if s.Width >= withHours {
		columns = min(s.Width-2*hoursRoom, widestDisc)
	}
	columns &^= 1
	return columns, columns / 2
}

// standingRaster is what is in the image and what is missing, as letters. Each
// cell of the grid falls into one place and is counted there, so that no missing
// sector is passed over.
func (p *Picture) standingRaster(l layerPicture, style Style) letters {
	columns, rows := style.discSize()
	g, k := l.grid, inksOf(style.ASCII)
	out := letters{columns, rows, make([]drawn, columns*rows)}
	sums := make([]float64, columns*rows*g.classes)
	capacity := make([]float64, columns*rows)
	each := (mostCells + g.angles - 1) / g.angles
	fine := each * g.angles
	rays := p.rays(fine)
	for b := range g.bands {
		r := (g.radii[b][0] + g.radii[b][1]) / 2
		cells := make([][]float64, g.classes)
		for c := range cells {
			cells[c] = g.at(b, c)
		}
		for j := range fine {
			i := out.placeOf(r*rays[j].x, r*rays[j].y, p.disc.edge())
			capacity[i] += g.capacity[b] / float64(each)
			for c := range cells {
				sums[i*g.classes+c] += cells[c][j/each] / float64(each)
			}
		}
	}
	open := make([]bool, len(out.places)) // mostly not asked for
	for i := range out.places {
		out.places[i] = drawn{k.blank, ownColour}
		if capacity[i] > 0 {
			out.places[i], open[i] = p.drawnOf(k, sums[i*g.classes:(i+1)*g.classes], capacity[i])
		}
	}
	out.edges(open, k.edge)
	return out
}

// rays are the directions of the middles of n cells of a turn, on paper.
func (p *Picture) rays(n int) []point {
	all := make([]point, n)
	for j := range all {
		all[j] = polar(point{}, 1, p.view.onPaper((float64(j)+0.5)/float64(n)))
	}
	return all
}

// drawnOf is how a place is drawn that has so many sectors of each class. Whatever
// is missing there goes before all else.
func (p *Picture) drawnOf(k inks, sums []float64, capacity float64) (d drawn, open bool) {
	lost, most, best, unasked, all := 0.0, 0.0, -1, 0.0, 0.0
	worst := -1
	for c, n := range sums {
		all += n
		switch p.classes[c].kind {
		case notSince, failed:
			if n > 0 {
				lost += n
				if worst < 0 || n >= sums[worst] {
					worst = c
				}
			}
		case notAsked:
			unasked = n
		default:
			if n > most {
				most, best = n, c
			}
		}
	}
	switch {
	case worst >= 0:
		return k.of(p.classes[worst], worst, lost/capacity), false
	case unasked > 0 && unasked >= all/2:
		return drawn{k.blank, ownColour}, true
	case best >= 0 && all >= capacity/4: // what is hardly written stays blank
		return k.of(p.classes[best], best, 1), false
	case best >= 0:
		return drawn{k.blank, ownColour}, false
	}
	return drawn{k.blank, ownColour}, false
}

// placeOf is the place that holds a point in mm from the middle.
func (l *letters) placeOf(x, y, edge float64) int {
	column := int((x/edge + 1) / 2 * float64(l.columns))
	row := int((y/edge + 1) / 2 * float64(l.rows))
	return min(max(0, row), l.rows-1)*l.columns + min(max(0, column), l.columns-1)
}

// edges draws a dotted edge within the places of a mask.
func (l *letters) edges(mask []bool, dot string) {
	in := func(row, column int) bool {
		return row >= 0 && column >= 0 && row < l.rows && column < l.columns && mask[row*l.columns+column]
	}
	for row := range l.rows {
		for column := range l.columns {
			if in(row, column) && !(in(row-1, column) && in(row+1, column) && in(row, column-1) && in(row, column+1)) {
				l.places[row*l.columns+column] = drawn{dot, ownColour}
			}
		}
	}
}

// damageRaster is the estimated damage as letters: of a place the greatest loss
// that is known.
func (p *Picture) damageRaster(f *Field, style Style) letters {
	columns, rows := style.discSize()
	k := inksOf(style.ASCII)
	out := letters{columns, rows, make([]drawn, columns*rows)}
	loss, known, seen := make([]float64, columns*rows), make([]float64, columns*rows), make([]float64, columns*rows)
	each := (mostCells + f.Angles - 1) / f.Angles
	rays := p.rays(each * f.Angles)
	for b := range f.Bands {
		low, high := f.band(b)
		for j, ray := range rays {
			i := out.placeOf((low+high)/2*ray.x, (low+high)/2*ray.y, p.disc.edge())
			c := f.at(b, j/each)
			seen[i]++
			if c.sure >= unsure {
				known[i]++
				loss[i] = max(loss[i], c.loss)
			}
		}
	}
	open := make([]bool, len(out.places))
	for i := range out.places {
		out.places[i] = drawn{k.blank, ownColour}
		switch {
		case known[i] > 0 && (loss[i] >= 0.25 || known[i] >= seen[i]/2):
			out.places[i] = drawn{k.loss[min(3, int(4*loss[i]))], ownColour}
		case seen[i] > 0:
			open[i] = true
		}
	}
	out.edges(open, k.edge)
	return out
}

// mostNumbered is how many marks have their number on a disc of letters: two digits side
// by side might be two marks.
const mostNumbered = 9

// disc writes a disc of letters with the hours of a clock, and the first marks by number.
func (t *text) disc(l letters, v View, edge float64, marks []Mark) {
	for i, m := range marks[:min(len(marks), mostNumbered)] {
		at := m.middle()
		q := polar(point{}, at.Radius, v.onPaper(at.Angle))
		digits := strconv.Itoa(i + 1)
		place := l.placeOf(q.x, q.y, edge)
		place = min(place, (place/l.columns+1)*l.columns-len(digits)) // not over the line's end
		for k := range len(digits) {
			l.places[place+k] = drawn{digits[k : k+1], ownColour}
		}
	}
	hours := t.Width >= withHours
	indent := ""
	if hours {
		indent = strings.Repeat(" ", hoursRoom)
	}
	centre := indent + strings.Repeat(" ", l.columns/2-1)
	t.line(centre + "12")
	for row := range l.rows {
		left, right := indent, ""
		if hours && row == (l.rows-1)/2 {
			left, right = "9  ", "  3"
		}
		var b strings.Builder
		places := l.places[row*l.columns : (row+1)*l.columns]
		last := len(places)
		for right == "" && last > 0 && places[last-1].sign == " " {
			last--
		}
		for i := 0; i < last; {
			j := i
			var run strings.Builder
			for j < last && places[j].colour == places[i].colour {
				run.WriteString(places[j].sign)
				j++
			}
			b.WriteString(t.tinted(run.String(), places[i].colour))
			i = j
		}
		t.line(strings.TrimRight(left+b.String()+right, " "))
	}
	t.line(centre + " 6")
}

// shares writes a bar for each stretch of the radius, or of the addresses.
func (t *text) shares(p *Picture, l layerPicture) {
	each := 1
	if len(l.bins) > 20 {
		each = 2
	}
	names := make([]string, 0, len(l.bins))
	sums := make([]tally, 0, len(l.bins))
	widest := 0
	for i := 0; i < len(l.bins); i += each {
		last := min(i+each, len(l.bins)) - 1
		sum := tally{Sectors: make([]int64, len(p.classes))}
		for _, b := range l.bins[i : last+1] {
			for c, n := range b.Sectors {
				sum.Sectors[c] += n
			}
			sum.Written += b.Written
		}
		name := decimal(p.scale.bins[i].From, 0)
		if !p.scale.blind {
			name += t.plainly("–") + decimal(p.scale.bins[last].To, 0) + " mm"
		}
		names, sums, widest = append(names, name), append(sums, sum), max(widest, utf8.RuneCountInString(name))
	}
	const figure = 14 // "under 0.1 %" and spaces
	room := t.Width - widest - figure
	for i, s := range sums {
		if s.Written == 0 {
			continue
		}
		name := strings.Repeat(" ", widest-utf8.RuneCountInString(names[i])) + names[i]
		missing := s.missing(p.classes)
		if room < 6 { // no room for bars
			t.say(name + ": " + percent(missing, s.Written) + " missing")
			continue
		}
		words := ""
		if missing > 0 {
			words = " " + percent(missing, s.Written)
		}
		t.line(name + " " + t.bar(s, p.classes, min(room, 60)) + words)
	}
	if room >= 6 {
		t.say("Behind each bar: how much of it is missing.")
	}
}

// bar is the shares of the classes in one line of signs; a class with any sectors
// that are missing has one sign at least.
func (t *text) bar(s tally, classes []class, width int) string {
	var b strings.Builder
	heights := shares(s, classes, float64(width), 1)
	at, sum := 0, 0.0
	for c, h := range heights {
		sum += h
		end := int(math.Round(sum))
		if h > 0 {
			d := t.inks.of(classes[c], c, 1)
			if classes[c].kind == notAsked {
				d.sign = t.inks.edge
			}
			b.WriteString(t.tinted(strings.Repeat(d.sign, max(0, end-at)), d.colour))
		}
		at = max(at, end)
	}
	return b.String()
}
