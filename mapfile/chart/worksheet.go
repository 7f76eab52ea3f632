package chart

import (
	"fmt"
	"math"

	"turnstone/device/sector"
)

// Room on the sheet of what the passes brought.
const (
	mostLanes = 10 // passes
	laneStep  = 13.0
	barStep   = 7.5
	mostBars  = 12
)

// drawWork draws time and wins of the passes by radius, what rounds and drives
// brought, the good over time, and what was taken off.
func (p *Picture) drawWork(s *scene, title string) {
	p.head(s, title)
	y := 23.0
	s.say(margin, y, usual, start, "Time spent (above each line, an estimate) and sectors won (below it)")
	y += 3
	a := newAxis(s, &p.scale, margin, 152)
	paints := map[int]paint{}
	for i, c := range p.classes {
		for r := c.first; c.kind == won && r <= c.last; r++ {
			paints[r] = paintOf(c, i)
		}
	}
	earlier, count, latest := lumped(p.passes, mostLanes)
	lane := func(words string, t passStrip, fill paint) {
		s.say(margin, y+2.2, small, start, shorten(words, "…", func(t string) bool { return textWidth(t, small) <= a.width }))
		a.work(t, fill, y+3.2, laneStep-4)
		y += laneStep
	}
	if earlier != nil {
		lane(fmt.Sprintf("The first %d passes: %s won in %s", count, sector.Thousands(earlier.won), lasted(earlier.seconds)), *earlier, paint{base: mix(blue, paper, 0.25)})
	}
	for _, t := range latest {
		lane(t.inWords(), t, paints[t.round])
	}
	if len(p.passes) == 0 {
		y = s.paragraph(margin, y+2.2, a.width, small, "Nothing was read yet.")
	} else {
		a.ticks(y)
		y += 8
	}
	y = p.drawBars(s, y+4, "What each round and its treatment won, of what was missing before it", p.byRound(), paints)
	y = p.drawBars(s, y+4, "What each drive won, of the written area", p.byDrive(), nil)
	if len(p.passes) > 0 {
		y = p.drawProgress(s, y+4)
	}
	if p.view.Material != nil {
		y = p.drawMaterial(s, *p.view.Material, y+4)
	}
	s.height = math.Max(sheetHeight, y+margin)
}

// drawBars draws bars of what was won; the whole bar is what was missing before.
func (p *Picture) drawBars(s *scene, y float64, title string, all []brought, paints map[int]paint) float64 {
	if len(all) == 0 {
		return y
	}
	s.say(margin, y, usual, start, title)
	y += 4.2
	const width = sheetWidth - 2*margin
	if left := len(all) - mostBars; left > 0 {
		s.say(margin, y, small, start, fmt.Sprintf("%d earlier ones are left out here", left))
		y += 3
		all = all[left:]
	}
	for _, b := range all {
		words := fmt.Sprintf("%s: %s of %s (%s)", b.words, sector.Thousands(b.won), sector.Thousands(b.of), percent(b.won, b.of))
		switch {
		case b.passes == 0:
			words = b.words + ": not read yet"
		case b.seconds > 0:
			words += ", " + lasted(b.seconds)
		}
		s.say(margin, y, small, start, shorten(words, "…", func(t string) bool { return textWidth(t, small) <= width }))
		box := rectangle(margin, y+0.9, width, 2.4)
		if b.won > 0 && b.of > 0 {
			fill, ok := paints[b.round]
			if !ok {
				fill = paint{base: mix(blue, paper, 0.4)}
			}
			s.fill(fill, rectangle(margin, y+0.9, max(0.2, width*min(1, float64(b.won)/float64(b.of))), 2.4))
		}
		s.stroke(hair, ink, append(box, box[0]))
		y += barStep
	}
	return y
}

// drawProgress draws what was still missing over the time that drives worked. Each
// line stands for a tenth of the one above it, since the last sectors are those
// that take the time.
func (p *Picture) drawProgress(s *scene, y float64) float64 {
	const left, width, height = margin + 18, sheetWidth - 2*margin - 40, 28.0
	s.say(margin, y, usual, start, "Good over time: what was still missing while drives worked; each line is a tenth of the one above")
	top, base := y+4, y+4+height
	all := p.progress()
	last := all[len(all)-1]
	seconds := max(last.seconds, 1e-9)
	decades := math.Ceil(math.Log10(float64(max(10, p.written))))
	level := func(missing int64) float64 { // nothing lies a line below one sector
		if missing <= 0 {
			return base
		}
		return top + height*(decades-math.Log10(float64(missing)))/(decades+1)
	}
	var lines, rounds [][]point
	for n := int64(1); n <= p.written; n *= 10 {
		lines = append(lines, []point{{left, level(n)}, {left + width, level(n)}})
		s.say(left-1.5, level(n)+0.6, 1.4, end, sector.Thousands(n))
	}
	s.say(left-1.5, base+0.6, 1.4, end, "none")
	s.stroke(hair, faint, lines...)
	var curve []point
	for i, m := range all {
		x := left + width*m.seconds/seconds
		pt := point{x, level(p.written - m.good)}
		if i > 0 && m.seconds == all[i-1].seconds { // a merge takes no time
			curve = append(curve, point{x, level(p.written - all[i-1].good)})
		}
		curve = append(curve, pt)
		if i > 1 && m.round != all[i-1].round {
			at := curve[len(curve)-2].x
			rounds = append(rounds, []point{{at, top}, {at, base}})
			s.say(at+0.8, top+1.6, 1.4, start, fmt.Sprintf("round %d", m.round))
		}
	}
	s.dots(fine, ink, rounds...)
	s.stroke(bold, blue, curve)
	for _, pt := range curve[1:] {
		s.fill(paint{base: blue}, circle(pt, 0.8))
	}
	s.stroke(hair, ink, []point{{left, top}, {left, base}, {left + width, base}})
	s.say(left, base+3, 1.4, middle, "0")
	s.say(left+width, base+3, 1.4, middle, lasted(last.seconds))
	s.say(left+width+2, level(p.written-last.good)+0.7, small, start, sector.Thousands(max(0, p.written-last.good))+" left")
	return base + 6
}

// drawMaterial draws what was taken off against what a DVD's substrate may lose,
// and says it.
func (p *Picture) drawMaterial(s *scene, m Material, y float64) float64 {
	s.say(margin, y, usual, start, "Material taken off the reading side")
	y += 3
	if p.kind == "dvd" {
		const left, width, height = margin + 2, 120.0, 4.0
		least, most := 1000*substrateLeast, 1000*substrateMost
		x := func(um float64) float64 { return left + width*(um-(least-40))/(most-least+60) }
		e := m.best()
		s.fill(paint{base: mix(blue, paper, 0.16)}, rectangle(x(least), y, x(most)-x(least), height))
		s.dots(fine, ink, []point{{x(least), y - 0.5}, {x(least), y + height + 0.5}}, []point{{x(most), y - 0.5}, {x(most), y + height + 0.5}})
		now := max(1000*substrateUsual-e.Value, least-38)
		s.stroke(hair, ink, []point{{x(1000 * substrateUsual), y}, {x(1000 * substrateUsual), y + height}})
		mid := y + height/2
		s.stroke(bold, ink, []point{{x(1000 * substrateUsual), mid}, {x(now), mid}},
			[]point{{x(now) + 1.2, mid - 0.8}, {x(now), mid}, {x(now) + 1.2, mid + 0.8}})
		s.stroke(hair, ink, []point{{x(max(now-e.Error, least-39)), mid - 1.4}, {x(min(now+e.Error, most+19)), mid - 1.4}})
		for _, um := range []float64{least, 1000 * substrateUsual, most} {
			s.say(x(um), y+height+2.4, 1.4, middle, decimal(um, 0))
		}
		s.say(x(most)+4, y+height+2.4, 1.4, start, "µm of substrate, if it began as usual")
		y += height + 6.5
	}
	for _, t := range m.Sentences(p.kind) {
		y = s.paragraph(margin, y, sheetWidth-2*margin, small, t)
	}
	return y
}
