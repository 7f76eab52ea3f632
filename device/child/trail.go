package child

import (
	"sync/atomic"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"turnstone/device/sector"
)

// A trail is what the child notes of the request in a slot while it is at it, so that
// the parent knows how far it came where no answer does. It lies in the mapping, in
// words of 64 bits:
//
//	0   number of the request, among the reads since the opening; stored first
//	1   parts of it that have ended
//	2   where the last part begins that was asked for, in sectors of the request
//	3   where it ends
//	4   when it was begun, in ns of CLOCK_MONOTONIC
//	5   how long the last part took that has ended, in ns
//	6…  of each part that has ended, the end of what came: in sectors of the
//	    request, times two, plus one where it is weak
//
// The child stores a part's word before it counts the part, and nobody but the kernel
// writes behind what came: what the trail says came stays, whatever the drive does.
type trail []atomic.Uint64

const (
	trailNumber = iota
	trailEnded
	trailFirst
	trailEnd
	trailBegan
	trailTook
	trailParts
)

// words is memory that begins at a page, as words.
func words(b []byte) []atomic.Uint64 {
	return unsafe.Slice((*atomic.Uint64)(unsafe.Pointer(unsafe.SliceData(b))), len(b)/8)
}

// The child's side.

// start begins the trail of a request.
func (t trail) start(number uint64) {
	t[trailNumber].Store(0)
	t[trailEnded].Store(0)
	t[trailFirst].Store(0)
	t[trailEnd].Store(0)
	t[trailTook].Store(0)
	t[trailNumber].Store(number)
}

// full tells that there is no room for another part.
func (t trail) full() bool { return t[trailEnded].Load() == uint64(len(t)-trailParts) }

// begin notes that a part is asked for now.
func (t trail) begin(first, end, now int64) {
	t[trailBegan].Store(uint64(now))
	t[trailFirst].Store(uint64(first))
	t[trailEnd].Store(uint64(end))
}

// end notes that so many sectors of the request have come, the last of them by a part
// that is weak or not.
func (t trail) end(good int64, weak bool, now int64) {
	word := uint64(good) << 1
	if weak {
		word |= 1
	}
	n := t[trailEnded].Load()
	t[trailParts+n].Store(word)
	t[trailTook].Store(uint64(now) - t[trailBegan].Load())
	t[trailEnded].Store(n + 1)
}

// clock tells the time since the machine started, in ns, which is the same in all
// processes, without a system call each time.
type clock struct {
	at    time.Time
	since int64
}

func newClock() clock {
	var ts unix.Timespec
	unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts) // it can't fail
	return clock{time.Now(), ts.Nano()}
}

func (c clock) now() int64 { return c.since + int64(time.Since(c.at)) }

// The parent's side.

// course is how far the child has come with a request.
type course struct {
	parts int            // that have ended
	good  int64          // sectors that came
	weak  []sector.Range // of them, those of weak parts
	part  sector.Range   // the last that was asked for; empty where none was
	began int64          // when it was begun, by a clock
	last  time.Duration  // that the last part took that has ended
}

// silent is how long the drive has given no answer to the part that the child is at, by a
// clock that shows now; 0 where it is at none of the request, which begins at first.
func (c course) silent(first sector.LBA, now int64) time.Duration {
	if c.part.Empty() || c.part.First < first+sector.LBA(c.good) { // that one has ended
		return 0
	}
	return time.Duration(now - c.began)
}

// course is how far the child has come with the request of that number, for r.
func (t trail) course(number uint64, r sector.Range) (c course) {
	if t[trailNumber].Load() != number {
		return c
	}
	ended := min(t[trailEnded].Load(), uint64(len(t)-trailParts))
	for i := range ended {
		word := t[trailParts+i].Load()
		good := min(int64(word>>1), r.Count())
		if came := (sector.Range{First: r.First + sector.LBA(c.good), End: r.First + sector.LBA(good)}); word&1 != 0 && !came.Empty() {
			c.weak = append(c.weak, came)
		}
		c.good = max(c.good, good)
	}
	c.parts, c.last = int(ended), time.Duration(t[trailTook].Load())
	c.part = sector.Range{First: r.First + sector.LBA(t[trailFirst].Load()), End: r.First + sector.LBA(t[trailEnd].Load())}.Intersect(r)
	c.began = int64(t[trailBegan].Load())
	return c
}
