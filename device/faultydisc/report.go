package faultydisc

import (
	"fmt"
	"iter"
	"syscall"
	"time"

	"turnstone/device/sector"
)

// Report answers a Command: what was asked for, else nothing.
type Report struct {
	Counts   Counts
	Requests []Request
}

// Request is one read request that reached the disc, and its answer.
type Request struct {
	Sectors sector.Range
	Waiting bool          // there is no answer yet
	Errno   syscall.Errno // 0: the data was delivered
	Came    time.Duration // since the disc was put in
	Took    time.Duration // until the answer
}

// Good tells whether the data was delivered.
func (r Request) Good() bool { return !r.Waiting && r.Errno == 0 }

// String is the request as a line of the log: "100+16 ENODATA".
func (r Request) String() string {
	switch {
	case r.Waiting:
		return fmt.Sprintf("%v waiting", r.Sectors)
	case r.Errno != 0:
		return fmt.Sprintf("%v %s", r.Sectors, errnoName(r.Errno))
	}
	return fmt.Sprintf("%v good", r.Sectors)
}

// Counts holds for each sector, by its number, how often it was asked for,
// whatever the answer.
type Counts []uint32

// AtLeast is the set of the sectors that were asked for n times or more.
func (c Counts) AtLeast(n uint32) sector.Set {
	var runs []sector.Range
	for r, count := range c.Runs() {
		if count >= n {
			runs = append(runs, r)
		}
	}
	return sector.Of(runs...)
}

// Runs goes through the longest runs of sectors that were asked for equally
// often, in order of address, with how often that was.
func (c Counts) Runs() iter.Seq2[sector.Range, uint32] {
	return func(yield func(sector.Range, uint32) bool) {
		for first := 0; first < len(c); {
			end := first + 1
			for end < len(c) && c[end] == c[first] {
				end++
			}
			if !yield(sector.Range{First: sector.LBA(first), End: sector.LBA(end)}, c[first]) {
				return
			}
			first = end
		}
	}
}
