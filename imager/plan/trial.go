package plan

// trials are a few blocks of each kind of which earlier passes told no good (hint.go),
// asked for before anything else: a treatment may have made most of a kind come, and
// nothing else tells that as soon. They lie evenly in what is open of their kind, and
// end once three of a kind have failed.
type trials struct {
	laid bool
	left [hints][]int64
}

const (
	trialsOf    = 12  // blocks of a kind
	trialFails  = 3   // of a kind that end its trials
	worthTrials = 200 // open blocks of a kind for which they are worth their time
)

// layTrials lists the trials.
func (s *byPlace) layTrials() {
	s.trials.laid = true
	var of [hints][]int64
	for b, st := range s.state {
		if k := s.field.kind[b]; k != unheard && st == open && !s.single[b] {
			of[k] = append(of[k], int64(b))
		}
	}
	for k, all := range of {
		if len(all) < worthTrials {
			continue
		}
		for i := range trialsOf {
			s.trials.left[k] = append(s.trials.left[k], all[(2*i+1)*len(all)/(2*trialsOf)])
		}
	}
}

// try takes the next trial; false where none is left.
func (s *byPlace) try() bool {
	if !s.trials.laid {
		s.layTrials()
	}
	for k := range s.trials.left {
		for left := &s.trials.left[k]; len(*left) > 0; {
			b := (*left)[0]
			*left = (*left)[1:]
			switch {
			case s.field.hints[k].fails >= trialFails:
				*left = nil
			case s.state[b] == open:
				s.run = append(s.run[:0], b)
				s.retries, s.why, s.sweeping = min(s.tries.Own, max(s.tries.Least, someRetries)), whyTrial, false
				if len(*left) == 0 {
					s.due.seen = 0 // what they taught is to be gone by
				}
				return true
			}
		}
	}
	return false
}
