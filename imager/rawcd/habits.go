package rawcd

import "fmt"

// Habits is what a drive's raw readings have shown of the drive.
type Habits struct {
	readings  int // all
	pointed   int // with pointers
	allSet    int // with every pointer set
	someSet   int // with some set
	silent    int // wrong in a byte or more, and no pointer set
	scrambled int
	zeros     int
	elsewhere int
	repeated  int
}

// Note takes in what a reading turned out to be.
func (h *Habits) Note(r Reading, u Use) {
	h.readings++
	switch u {
	case Scrambled:
		h.scrambled++
	case Zeros:
		h.zeros++
	case Elsewhere:
		h.elsewhere++
	case Repeated:
		h.repeated++
	}
	if r.C2 == nil {
		return
	}
	h.pointed++
	switch n := r.doubts(); {
	case n == len(r.C2)*8:
		h.allSet++
	case n > 0:
		h.someSet++
	}
}

// Proven takes in what the readings of a sector are now known to have been wrong in.
func (h *Habits) Proven(sector []byte, readings []Reading) {
	for _, r := range readings {
		if r.C2 != nil && r.doubts() == 0 && string(r.Data) != string(sector) {
			h.silent++
		}
	}
}

// few is how many readings are too few to call something a habit; invented.
const few = 4

// Sentences says, one by one, what the drive has turned out to do beside what it should.
func (h *Habits) Sentences() (all []string) {
	say := func(format string, args ...any) { all = append(all, fmt.Sprintf(format, args...)) }
	if h.allSet >= few && h.allSet == h.pointed {
		say("its C2 pointers are always set: they say nothing")
	}
	if h.silent >= few && h.someSet+h.allSet == 0 {
		say("its C2 pointers are never set, not even for wrong bytes: they say nothing")
	}
	if h.scrambled > 0 {
		say("it leaves the scrambling on raw sectors")
	}
	if h.zeros >= few {
		say("it gives zeros for what it can't read (%d of %d raw sectors)", h.zeros, h.readings)
	}
	if h.elsewhere >= few {
		say("it gives other sectors than it was asked for (%d of %d raw ones)", h.elsewhere, h.readings)
	}
	if h.repeated >= few {
		say("it gives the same bad reading again instead of another one (%d of %d)", h.repeated, h.readings)
	}
	return all
}
