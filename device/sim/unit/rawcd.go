package unit

import (
	"context"
	"errors"
	"time"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/ecc/cd"
)

// RawHabit is what a drive does to raw sectors beside what it should. Drives that lie
// are known of each kind; the shares are invented.
type RawHabit uint8

const (
	TrueRaw    RawHabit = iota
	NoPointers          // it has no C2 pointers, and says so
	FalseClaim          // it has none, and says that it has
	AlwaysSet           // every pointer is set
	NeverSet            // none ever is
	Neighbour           // some sectors are the next one
	Zeroed              // some are all zeros
	Stale               // some are what was read before, whatever was asked for
	Scrambles           // the scrambling stays on
	Strict              // what it can't correct it gives under TB or DCR only (mode page 01h)
)

// Compact is a CD of a scenario, with its tracks.
func Compact(d *sim.Disc, round int) *Medium {
	m := &Medium{Disc: d, Round: round, Profile: scsi.CDROM, State: scsi.Finalized}
	for _, t := range d.Scenario().Tracks() {
		k := Data
		switch t.Mode {
		case sim.Form2:
			k = FormTwo
		case sim.Audio:
			k = Sound
		}
		m.xa = m.xa || t.Mode == sim.Form1 || t.Mode == sim.Form2
		m.Tracks = append(m.Tracks, Track{Session: 1, Range: t.Range, Recorded: t.Range.Count(), Kind: k})
	}
	return m
}

// readRaw is READ CD of whole sectors: one attempt at each, by the disc's frames.
func (u *Unit) readRaw(r scsi.ReadCD, at sector.Range, data []byte, patience time.Duration) reply {
	start := u.now
	pointers := r.C2 == scsi.C2Flags
	if pointers && (u.make.Raw == NoPointers || u.make.Raw == FalseClaim) {
		return failed(u.field(9))
	}
	u.apply(u.page.ReadRetries)
	var p reply
	for a := at.First; a < at.End; a++ {
		raw, err := u.drive.ReadRaw(context.Background(), a)
		u.now, u.head = u.drive.Now(), a
		var e *device.ReadError
		switch {
		case errors.As(err, &e) && e.Class == device.Stalled:
			return u.fallSilent(silence{until: u.now, needs: u.stall()}, start, patience)
		case errors.As(err, &e):
			p.sense = u.located(e.Sense, a)
			return p
		case err != nil:
			return failed(u.says(scsi.HardwareError, 0x44, 0))
		}
		if doubtful := raw.C2 != [cd.C2Size]byte{}; doubtful && u.make.Raw == Strict && u.page.Flags&(scsi.TB|scsi.DCR) == 0 {
			p.sense = u.located(device.Sense{Key: uint8(scsi.MediumError), ASC: 0x11, ASCQ: 5}, a)
			return p
		}
		p.good++
		u.habit(&raw, a)
		p.count += put(data, p.count, raw.Data[:])
		if pointers {
			p.count += put(data, p.count, raw.C2[:])
		}
		u.head++
		if u.make.Raw == Strict && raw.C2 != [cd.C2Size]byte{} && u.page.Flags&scsi.DCR == 0 { // TB: it was sent, and the error all the same
			p.sense = u.located(device.Sense{Key: uint8(scsi.MediumError), ASC: 0x11, ASCQ: 5}, a)
			return p
		}
	}
	return p
}

// habit does to a raw sector what the drive does.
func (u *Unit) habit(raw *sim.Raw, a sector.LBA) {
	sometimes := a%3 == 0 // of the sectors; invented
	doubtful := raw.C2 != [cd.C2Size]byte{}
	switch u.make.Raw {
	case AlwaysSet:
		for i := range raw.C2 {
			raw.C2[i] = 0xFF
		}
	case NeverSet:
		clear(raw.C2[:])
	case Neighbour:
		if next, err := u.drive.ReadRaw(context.Background(), min(a+1, sector.LBA(u.drive.Info().Sectors-1))); sometimes && err == nil {
			*raw = next
		}
	case Zeroed:
		if sometimes || doubtful {
			*raw = sim.Raw{}
		}
	case Stale:
		if sometimes && u.stale != nil {
			*raw = *u.stale
		} else {
			kept := *raw
			u.stale = &kept
		}
	case Scrambles:
		cd.Scramble(raw.Data[:]) // it has the right length
	}
}
