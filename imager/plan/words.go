package plan

import "fmt"

// Half sentences for the person who watches.
const (
	whyDeeper = "once more with the drive's own retries: what failed with fewer"
	whySound  = "looking into what is not known yet: a few turns in every few hundred"
	whyProof  = "a few places of which little is expected, before they are left"
	whySweep  = "everything that still gives something now and then, from the inside out"
	whyRest   = "what is left, of which nothing is expected"
)

// reason says what a run is about.
func (s *byPlace) reason(z *zone) string {
	f := s.field
	last := s.run[len(s.run)-1]
	l := f.rings[f.ringOf(z.start)].leg
	from, to := l.radiusOf(z.start-l.first), l.radiusOf(last-l.first)
	if from > to {
		from, to = to, from
	}
	where := fmt.Sprintf("%.1f–%.1f mm", from, to)
	if to-from < .1 {
		where = fmt.Sprintf("%.1f mm", to)
	}
	chance := z.gain / float64(z.count)
	switch {
	case f.all.blamed == 0:
		return "reading " + where + ", clean so far"
	case chance > .97 && z.past == 0:
		return "reading " + where + ", mostly clean" + s.putOff()
	case chance > .9:
		return "reading " + where + ", between the marks" + s.putOff()
	case chance > .5:
		return "reading " + where + ", at the edges of marks" + s.putOff()
	}
	return "trying " + where + ", inside marks, where little is expected"
}

// putOff says how many places are left to last: rings side by side in which
// blocks were passed over are one.
func (s *byPlace) putOff() string {
	n := 0
	for i := range s.zones {
		if s.zones[i].past > 0 && (i == 0 || s.zones[i-1].past == 0) {
			n++
		}
	}
	switch n {
	case 0:
		return ""
	case 1:
		return "; one marked place left to last"
	}
	return fmt.Sprintf("; %d marked places left to last", n)
}

// ended says why the pass ended before everything was asked for.
func (s *byPlace) ended() End {
	if !s.stopped {
		return End{}
	}
	return End{littleLeft, "fewer than one sector in ten seconds is expected of what is left, in the next ten minutes"}
}
