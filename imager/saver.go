package imager

import (
	"errors"
	"time"

	"turnstone/mapfile"
)

// saver runs the checkpoints of a pass beside the reading, one at a time. While
// one runs the map is its own.
type saver struct {
	disk disk
	m    *mapfile.Map
	pass int
	rhythm

	last    time.Time  // when the last one began
	running chan saved // nil while none runs
	ending  bool       // little is left to ask: what comes yet is saved at the end, or when its time is due
	putOff  bool       // readers held the map: what it knows in memory is to be committed yet
	err     error      // the first failure; nothing is saved any more after it
}

// saved is what became of one checkpoint.
type saved struct {
	conflicts []mapfile.Event
	err       error
}

// due tells whether an epoch is to be saved now.
func (s *saver) due(now time.Time, e *epoch) bool {
	return s.running == nil && s.err == nil && (s.putOff || !e.empty()) &&
		(e.bytes >= s.bytes && !s.ending || now.Sub(s.last) >= s.every)
}

// full tells whether so much waits for a slow disk that the reading should wait
// for it too.
func (s *saver) full(e *epoch) bool { return s.running != nil && e.bytes >= 4*s.bytes }

// start begins to save a sealed epoch. None may be running.
func (s *saver) start(now time.Time, e *epoch, p mapfile.Pass) {
	s.last = now
	done := make(chan saved, 1)
	s.running = done
	go func() {
		conflicts, err := checkpoint(s.disk, s.m, s.pass, p, e, now)
		done <- saved{conflicts, err}
	}()
}

// poll takes the result of a checkpoint that has ended; ok is false where none
// has.
func (s *saver) poll() (r saved, ok bool) {
	if s.running == nil {
		return saved{}, false
	}
	select {
	case r = <-s.running:
		return s.took(r), true
	default:
		return saved{}, false
	}
}

// wait waits for the checkpoint that runs, if one does.
func (s *saver) wait() (r saved, ok bool) {
	if s.running == nil {
		return saved{}, false
	}
	return s.took(<-s.running), true
}

func (s *saver) took(r saved) saved {
	s.running = nil
	s.putOff = errors.Is(r.err, mapfile.ErrBusy)
	if !s.putOff {
		s.err = r.err
	}
	return r
}
