package chart

import (
	"fmt"
	"strconv"
	"strings"

	"turnstone/device/sector"
)

// axis is the bins of a scale across a sheet.
type axis struct {
	*scene
	scale  *scale
	left   float64 // mm
	width  float64
	across float64 // of one bin
}

func newAxis(s *scene, sc *scale, left, width float64) axis {
	return axis{s, sc, left, width, width / float64(max(1, len(sc.bins)))}
}

// ticks writes the bins' edges below a height.
func (a axis) ticks(y float64) {
	a.stroke(hair, ink, []point{{a.left, y}, {a.left + a.width, y}})
	every := 2
	switch n := len(a.scale.bins); {
	case a.scale.blind:
		every = max(1, n/5)
	case n < 8:
		every = 1
	}
	var marks [][]point
	for i := 0; i <= len(a.scale.bins) && len(a.scale.bins) > 0; i++ {
		x := a.left + float64(i)*a.across
		marks = append(marks, []point{{x, y}, {x, y + 0.7}})
		if i%every == 0 {
			v := a.scale.bins[min(i, len(a.scale.bins)-1)].From
			if i == len(a.scale.bins) {
				v = a.scale.bins[i-1].To
			}
			a.say(x, y+2.8, 1.4, middle, sector.Thousands(int64(v)))
		}
	}
	a.stroke(hair, ink, marks...)
	a.say(a.left+a.width, y+5.0, 1.4, end, a.scale.words())
}

// words say what the scale measures.
func (s *scale) words() string {
	if s.blind {
		return "sector"
	}
	return "mm from the middle"
}

// unitWords is what the bins are steps of.
func (s *scale) unitWords() string {
	if s.blind {
		return "address"
	}
	return "mm of radius"
}

// state draws the shares of the classes by bin, and above each the share that is
// missing.
func (a axis) state(bins []tally, classes []class, y, height float64) {
	base := y + height
	paints := paintsOf(classes)
	loops := make([][][]point, len(classes))
	var lost, empty [][]point
	for i, b := range bins {
		if b.Written == 0 {
			continue
		}
		x, w := a.left+float64(i)*a.across, a.across
		at := base
		heights := shares(b, classes, height, 0.3)
		for c, h := range heights {
			if h > 0 {
				loops[c] = append(loops[c], rectangle(x, at-h, w, h))
				edge := []point{{x, at - h}, {x + w, at - h}, {x + w, at}, {x, at}, {x, at - h}}
				switch classes[c].kind {
				case notAsked:
					empty = append(empty, edge)
				case notSince, failed:
					lost = append(lost, edge)
				}
				at -= h
			}
		}
		if missing := b.missing(classes); missing > 0 {
			a.say(x+w/2, y-0.9, 1.15, middle, percentShort(missing, b.Written))
		}
	}
	for c, l := range loops {
		a.fill(paints[c], l...)
	}
	a.dots(fine, ink, empty...)
	a.stroke(hair, outline, lost...)
	a.ticks(base)
}

// shares is how high each class stands in a bar; what is missing at least as high
// as least.
func shares(b tally, classes []class, height, least float64) []float64 {
	all := make([]float64, len(classes))
	ground, taken := 0, 0.0
	for c, n := range b.Sectors {
		all[c] = height * float64(n) / float64(b.Written)
		if n > 0 && classes[c].kind != won {
			all[c] = max(all[c], least)
		}
		if all[c] > all[ground] {
			ground = c
		}
		taken += all[c]
	}
	all[ground] -= taken - height
	return all
}

// percentShort is a share for narrow places: "12", "<1", "100".
func percentShort(part, whole int64) string {
	p := 100 * float64(part) / float64(whole)
	switch {
	case p < 1:
		return "<1%"
	case p > 99 && part < whole:
		return ">99%"
	}
	return strconv.Itoa(int(p+0.5)) + "%"
}

// work draws, for one pass, the time spent in each bin above a line and the sectors
// won below it.
func (a axis) work(p passStrip, fill paint, y, height float64) {
	mostTime, mostWon := 0.0, int64(0)
	for i := range p.wonIn {
		mostTime, mostWon = max(mostTime, p.secondsIn[i]), max(mostWon, p.wonIn[i])
	}
	base := y + height/2
	var time, won [][]point
	for i := range p.wonIn {
		x := a.left + float64(i)*a.across
		if t := p.secondsIn[i]; t > 0 && mostTime > 0 {
			h := max(0.1, height/2*t/mostTime)
			time = append(time, rectangle(x+0.2, base-h, a.across-0.4, h))
		}
		if n := p.wonIn[i]; n > 0 {
			h := max(0.1, height/2*float64(n)/float64(mostWon))
			won = append(won, rectangle(x+0.2, base, a.across-0.4, h))
		}
	}
	a.fill(paint{mix(ink, paper, 0.30), upright, mix(ink, paper, 0.6)}, time...)
	a.fill(fill, won...)
	a.stroke(hair, ink, []point{{a.left, base}, {a.left + a.width, base}})
	if mostTime > 0 {
		a.say(a.left+a.width+1, base-0.8, 1.3, start, "up to "+lasted(mostTime))
	}
	if mostWon > 0 {
		a.say(a.left+a.width+1, base+2.1, 1.3, start, "up to "+sector.Thousands(mostWon))
	}
}

// inWords is what a pass did.
func (p passStrip) inWords() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Pass %d, round %d, %s: %s won", p.number, p.round, p.drive, sector.Thousands(p.won))
	if p.seconds > 0 {
		b.WriteString(" in " + lasted(p.seconds))
	}
	switch {
	case p.failedReads == 1:
		b.WriteString(", 1 failed read")
	case p.failedReads > 1:
		b.WriteString(", " + sector.Thousands(p.failedReads) + " failed reads")
	}
	return b.String()
}
