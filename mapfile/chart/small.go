package chart

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// mostSmall is how many columns the small strip takes at most.
const mostSmall = 60

// Strip writes the small strip that status shows: one line along the radius, or along
// the addresses, the darker the more is missing, and a line that says so. Nothing is
// written where nothing is recorded. The writer's error is returned.
func (p *Picture) Strip(w io.Writer, style Style) error {
	style.Width = min(max(style.Width, LeastWidth), MostWidth)
	t := &text{w: bufio.NewWriter(w), Style: style, inks: inksOf(style.ASCII)}
	bins := p.sums()
	if len(bins) == 0 || p.total().Written == 0 {
		return nil
	}
	from, to, unit := decimal(p.scale.bins[0].From, 0)+" ", " "+decimal(p.scale.bins[len(bins)-1].To, 0), ""
	along := ", by address"
	if !p.scale.blind {
		along, unit = ", by radius", " mm"
	}
	room := min(t.Width-utf8.RuneCountInString(from+to+unit), mostSmall)
	var b strings.Builder
	b.WriteString(from)
	for _, d := range p.cells(bins, max(1, room), t.inks) {
		b.WriteString(t.tinted(d.sign, d.colour))
	}
	t.line(b.String() + to + unit)
	k := t.inks
	t.say(fmt.Sprintf("%s there, %s%s%s missing, the darker the more, %s not asked yet%s", k.good[0], k.failed[0], k.failed[1], k.failed[2], k.edge, along))
	return t.w.Flush()
}

// sums is the sectors by bin of all layers of the view.
func (p *Picture) sums() []tally {
	all := make([]tally, len(p.scale.bins))
	for i := range all {
		all[i].Sectors = make([]int64, len(p.classes))
		for _, l := range p.layers {
			for c, n := range l.bins[i].Sectors {
				all[i].Sectors[c] += n
			}
			all[i].Written += l.bins[i].Written
		}
	}
	return all
}

// cells are the bins in so many columns at most, each bin as wide as the others or, where
// there are more bins than columns, some of them as one.
func (p *Picture) cells(bins []tally, columns int, k inks) []drawn {
	wide := max(1, columns/len(bins))
	n := min(columns, len(bins))
	var all []drawn
	for i := range n {
		var asked, unasked, written int64
		for j := i * len(bins) / n; j < (i+1)*len(bins)/n; j++ {
			written += bins[j].Written
			for c, s := range bins[j].Sectors {
				switch p.classes[c].kind {
				case won:
				case notAsked:
					unasked += s
				default:
					asked += s
				}
			}
		}
		d := drawn{k.blank, ownColour}
		switch {
		case asked > 0:
			d = k.of(class{kind: failed}, 0, float64(asked)/float64(written))
		case unasked > 0 && 2*unasked >= written:
			d = drawn{k.edge, ownColour}
		case written > 0:
			d = k.of(class{kind: won}, 0, 1)
		}
		for range wide {
			all = append(all, d)
		}
	}
	return all
}
