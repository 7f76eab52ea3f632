package faultydisc

import (
	"fmt"
	"sync"
	"syscall"
	"time"

	"turnstone/device/sector"
)

// script is the disc as the server sees it: which faults it has, who waits for
// an answer, and what was asked so far. It knows nothing of FUSE.
//
// A request meets the script twice: delays and hangs when it comes, failures when
// it is answered, so that a request that hung is answered by the script as it
// stands then.
type script struct {
	content content
	sectors int64
	began   time.Time

	mu      sync.Mutex
	faults  []*fault // in the order of their setting
	gone    bool
	over    bool          // aborted: nothing is answered any more
	free    chan struct{} // closed, and renewed, to let go all that waits
	waiting int
	changed *sync.Cond // waiting has grown
	counts  Counts
	log     []*Request
}

// fault is one line of the script: what happens to requests that touch its
// sectors. Each sector counts for itself how often it did.
type fault struct {
	Command
	used map[sector.LBA]int
}

// newScript is a disc without faults.
func newScript(c content, sectors int64) *script {
	s := &script{content: c, sectors: sectors, began: time.Now(), free: make(chan struct{}), counts: make(Counts, sectors)}
	s.changed = sync.NewCond(&s.mu)
	return s
}

// strike tells whether the fault comes true for a request, and notes that it did.
func (f *fault) strike(r sector.Range) bool {
	met := f.Sectors.Intersect(r)
	if f.Times == Always || f.Do == Hang {
		return !met.Empty()
	}
	struck := false
	for a := met.First; a < met.End; a++ {
		if f.used[a] < f.Times {
			f.used[a]++
			struck = true
		}
	}
	return struck
}

// answer takes one request, waits as long as the script says, and fills buf with
// the sectors of r or says why not. It never returns once the disc is aborted.
func (s *script) answer(r sector.Range, buf []byte) syscall.Errno {
	s.mu.Lock()
	if s.over {
		s.mu.Unlock()
		select {}
	}
	for a := r.First; a < r.End; a++ {
		s.counts[a]++
	}
	req := &Request{Sectors: r, Waiting: true, Came: time.Since(s.began)}
	s.log = append(s.log, req)
	hang, delay := s.waits(r)
	free := s.free
	if hang || delay > 0 {
		s.waiting++
		s.changed.Broadcast()
		s.mu.Unlock()
		wait(free, hang, delay)
		s.mu.Lock()
		s.waiting--
	}
	if s.over {
		s.mu.Unlock()
		select {}
	}
	errno := s.failure(r)
	s.mu.Unlock()

	if errno == 0 && s.content.read(buf, r.First) != nil {
		errno = syscall.EIO
	}

	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.over { // else the log was closed meanwhile
		req.Waiting, req.Errno, req.Took = false, errno, time.Since(s.began)-req.Came
	}
	return errno
}

// wait sleeps until free is closed, or, without a hang, until the delay is over.
func wait(free <-chan struct{}, hang bool, delay time.Duration) {
	if hang {
		<-free
		return
	}
	timer := time.NewTimer(delay)
	defer timer.Stop()
	select {
	case <-free:
	case <-timer.C:
	}
}

// waits says how long a request that comes now has to wait: the longest of the
// delays that it meets. A drive that is gone answers at once.
func (s *script) waits(r sector.Range) (hang bool, delay time.Duration) {
	if s.gone {
		return false, 0
	}
	for _, f := range s.faults {
		switch f.Do {
		case Hang:
			hang = f.strike(r) || hang
		case Delay:
			if f.strike(r) {
				delay = max(delay, f.Wait)
			}
		}
	}
	return hang, delay
}

// failure says how a request that is answered now fails, 0 for not at all: as the
// failure says that was set last among those that it meets.
func (s *script) failure(r sector.Range) (errno syscall.Errno) {
	if s.gone {
		return syscall.ENODEV
	}
	for _, f := range s.faults {
		if f.Do == Fail && f.strike(r) {
			errno = f.Errno
		}
	}
	return errno
}

// do carries a command out. An error says why the command makes no sense; the
// script is as before then.
func (s *script) do(c Command) (Report, error) {
	if err := c.check(s.sectors); err != nil {
		return Report{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	var report Report
	switch c.Do {
	case Fail, Delay, Hang:
		s.faults = append(s.faults, &fault{Command: c, used: map[sector.LBA]int{}})
	case Release:
		s.drop(func(f *fault) bool { return f.Do == Hang })
		s.letGo()
	case Gone:
		s.gone = true
		s.letGo()
	case Heal:
		s.gone = false
		s.drop(func(*fault) bool { return true })
		s.letGo()
	case Reset:
		clear(s.counts)
		s.log = nil
	case Await:
		for s.waiting < c.Times && !s.over {
			s.changed.Wait()
		}
		if s.over {
			return Report{}, fmt.Errorf("the disc was aborted, nothing waits")
		}
	case Abort:
		s.over = true
		for _, req := range s.log {
			if req.Waiting {
				req.Waiting, req.Errno, req.Took = false, syscall.EIO, time.Since(s.began)-req.Came
			}
		}
		s.changed.Broadcast()
		report = Report{Counts: s.counts, Requests: s.requests()} // the last words
	case Count:
		report.Counts = append(Counts(nil), s.counts...)
	case Log:
		report.Requests = s.requests()
	}
	return report, nil
}

// drop takes the faults out of the script that the condition names.
func (s *script) drop(which func(*fault) bool) {
	var kept []*fault
	for _, f := range s.faults {
		if !which(f) {
			kept = append(kept, f)
		}
	}
	s.faults = kept
}

// letGo answers all requests that wait.
func (s *script) letGo() {
	close(s.free)
	s.free = make(chan struct{})
}

// requests is a copy of the log.
func (s *script) requests() []Request {
	out := make([]Request, len(s.log))
	for i, req := range s.log {
		out[i] = *req
	}
	return out
}
