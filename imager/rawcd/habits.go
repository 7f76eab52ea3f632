package rawcd

import (
	"fmt"
	"hash/crc32"

	"turnstone/device/sector"
)

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
	stale     int

	last uint32 // of the reading before
	at   sector.LBA
	told [habits]bool
}

// habit is what a drive may do beside what it should.
type habit uint8

const (
	alwaysSet habit = iota
	neverSet
	leavesScrambling
	givesZeros
	givesOthers
	givesStale
	repeats
	habits
)

// Note takes in a reading of a sector as it came from the drive, and what it turned out
// to be.
func (h *Habits) Note(at sector.LBA, r Reading, u Use) {
	h.readings++
	sum := crc32.ChecksumIEEE(r.Data)
	if h.readings > 1 && sum == h.last && at != h.at && u != Zeros {
		h.stale++
	} else {
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
	}
	h.last, h.at = sum, at
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

// News is the habits that have shown and were not told before, a clause each.
func (h *Habits) News() (all []string) {
	share := func(n int) string { return fmt.Sprintf("%d of %d raw sectors so far", n, h.readings) }
	for k, s := range [habits]struct {
		has  bool
		text string
	}{
		alwaysSet:        {h.allSet >= few && h.allSet == h.pointed, "its C2 pointers are always set: they say nothing"},
		neverSet:         {h.silent >= few && h.someSet+h.allSet == 0, "its C2 pointers are never set, not even for wrong bytes: they say nothing"},
		leavesScrambling: {h.scrambled >= few && 2*h.scrambled >= h.readings, "it leaves the scrambling on raw sectors"},
		givesZeros:       {h.zeros >= few, "it gives zeros for what it can't read: " + share(h.zeros)},
		givesOthers:      {h.elsewhere >= few, "it gives other sectors than it was asked for: " + share(h.elsewhere)},
		givesStale:       {h.stale >= few, "it gives what it read before instead of what it was asked for: " + share(h.stale)},
		repeats:          {h.repeated >= few, "it gives the same bad reading again instead of another one: " + share(h.repeated)},
	} {
		if s.has && !h.told[k] {
			h.told[k] = true
			all = append(all, s.text)
		}
	}
	return all
}
