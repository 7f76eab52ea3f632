package unit

import (
	"context"
	"time"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

func (u *Unit) read10(r scsi.Read10, data []byte, patience time.Duration) reply {
	if r.FUA && u.make.NoFUA {
		return failed(u.field(1))
	}
	return u.read(reading{r: sector.Span(sector.LBA(r.LBA), int64(r.Blocks)), lengthAt: 7}, data, patience)
}

func (u *Unit) read12(r scsi.Read12, data []byte, patience time.Duration) reply {
	if r.FUA && u.make.NoFUA {
		return failed(u.field(1))
	}
	return u.read(reading{r: sector.Span(sector.LBA(r.LBA), int64(r.Blocks)), lengthAt: 6, streams: r.Streaming}, data, patience)
}

// readCD is READ CD: user data of a CD's sectors of data, the subheader that tells
// form 1 from form 2, or whole sectors.
func (u *Unit) readCD(r scsi.ReadCD, data []byte, patience time.Duration) reply {
	at := sector.Span(sector.LBA(r.LBA), int64(r.Blocks))
	number, t := u.medium.track(at.First)
	compact := u.medium.Disc.Scenario().CD()
	switch {
	case r.C2 != scsi.NoC2 && !(compact && r.C2 == scsi.C2Flags && r.Main == scsi.WholeSector):
		return failed(u.field(9))
	case r.Sub != scsi.NoSub:
		return failed(u.field(10))
	case u.medium.Profile.Family() != scsi.CD:
		return failed(u.says(scsi.IllegalRequest, 0x64, 0))
	case number == 0 || !t.Range.Covers(at):
		return failed(u.says(scsi.IllegalRequest, 0x21, 0))
	case compact && r.Main == scsi.WholeSector && r.Expect == scsi.AnySector:
		return u.readRaw(r, at, data, patience)
	case t.Kind == Sound, r.Expect == scsi.CDDA, r.Expect == scsi.Mode2Formless, (r.Expect == scsi.Mode2Form2) != (t.Kind == FormTwo) && r.Expect != scsi.AnySector:
		return failed(u.says(scsi.IllegalRequest, 0x64, 0))
	case r.Main == scsi.UserData && t.Kind == Data:
		return u.read(reading{r: at, lengthAt: 6}, data, patience)
	case r.Main != scsi.Subheader || !u.medium.formed():
		return failed(u.field(9))
	}
	// File, channel, submode and coding, twice. Submode: bit 5 form 2, bit 3 data
	// (CD-ROM XA [memory]).
	sub := [8]byte{2: 1 << 3, 6: 1 << 3}
	if t.Kind == FormTwo {
		sub[2], sub[6] = 1<<5, 1<<5
	}
	n := 0
	for range at.Count() {
		n += copy(data[n:], sub[:])
	}
	return reply{count: n}
}

// reading is a READ: the sectors, which byte of its block says how many, and whether
// what fails is filled.
type reading struct {
	r        sector.Range
	lengthAt int
	streams  bool
}

// read is what all commands come to that bring sectors of 2048 bytes.
func (u *Unit) read(q reading, data []byte, patience time.Duration) reply {
	switch {
	case int64(q.r.End) > u.medium.Disc.Scenario().Sectors || u.beyond(q.r):
		return failed(u.says(scsi.IllegalRequest, 0x21, 0))
	case q.r.Empty():
		return reply{}
	case q.r.Count() > int64(u.drive.Info().MaxSectors):
		return failed(u.field(q.lengthAt))
	}
	for a := q.r.First; a < q.r.End; {
		number, t := u.medium.track(a)
		if number == 0 || t.Kind != Data {
			return failed(u.says(scsi.IllegalRequest, 0x64, 0))
		}
		a = t.Range.End
	}
	x, at := u.scriptedAt(q.r)
	if x == nil {
		return u.readDisc(q, data, patience)
	}
	return u.readByScript(x, at, q, data, patience)
}

// beyond tells whether a range reaches beyond the end of a disc that is closed.
func (u *Unit) beyond(r sector.Range) bool {
	return u.medium.State == scsi.Finalized && r.End > u.medium.end()
}

// readDisc reads sectors of tracks with data: those that are recorded, in pieces
// where what fails is filled with wrong bytes.
func (u *Unit) readDisc(q reading, data []byte, patience time.Duration) reply {
	start := u.now
	retries := u.page.ReadRetries
	if q.streams {
		retries = u.spec.LeastRetries
	}
	fills := q.streams || u.page.Flags&scsi.RC != 0
	recorded := u.medium.recorded(q.r)
	var p reply
	weak, clean := false, true
	for at := recorded.First; at < recorded.End; {
		a := u.ask(sector.Range{First: at, End: recorded.End}, retries)
		p.count += put(data, p.count, a.Data)
		if clean {
			p.good += a.Good()
		}
		at += sector.LBA(a.Good())
		weak = weak || len(a.Weak) > 0
		u.head = at
		if a.Err == nil {
			break
		}
		switch a.Err.Class {
		case device.Stalled:
			return u.fallSilent(silence{until: u.now, needs: u.stall()}, start, patience)
		case device.Refused: // the scenario's image can't be read
			p.sense = u.says(scsi.HardwareError, 0x44, 0)
			return p
		case device.Medium:
			rest := sector.Span(at, 1)
			if fills {
				rest = rest.Blocks(int64(u.drive.Info().BlockSectors)).Intersect(sector.Range{First: at, End: recorded.End})
			}
			if fills || u.page.Flags&scsi.TB != 0 {
				p.count += put(data, p.count, wrong(rest))
			}
			if fills {
				at, clean = rest.End, false
				continue
			}
		}
		p.sense = u.located(a.Err.Sense, a.Err.At)
		return p
	}
	switch {
	case recorded != q.r:
		p.sense = u.located(device.Sense{Key: uint8(scsi.BlankCheck)}, recorded.End)
	case weak && u.page.Flags&scsi.PER != 0:
		p.sense = u.says(scsi.RecoveredError, 0x17, 0x01)
	}
	return p
}

// put copies what comes to its place in the data, as far as there is room, and returns
// how much that was.
func put(data []byte, at int, b []byte) int { return copy(data[min(at, len(data)):], b) }

// ask has the simulated drive read.
func (u *Unit) ask(r sector.Range, retries uint8) device.Answer {
	u.apply(retries)
	refused := func(err error) device.Answer {
		return device.Answer{Asked: r, Err: &device.ReadError{Asked: r, Class: device.Refused, At: -1, Err: err}}
	}
	if err := u.drive.Ask(r); err != nil {
		return refused(err)
	}
	a, err := u.drive.Answer(context.Background())
	if err != nil {
		return refused(err)
	}
	u.now = u.drive.Now()
	return a
}

// located is sense data that names the failing block.
func (u *Unit) located(s device.Sense, at sector.LBA) *scsi.Sense {
	out := u.says(scsi.Key(s.Key), s.ASC, s.ASCQ)
	out.Valid, out.Information = true, uint64(at)
	return out
}

// wrong is what comes in place of sectors that could not be read.
func wrong(r sector.Range) []byte {
	b := make([]byte, r.Bytes())
	for i := range b {
		b[i] = byte(i*167 + i>>8 + int(r.First)*31 + 13)
	}
	return b
}
