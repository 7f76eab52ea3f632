package plan

import "time"

// Lasts is the time until nine tenths of what is expected to come have come.
//
// The model has a chance of each block; that blocks fail together, under one mark, is in
// none of them. Where they do, a mark shows after some of its blocks, and most failures
// that the chances speak of are not asked for before the good blocks are there. So what
// failures will cost is told as a range, between shares of them that were seen.
type Lasts struct {
	Soonest  time.Duration // where failures lie in few marks
	Latest   time.Duration // where they lie in many
	OneByOne time.Duration // where blocks fail one by one, so that none tells of another
}

// Of the failures that the chances of a survey speak of, this share was asked for until
// nine tenths had come, on nineteen scenarios: 0.002 to 0.18 on seventeen of them, 0.05 in
// the mean, 0.12 where specks lie all over; on discs of a hundred turns up to 0.3, since a
// mark is met by few blocks there. A drive that stalls takes longer, for that no survey
// sees. TestUntil -until measures it again.
const (
	fewMarks  = .01
	manyMarks = .3
)

// Until is how long it lasts until nine tenths have come, by what is known of the surface.
// All are 0 where nothing is expected, or the geometry is not known.
func (p *Plan) Until() Lasts {
	all, left := p.prizes(byModel), 0.0
	for _, x := range all {
		left += .9 * x.chance
	}
	reads, failures := 0.0, 0.0
	for _, x := range all {
		if left <= 0 {
			break
		}
		left -= x.chance
		reads += x.full
		failures += x.fails
	}
	after := func(share float64) time.Duration {
		return time.Duration((reads + share*failures) * float64(time.Second))
	}
	return Lasts{after(fewMarks), after(manyMarks), after(1)}
}

// LittleAnHour is the sectors that an hour brings, at the most, of what a pass has left that
// ended by itself since little was left: by what it expected when it did.
const LittleAnHour = leastYield * 3600
