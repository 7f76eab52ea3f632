package chart

import (
	"fmt"
	"math"
	"strings"

	"turnstone/device/sector"
)

// mostTextPasses is how many passes a terminal shows one by one.
const mostTextPasses = 6

// work says what the passes, rounds and drives brought.
func (t *text) work(p *Picture) {
	if len(p.passes) == 0 {
		t.gap()
		t.say("Nothing was read yet.")
		return
	}
	t.gap()
	t.say(fmt.Sprintf("Time spent (an estimate) and sectors won, by %s from %s to %s:", p.scale.unitWords(),
		decimal(p.scale.bins[0].From, 0), decimal(p.scale.bins[len(p.scale.bins)-1].To, 0)))
	earlier, count, latest := lumped(p.passes, mostTextPasses)
	if earlier != nil {
		t.strip(fmt.Sprintf("The first %d passes: %s won in %s", count, sector.Thousands(earlier.won), lasted(earlier.seconds)), *earlier, &p.scale)
	}
	for _, s := range latest {
		t.strip(s.inWords(), s, &p.scale)
	}
	t.gap()
	t.say("What each round and its treatment won, of what was missing before it:")
	for _, b := range p.byRound() {
		t.brought(b, t.roundInk(p, b.round))
	}
	t.gap()
	t.say("What each drive won, of the written area:")
	for _, b := range p.byDrive() {
		t.brought(b, drawn{t.inks.good[0], blues8[1]})
	}
	t.gap()
	last := p.progress()[len(p.passes)]
	t.say(fmt.Sprintf("Good over time: %s of %s sectors (%s) after %s of work.",
		sector.Thousands(last.good), sector.Thousands(p.written), percent(last.good, p.written), lasted(last.seconds)))
}

// strip writes a pass: what it did, then its time and its wins along the scale.
func (t *text) strip(words string, s passStrip, sc *scale) {
	t.say(words)
	const lead = 6
	n := min(len(sc.bins), t.Width-lead)
	if n < 1 {
		return
	}
	time, won := make([]float64, n), make([]float64, n)
	for i := range sc.bins {
		time[i*n/len(sc.bins)] += s.secondsIn[i]
		won[i*n/len(sc.bins)] += float64(s.wonIn[i])
	}
	if s.seconds > 0 {
		t.line(" time " + strings.TrimRight(t.heights(time), " "))
	}
	if s.won > 0 {
		t.line(" won  " + strings.TrimRight(t.heights(won), " "))
	}
}

// heights is values as signs of different height; what is not nothing is seen.
func (t *text) heights(values []float64) string {
	most := 0.0
	for _, v := range values {
		most = max(most, v)
	}
	var b strings.Builder
	bars := t.inks.bars
	for _, v := range values {
		i := 0
		if v > 0 && most > 0 {
			i = max(1, int(math.Round(v/most*float64(len(bars)-1))))
		}
		b.WriteString(bars[i])
	}
	return b.String()
}

// brought writes what a round or a drive brought, with a bar.
func (t *text) brought(b brought, ink drawn) {
	if b.passes == 0 {
		t.say(b.words + ": not read yet.")
		return
	}
	words := fmt.Sprintf("%s: %s of %s (%s)", b.words, sector.Thousands(b.won), sector.Thousands(b.of), percent(b.won, b.of))
	if b.seconds > 0 {
		words += ", " + lasted(b.seconds)
	}
	t.say(words)
	width := min(t.Width-4, 60)
	n := 0
	if b.won > 0 && b.of > 0 {
		n = min(width, max(1, int(float64(width)*float64(b.won)/float64(b.of))))
	}
	t.line(" |" + t.tinted(strings.Repeat(ink.sign, n), ink.colour) + strings.Repeat(" ", width-n) + "|")
}

// roundInk is how the sectors are drawn that a round won.
func (t *text) roundInk(p *Picture, round int) drawn {
	for i, c := range p.classes {
		if c.kind == won && c.first <= round && round <= c.last {
			return t.inks.of(c, i, 1)
		}
	}
	return drawn{t.inks.good[0], blues8[0]}
}
