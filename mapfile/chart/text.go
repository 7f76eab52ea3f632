package chart

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"turnstone/device/sector"
)

// Style is how a terminal can show a picture.
type Style struct {
	Width  int  // columns; from LeastWidth to MostWidth, others count as the nearest
	ASCII  bool // nothing but plain ASCII
	Colour bool // the 256 colours of ISO/IEC 8613-6 may be set
}

// Widths of a terminal in columns.
const (
	LeastWidth = 20
	MostWidth  = 300
)

// Text writes the picture as text: the disc, its legend, the shares along the
// radius, what passes, rounds and drives brought, and the marks. No line is longer
// than the style's width. The writer's error is returned.
func (p *Picture) Text(w io.Writer, style Style) error {
	style.Width = min(max(style.Width, LeastWidth), MostWidth)
	t := &text{w: bufio.NewWriterSize(w, 1<<15), Style: style, inks: inksOf(style.ASCII)}
	t.say(p.heading())
	t.say(p.after() + ". " + p.standing())
	if p.scale.blind {
		t.say(blind)
	} else {
		t.say(p.surface())
	}
	for _, l := range p.layers {
		t.gap()
		if len(p.disc.Layers) > 1 {
			t.say(upper(p.layerName(l)) + ":")
		}
		if l.grid != nil && l.total.Written > 0 {
			t.disc(p.standingRaster(l, t.Style), p.view, p.disc.edge(), nil)
			t.say(p.extent(l) + l.doubt())
		}
		t.legend(p, l)
		if l.total.Written > 0 {
			t.gap()
			t.say("What is missing, by " + p.scale.unitWords() + ":")
			t.shares(p, l)
		}
	}
	if f := p.view.Field; f != nil && !p.scale.blind {
		t.gap()
		t.say("The damage, as it is estimated:")
		listed, _ := costliest(p.view.Marks)
		t.disc(p.damageRaster(f, t.Style), p.view, p.disc.edge(), listed)
		t.tones()
	}
	t.marks(p)
	if p.view.Treat != nil {
		t.gap()
		for _, s := range p.view.Treat.inWords(p.view, p.kind) {
			t.say(s)
		}
	}
	t.work(p)
	if m := p.view.Material; m != nil {
		t.gap()
		t.say("Material taken off the reading side:")
		for _, s := range m.Sentences(p.kind) {
			t.item("", s)
		}
	}
	for i, n := range p.view.Notes {
		if i == 0 {
			t.gap()
		}
		t.say(n)
	}
	return t.w.Flush() // has any earlier error too
}

// marks lists the marks found, and those that are gone.
func (t *text) marks(p *Picture) {
	listed, rest := costliest(p.view.Marks)
	if len(listed) > 0 {
		t.gap()
		t.say("Marks found, the costliest first:")
		for i, m := range listed {
			t.item(fmt.Sprintf("%d ", i+1), m.inWords(p.view))
		}
		t.say(rest)
	}
	if len(p.view.Gone) > 0 {
		t.gap()
		t.say("Gone since the round before:")
		listed, rest := costliest(p.view.Gone)
		for _, m := range listed {
			t.item("- ", m.inWords(p.view))
		}
		t.say(rest)
	}
}

// text writes lines that fit a terminal.
type text struct {
	w *bufio.Writer
	Style
	inks   inks
	gapped bool // the last line was empty
}

// plainly is a text as the terminal can show it.
func (t *text) plainly(s string) string {
	if t.ASCII {
		return ascii(s)
	}
	return printable(s)
}

// say writes a paragraph.
func (t *text) say(s string) { t.item("", s) }

// item writes a paragraph behind a lead, its further lines set in.
func (t *text) item(lead, s string) {
	t.inked(lead, utf8.RuneCountInString(lead), s)
}

// inked is item with a lead that has control codes in it and fills so many columns.
func (t *text) inked(lead string, columns int, s string) {
	if s == "" {
		return
	}
	room := max(4, t.Width-columns)
	for i, l := range wrap(t.plainly(s), func(s string) bool { return utf8.RuneCountInString(s) <= room }) {
		if i > 0 {
			lead = strings.Repeat(" ", columns)
		}
		t.line(lead + l)
	}
}

// gap writes an empty line, never two in a row.
func (t *text) gap() {
	if !t.gapped {
		t.line("")
	}
	t.gapped = true
}

func (t *text) line(s string) {
	t.w.WriteString(s + "\n")
	t.gapped = false
}

// legend says how each class that the layer has is drawn.
func (t *text) legend(p *Picture, l layerPicture) {
	for c, n := range l.total.Sectors {
		if n == 0 {
			continue
		}
		words := fmt.Sprintf("%s: %s", upper(p.classes[c].words), sector.Thousands(n))
		sample := t.inks.of(p.classes[c], c, 1)
		lead := strings.Repeat(sample.sign, 3)
		switch p.classes[c].kind {
		case failed:
			lead = t.inks.failed[0] + t.inks.failed[1] + t.inks.failed[2]
			words += "; the darker the more of it, and the lightest may be a single block"
		case notAsked:
			lead = t.inks.edge + t.inks.blank + t.inks.edge
		}
		t.inked(t.tinted(lead, sample.colour)+" ", 4, words)
	}
}

// tones says how losses are drawn.
func (t *text) tones() {
	for i, words := range []string{"stops under a quarter of the blocks that pass", "a quarter to a half", "a half to three quarters", "more than three quarters"} {
		t.inked(strings.Repeat(t.inks.loss[i], 3)+" ", 4, words)
	}
	t.inked(t.inks.edge+t.inks.blank+t.inks.edge+" ", 4, "not known")
}

// tinted sets a text in a colour of the terminal's 256.
func (t *text) tinted(s string, colour int) string {
	if !t.Colour || colour < 0 || s == "" {
		return s
	}
	return fmt.Sprintf("\x1b[38;5;%dm%s\x1b[0m", colour, s)
}

// inks are the signs with which areas are drawn: tones from light to dark, and
// hatches.
type inks struct {
	good     []string // by class of won sectors
	notSince string
	failed   [3]string // by share
	loss     [4]string
	edge     string // dotted edge of what was not asked for, or is not known
	blank    string
	bars     []string // heights, from nothing to all
}

// inksOf is the signs for a terminal.
func inksOf(plainASCII bool) inks {
	if plainASCII {
		return inks{
			good: []string{":", "/", "\\", "x", "-", "|", "+", "^"}, notSince: "=", failed: [3]string{"~", "%", "#"}, loss: [4]string{":", "~", "%", "#"},
			edge: ".", blank: " ", bars: []string{" ", ".", ":", "%", "#"},
		}
	}
	return inks{
		good: []string{"░", "╱", "╲", "╳", "─", "│", "┼", "≡"}, notSince: "▞", failed: [3]string{"▒", "▓", "█"},
		loss: [4]string{"░", "▒", "▓", "█"},
		edge: "·", blank: " ", bars: []string{" ", "▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"},
	}
}

// drawn is a sign and its colour.
type drawn struct {
	sign   string
	colour int // of the terminal's 256; -1: its own
}

// Colours of a terminal near to those of the palette. They show on a light ground and on a
// dark one, which is why the blues differ little: hatches and words tell rounds apart.
const (
	ownColour  = -1
	vermilion8 = 166
	paleVerm8  = 167
)

var blues8 = [mostTints]int{68, 33, 67, 32, 31, 27, 26, 25}

// of is how a class is drawn that takes a share of a place.
func (k *inks) of(c class, number int, share float64) drawn {
	switch c.kind {
	case won:
		return drawn{k.good[min(number, len(k.good)-1)], blues8[min(number, mostTints-1)]}
	case notSince:
		return drawn{k.notSince, paleVerm8}
	case failed:
		i := 0
		for i < 2 && share >= float64(i+1)/3 {
			i++
		}
		return drawn{k.failed[i], vermilion8}
	}
	return drawn{k.blank, ownColour}
}
