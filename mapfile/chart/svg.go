package chart

import (
	"bufio"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// unit is one unit of an SVG's coordinates in mm: a hundredth, so that paths are
// whole numbers.
const unit = 0.01

func units(mm float64) int { return int(math.Round(mm / unit)) }

// writeSVG writes scenes one below the other as one SVG document (SVG 1.1), in
// true millimetres: printed at 100 %, a millimetre is one. What is described in
// words goes into title and description.
func writeSVG(w io.Writer, scenes []*scene, title, description string) error {
	if _, err := io.WriteString(w, `<?xml version="1.0" encoding="UTF-8"?>`+"\n"); err != nil {
		return err
	}
	return writeElement(w, scenes, title, description, "hatch")
}

// writeElement writes the document's one element. Its patterns' names begin with
// prefix.
func writeElement(w io.Writer, scenes []*scene, title, description, prefix string) error {
	var width, height float64
	for _, s := range scenes {
		width, height = max(width, s.width), height+s.height
	}
	b := &svg{w: bufio.NewWriterSize(w, 1<<16), prefix: prefix, patterns: map[paint]string{}}
	fmt.Fprintf(b.w, `<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="%smm" height="%smm" viewBox="0 0 %d %d" role="img">
<title>%s</title>
<desc>%s</desc>
`, decimal(width, 2), decimal(height, 2), units(width), units(height), escape(title), escape(description))
	b.definePatterns(scenes)
	fmt.Fprintf(b.w, "<rect width=\"%d\" height=\"%d\" fill=\"%v\"/>\n", units(width), units(height), paper)
	y := 0.0
	for _, s := range scenes {
		fmt.Fprintf(b.w, "<g transform=\"translate(0,%d)\" font-family=\"sans-serif\" stroke-linecap=\"round\" stroke-linejoin=\"round\">\n", units(y))
		for _, it := range s.items {
			b.item(it)
		}
		fmt.Fprintln(b.w, "</g>")
		y += s.height
	}
	fmt.Fprintln(b.w, "</svg>")
	return b.w.Flush() // has any earlier error too
}

// String is the colour as SVG has it.
func (c rgb) String() string { return fmt.Sprintf("#%02X%02X%02X", c.r, c.g, c.b) }

type svg struct {
	w        *bufio.Writer
	prefix   string
	patterns map[paint]string // ids
	line     []byte
}

// definePatterns writes the hatches that the scenes use.
func (b *svg) definePatterns(scenes []*scene) {
	fmt.Fprintln(b.w, "<defs>")
	for _, s := range scenes {
		for _, it := range s.items {
			if it.area == nil || it.area.paint.hatch == plain {
				continue
			}
			p := it.area.paint
			if b.patterns[p] != "" {
				continue
			}
			id := b.prefix + strconv.Itoa(len(b.patterns)+1)
			b.patterns[p] = id
			rise, fall, flat, tall := p.hatch.lines()
			n := units(p.hatch.step())
			if rise || fall {
				n = units(p.hatch.step() * math.Sqrt2) // across the lines it is a step then
			}
			var d strings.Builder
			// Lines reach into the neighbouring tiles, so that corners are whole.
			if rise {
				fmt.Fprintf(&d, "M%d %dL%d %dM%d %dL%d %dM%d %dL%d %d", -n, 2*n, 2*n, -n, -n, n, n, -n, 0, 2*n, 2*n, 0)
			}
			if fall {
				fmt.Fprintf(&d, "M%d %dL%d %dM%d %dL%d %dM%d %dL%d %d", -n, -n, 2*n, 2*n, 0, -n, 2*n, n, -n, 0, n, 2*n)
			}
			if flat {
				fmt.Fprintf(&d, "M0 %dH%d", n/2, n)
			}
			if tall {
				fmt.Fprintf(&d, "M%d 0V%d", n/2, n)
			}
			fmt.Fprintf(b.w, `<pattern id="%s" width="%d" height="%d" patternUnits="userSpaceOnUse"><rect width="%d" height="%d" fill="%v"/><path d="%s" stroke="%v" stroke-width="%d" fill="none"/></pattern>`+"\n",
				id, n, n, n, n, p.base, d.String(), p.line, units(hatchWidth))
		}
	}
	fmt.Fprintln(b.w, "</defs>")
}

func (b *svg) item(it item) {
	switch {
	case it.area != nil:
		fill := it.area.paint.base.String()
		if id := b.patterns[it.area.paint]; id != "" {
			fill = "url(#" + id + ")"
		}
		fmt.Fprintf(b.w, `<path fill="%s" fill-rule="evenodd" d="`, fill)
		b.paths(it.area.loops, true)
		fmt.Fprintln(b.w, `"/>`)
	case it.line != nil:
		l := it.line
		fmt.Fprintf(b.w, `<path fill="none" stroke="%v" stroke-width="%d"`, l.colour, max(1, units(l.width)))
		if l.dash[1] > 0 {
			fmt.Fprintf(b.w, ` stroke-dasharray="%s %s"`, decimal(l.dash[0]/unit, 2), decimal(l.dash[1]/unit, 2))
		}
		fmt.Fprint(b.w, ` d="`)
		b.paths(l.paths, false)
		fmt.Fprintln(b.w, `"/>`)
	case it.label != nil:
		l := it.label
		fmt.Fprintf(b.w, `<text x="%d" y="%d" font-size="%d"`, units(l.at.x), units(l.at.y), units(l.size/capShare))
		if l.anchor != start {
			fmt.Fprintf(b.w, ` text-anchor="%s"`, []string{middle: "middle", end: "end"}[l.anchor])
		}
		fmt.Fprintf(b.w, ` fill="%v">%s</text>`+"\n", l.colour, escape(l.text))
	}
}

// capShare is the height of capitals as a share of the font's size, in the usual
// fonts without serifs (common practice).
const capShare = 0.72

// paths writes paths as steps of whole units.
func (b *svg) paths(paths [][]point, closed bool) {
	d := b.line[:0]
	for _, p := range paths {
		if len(p) == 0 {
			continue
		}
		x, y := units(p[0].x), units(p[0].y)
		d = append(d, 'M')
		d = strconv.AppendInt(d, int64(x), 10)
		d = appendStep(d, y, false)
		first := true
		for _, q := range p[1:] {
			qx, qy := units(q.x), units(q.y)
			if qx == x && qy == y {
				continue
			}
			if first {
				d = append(d, 'l')
			}
			d = appendStep(d, qx-x, first)
			d = appendStep(d, qy-y, false)
			x, y, first = qx, qy, false
		}
		if first && !closed { // a dot
			d = append(d, "l0 0"...)
		}
		if closed {
			d = append(d, 'z')
		}
	}
	b.w.Write(d)
	b.line = d
}

// appendStep appends a number of a path; numbers need no space before a minus.
func appendStep(d []byte, n int, first bool) []byte {
	if !first && n >= 0 {
		d = append(d, ' ')
	}
	return strconv.AppendInt(d, int64(n), 10)
}

// escape is a text as XML has it.
func escape(text string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(printable(text))) // a Builder takes everything
	return b.String()
}
