package unit

import (
	"bytes"
	"slices"
	"time"

	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// Entry is one command of the log.
type Entry struct {
	Start, End time.Duration // of the virtual clock
	CDB        []byte        // nil where nothing came
	Range      sector.Range  // of READ(10), READ(12) and READ CD; else empty
	FUA        bool
	Streaming  bool

	// The settings under which it ran.
	Recovery scsi.Recovery // mode page 01h
	Cap      int           // kB/s; 0 where there is none

	Fate   Fate
	Status scsi.Status
	Sense  scsi.Sense // with CHECK CONDITION
	Good   int64      // leading sectors that came as they are on the disc
}

// Op is the operation code, which need not be one of package scsi's.
func (e Entry) Op() scsi.Op {
	if len(e.CDB) == 0 {
		return 0
	}
	return scsi.Op(e.CDB[0])
}

// Log is every command that was sent, in order.
func (u *Unit) Log() []Entry {
	u.mu.Lock()
	defer u.mu.Unlock()
	return slices.Clone(u.log)
}

// ClearLog empties the log.
func (u *Unit) ClearLog() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.log = nil
}

// Settings are mode page 01h and the cap in kB/s, 0 where there is none, as they are
// now; and whether they are the drive's own.
func (u *Unit) Settings() (page scsi.Recovery, limit int, own bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.page, u.cap, u.settings == u.own()
}

func (u *Unit) entry(cdb []byte) Entry {
	return Entry{Start: u.now, CDB: bytes.Clone(cdb), Recovery: u.page, Cap: u.cap}
}

// asks fills in what a request asks.
func (e *Entry) asks(request scsi.Request) {
	switch r := request.(type) {
	case scsi.Read10:
		e.Range, e.FUA = sector.Span(sector.LBA(r.LBA), int64(r.Blocks)), r.FUA
	case scsi.Read12:
		e.Range, e.FUA, e.Streaming = sector.Span(sector.LBA(r.LBA), int64(r.Blocks)), r.FUA, r.Streaming
	case scsi.ReadCD:
		e.Range = sector.Span(sector.LBA(r.LBA), int64(r.Blocks))
	}
}

// finish fills in how the command ended.
func (e *Entry) finish(p reply, now time.Duration) {
	e.End, e.Fate, e.Status, e.Good = now, p.fate, p.status, p.good
	if p.sense != nil {
		e.Status, e.Sense = scsi.CheckCondition, *p.sense
	}
}
