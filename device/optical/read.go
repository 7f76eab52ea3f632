package optical

import (
	"bytes"
	"crypto/rand"
	"fmt"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// Part implements child.Backend: what one READ asks for.
func (d *opened) Part(r sector.Range) sector.Range {
	return sector.Span(r.First, min(int64(d.piece), r.Count()))
}

// Read implements child.Backend. Nothing that came with an earlier READ is touched by
// what this one finds: each was looked at by itself.
func (d *opened) Read(r sector.Range, buf []byte) child.Outcome {
	if f := d.trust(); f != nil {
		return child.Outcome{Err: f.readError(r)}
	}
	if err := d.lookAgain(); err != nil {
		return child.Outcome{Err: err}
	}
	var out child.Outcome
	out.Good, out.Weak, out.Err = d.readPiece(r, buf)
	if why := d.changed(); why != "" {
		return child.Outcome{Err: &device.ReadError{Class: device.Changed, At: -1, Text: why}}
	}
	if out.Err != nil {
		d.ofForm(out.Err)
		out.Weak = false
		if out.Err.Class == device.Changed {
			out.Good = 0
		}
		d.note(r, out)
	}
	return out
}

// mostTries bounds how often a READ is sent that the drive did not perform.
const mostTries = 6

// readPiece sends one READ, again where the drive did not perform it. Good sectors
// lead the range; fewer of them without an error where the drive wants shorter READs.
func (d *opened) readPiece(r sector.Range, buf []byte) (good int64, weak bool, err *device.ReadError) {
	again := d.failed.Overlaps(r)
	var last *fault
	for range mostTries {
		rest := sector.Range{First: r.First + sector.LBA(good), End: r.End}
		room := buf[good*sector.Size:]
		came, f := 0, (*fault)(nil)
		if again && d.noFUA {
			f = d.leave(rest)
		}
		if f == nil {
			d.stamp.put(room)
			came, f = d.send(d.read(rest, again && !d.noFUA), room)
		}
		last = f
		switch {
		case f == nil || f.is(scsi.Recovered):
			n := d.stamp.gone(room[:came/sector.Size*sector.Size])
			good += n
			weak = weak || f != nil
			if good == r.Count() {
				return good, weak, nil
			}
			last = &fault{lost: device.Doubtful, text: fmt.Sprintf("%d of %d sectors came, and no reason for the rest", good, r.Count())}
			if n == 0 {
				return good, weak, last.readError(rest)
			}
		case f.is(scsi.Changed), f.is(scsi.Reset), f.is(scsi.NotReady):
			if err := d.settle(f); err != nil {
				return 0, false, err
			}
		case f.says(scsi.IllegalRequest, 0x24) && again && !d.noFUA:
			d.noFUA = true
		case f.says(scsi.IllegalRequest, 0x20) && !d.long:
			d.long = true
		case f.says(scsi.IllegalRequest, 0x24) && d.shorten(r):
			return good, weak, nil // the rest of the request in shorter ones
		default:
			return good + d.kept(rest, room[:came], f), weak, f.readError(rest)
		}
	}
	return good, weak, last.readError(r)
}

// shorten makes the READs to come half as long as the one that the drive refused, of
// whole blocks; it can't where that was a single block or less.
func (d *opened) shorten(refused sector.Range) bool {
	block := int64(d.info.BlockSectors)
	half := refused.Count() / 2 / block * block
	if half < block {
		return false
	}
	d.piece = int(half)
	return true
}

// kept is how many sectors are good that came before a READ failed: those in front of
// the failing one where the drive names it, and they came. Without a valid place none
// is: nothing says what the rest is.
//
//	asked      ├───────────────────────────┤
//	came       ├─────────────────┤             length less residual
//	failing            ▲                       information, valid
//	good       ├───────┤
func (d *opened) kept(r sector.Range, came []byte, f *fault) int64 {
	if f.lost != 0 {
		return 0
	}
	switch f.class {
	case scsi.Medium, scsi.Track, scsi.Hardware, scsi.Unwritten, scsi.Unrecognised:
	default:
		return 0
	}
	n := leading(r, len(came), f.sense)
	return d.stamp.gone(came[:n*sector.Size])
}

// leading is how many whole sectors of r lie both within the bytes that came and in
// front of the failing one.
func leading(r sector.Range, came int, s scsi.Sense) int64 {
	lba, ok := s.LBA()
	if !ok || !r.Contains(sector.LBA(lba)) {
		return 0
	}
	return min(lba-int64(r.First), int64(came)/sector.Size)
}

// read is the command that reads r.
func (d *opened) read(r sector.Range, fua bool) scsi.Command {
	if d.long {
		return scsi.Read12{LBA: uint32(r.First), Blocks: uint32(r.Count()), FUA: fua}.Command()
	}
	return scsi.Read10{LBA: uint32(r.First), Blocks: uint16(r.Count()), FUA: fua}.Command()
}

// leave moves the head away from r, so that what the drive's cache has of it is not
// what it answers with. No sector is read by it. A drive that does not seek so is read
// all the same.
func (d *opened) leave(r sector.Range) *fault {
	to := int64(r.First) + d.info.Sectors/2
	_, f := d.send(scsi.Seek10{LBA: uint32(to % max(d.info.Sectors, 1))}.Command(), nil)
	if f.is(scsi.Refused) {
		return nil
	}
	return f
}

// note remembers what failed.
func (d *opened) note(r sector.Range, out child.Outcome) {
	switch out.Err.Class {
	case device.Medium, device.Track, device.Doubtful:
	default:
		return
	}
	rest := sector.Range{First: r.First + sector.LBA(out.Good), End: r.End}
	if rest.Contains(out.Err.At) {
		rest = sector.Span(out.Err.At, 1).Blocks(int64(d.info.BlockSectors)).Intersect(rest)
	}
	d.failed.Add(rest)
}

// stamp marks the memory that sectors are read into, so that a sector which did not
// come shows, whatever drive, bridge and kernel say that came: all that such memory
// may hold otherwise is what an earlier read left there.
//
//	0          8                               2040       2048
//	├─ stamp ──┤                                ├─ stamp ──┤   of each sector
type stamp [8]byte

func newStamp() (s stamp) {
	rand.Read(s[:]) // never fails
	return s
}

// put stamps each sector.
func (s stamp) put(b []byte) {
	for len(b) >= sector.Size {
		copy(b, s[:])
		copy(b[sector.Size-len(s):], s[:])
		b = b[sector.Size:]
	}
}

// gone is how many leading sectors have lost the stamp.
func (s stamp) gone(b []byte) (n int64) {
	for len(b) >= sector.Size {
		if bytes.Equal(b[:len(s)], s[:]) && bytes.Equal(b[sector.Size-len(s):sector.Size], s[:]) {
			return n
		}
		n++
		b = b[sector.Size:]
	}
	return n
}
