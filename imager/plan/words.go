package plan

import "fmt"

// Half sentences for the person who watches.
const (
	whyDeeper = "once more with the drive's own retries: what failed with fewer"
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
		return "reading " + where + ", mostly clean"
	case chance > .9:
		return "reading " + where + ", between the marks"
	case chance > .5:
		return "reading " + where + " at the edges of marks"
	}
	return "trying " + where + " inside marks, where little is expected"
}

// ended says why the pass ended before everything was asked for.
func (s *byPlace) ended() End {
	if !s.stopped {
		return End{}
	}
	n := int64(s.left + s.behind)
	return End{littleLeft, fmt.Sprintf("about %d sectors were not asked for: fewer than one in ten seconds is expected of them in the next ten minutes", n*s.disc.Block)}
}
