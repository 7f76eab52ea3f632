package chart

// brought is what a round or a drive brought.
type brought struct {
	words   string
	round   int // of a round, else -1
	won     int64
	of      int64 // sectors that were missing before it
	seconds float64
	passes  int
}

// byRound is what each round brought, with what was missing when it began. Of what
// merges brought the round in which they were merged has the merit.
func (p *Picture) byRound() []brought {
	all := make([]brought, len(p.rounds))
	for r := range all {
		all[r] = brought{words: upper(p.rounds[r]), round: r}
	}
	for _, t := range p.passes {
		b := &all[t.round]
		b.won += t.won
		b.seconds += t.seconds
		b.passes++
	}
	left := p.written
	for r := range all {
		all[r].of = left
		left = max(0, left-all[r].won)
	}
	return all
}

// byDrive is what each drive brought, in the order in which they first read.
func (p *Picture) byDrive() []brought {
	var all []brought
	index := map[string]int{}
	for _, t := range p.passes {
		i, ok := index[t.drive]
		if !ok {
			i = len(all)
			index[t.drive] = i
			all = append(all, brought{words: upper(t.drive), round: -1, of: p.written})
		}
		all[i].won += t.won
		all[i].seconds += t.seconds
		all[i].passes++
	}
	return all
}

// moment is how many sectors were good after so many seconds of work.
type moment struct {
	seconds float64
	good    int64
	round   int
}

// progress is how many sectors were good at the start and after each pass. Drives
// count one after the other.
func (p *Picture) progress() []moment {
	all := []moment{{}}
	var now moment
	for _, t := range p.passes {
		now = moment{now.seconds + max(0, t.seconds), now.good + t.won, t.round}
		all = append(all, now)
	}
	return all
}

// lumped is the passes for which there is room: the latest, and before them the
// earlier ones as one.
func lumped(passes []passStrip, room int) (earlier *passStrip, count int, latest []passStrip) {
	if len(passes) <= room {
		return nil, 0, passes
	}
	count = len(passes) - room + 1
	sum := passStrip{number: -1, wonIn: make([]int64, len(passes[0].wonIn)), secondsIn: make([]float64, len(passes[0].wonIn))}
	for _, p := range passes[:count] {
		sum.won += p.won
		sum.seconds += p.seconds
		sum.failedReads += p.failedReads
		for i := range p.wonIn {
			sum.wonIn[i] += p.wonIn[i]
			sum.secondsIn[i] += p.secondsIn[i]
		}
	}
	return &sum, count, passes[count:]
}
