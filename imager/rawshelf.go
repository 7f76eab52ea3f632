package imager

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/rawcd"
)

// Raw readings of a CD's sectors lie beside the image while their sector is missing, for
// a later pass may bring what is still wanting:
//
//	CASE/kept/readings.raw   slots of 2,720 bytes, numbers little-endian
//
//	0      4      8        16       20       22      24     25    26     2378      2672
//	┌──────┬──────┬────────┬────────┬────────┬───────┬──────┬─────┬──────┬─────────┬───┐
//	│"read"│CRC-32│ sector │ (zero) │ round  │ drive │ mode │flags│ data │pointers │   │
//	└──────┴──────┴────────┴────────┴────────┴───────┴──────┴─────┴──────┴─────────┴───┘
//	  flags: 1 it has data, 2 it has pointers. The CRC-32C is of all behind it.
//
// A slot without data notes that a drive has given all that it can for the sector in a
// round: it is not asked again. One that does not match its CRC, as a kill may leave it, is free. Nothing here
// is believed: a sector has to prove itself, whatever readings it is made of. So the file
// needs no sync; and its slots are freed only when the map, committed, calls their sector
// good.
const (
	readingsName = "readings.raw"
	slotSize     = 2720
	slotHead     = 26
	slotMagic    = "read"

	// mostOfSector bounds the readings that are kept of one sector, mostSlots those of a
	// disc: 261 MB, a sixth of all that a CD's sectors could have.
	mostOfSector = 8
	mostSlots    = 96_000
)

const (
	slotHasData = 1 << iota
	slotHasC2
)

var slotCRC = crc32.MakeTable(crc32.Castagnoli)

// slot is where a reading lies, and by whom it is.
type slot struct {
	at           int64 // its number in the file
	round, drive int
	data         bool
}

// shelf is the kept readings of a case. It belongs to one goroutine.
type shelf struct {
	dir   string
	f     *os.File // nil: none is kept yet
	slots map[sector.LBA][]slot
	free  []int64 // slots that can be used again
	end   int64   // behind the last slot
}

// openShelf opens the readings that a case keeps, if there are any.
func openShelf(dir string) (*shelf, error) {
	s := &shelf{dir: dir, slots: map[sector.LBA][]slot{}}
	f, err := os.OpenFile(filepath.Join(dir, keptName, readingsName), os.O_RDWR, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return nil, err
	}
	s.f = f
	buf := make([]byte, slotSize)
	for ; ; s.end++ {
		if _, err := f.ReadAt(buf, s.end*slotSize); err == io.EOF || err == io.ErrUnexpectedEOF {
			return s, nil
		} else if err != nil {
			f.Close()
			return nil, err
		}
		if a, x, ok := parseSlot(buf); ok {
			x.at = s.end
			s.slots[a] = append(s.slots[a], x)
		} else {
			s.free = append(s.free, s.end)
		}
	}
}

// parseSlot reads what a slot says; not ok where it is free or torn.
func parseSlot(b []byte) (a sector.LBA, x slot, ok bool) {
	if string(b[:4]) != slotMagic || crc32.Checksum(b[8:], slotCRC) != binary.LittleEndian.Uint32(b[4:]) {
		return 0, slot{}, false
	}
	return sector.LBA(binary.LittleEndian.Uint64(b[8:])), slot{
		round: int(binary.LittleEndian.Uint16(b[20:])), drive: int(binary.LittleEndian.Uint16(b[22:])),
		data: b[25]&slotHasData != 0,
	}, true
}

// asked tells whether a drive has given all that it can for a sector in a round.
func (s *shelf) asked(a sector.LBA, round, drive int) bool {
	for _, x := range s.slots[a] {
		if !x.data && x.round == round && x.drive == drive {
			return true
		}
	}
	return false
}

// readings is what is kept of a sector.
func (s *shelf) readings(a sector.LBA) []rawcd.Reading {
	var all []rawcd.Reading
	for _, x := range s.slots[a] {
		if !x.data || s.f == nil {
			continue
		}
		b := make([]byte, slotSize)
		if _, err := s.f.ReadAt(b, x.at*slotSize); err != nil {
			continue
		}
		if at, _, ok := parseSlot(b); !ok || at != a {
			continue
		}
		r := rawcd.Reading{Data: b[slotHead:][:device.RawSize], Mode: b[24]}
		if b[25]&slotHasC2 != 0 {
			r.C2 = b[slotHead+device.RawSize:][:device.C2Size]
		}
		all = append(all, r)
	}
	return all
}

// keep keeps a reading; nil notes that the drive has given all that it can. What there is
// no room for is not kept: of one sector the oldest reading makes room.
func (s *shelf) keep(a sector.LBA, r *rawcd.Reading, round, drive int) error {
	x := slot{round: round, drive: drive, data: r != nil}
	list := s.slots[a]
	oldest, kept := -1, 0
	for i, y := range list {
		if y.data {
			if kept++; oldest < 0 {
				oldest = i
			}
		}
	}
	switch {
	case r == nil && s.asked(a, round, drive):
		return nil // it is noted already
	case r != nil && kept >= mostOfSector:
		x.at = list[oldest].at
		list = append(list[:oldest:oldest], list[oldest+1:]...)
	case len(s.free) > 0:
		x.at = s.free[len(s.free)-1]
		s.free = s.free[:len(s.free)-1]
	case s.end >= mostSlots:
		return nil
	default:
		x.at = s.end
		s.end++
	}
	if err := s.write(x.at, a, r, round, drive); err != nil {
		return err
	}
	s.slots[a] = append(list, x)
	return nil
}

// write fills a slot.
func (s *shelf) write(at int64, a sector.LBA, r *rawcd.Reading, round, drive int) error {
	if s.f == nil {
		if err := os.Mkdir(filepath.Join(s.dir, keptName), 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
			return err
		}
		f, err := os.OpenFile(filepath.Join(s.dir, keptName, readingsName), os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			return err
		}
		s.f = f
	}
	b := make([]byte, slotSize)
	copy(b, slotMagic)
	binary.LittleEndian.PutUint64(b[8:], uint64(a))
	binary.LittleEndian.PutUint16(b[20:], uint16(round))
	binary.LittleEndian.PutUint16(b[22:], uint16(drive))
	if r != nil {
		b[24] = r.Mode
		b[25] = slotHasData
		copy(b[slotHead:], r.Data)
		if r.C2 != nil {
			b[25] |= slotHasC2
			copy(b[slotHead+device.RawSize:], r.C2)
		}
	}
	binary.LittleEndian.PutUint32(b[4:], crc32.Checksum(b[8:], slotCRC))
	_, err := s.f.WriteAt(b, at*slotSize)
	return err
}

// tidy frees what is kept of sectors that are good, which the map on the disk must say
// already. Where nothing is left the file goes.
func (s *shelf) tidy(good func(sector.LBA) bool) error {
	for a, list := range s.slots {
		if a < 0 || !good(a) {
			continue
		}
		for _, x := range list {
			if err := s.drop(x.at); err != nil {
				return err
			}
		}
		delete(s.slots, a)
	}
	if len(s.slots) > 0 || s.f == nil {
		return nil
	}
	name := s.f.Name()
	err := errors.Join(s.f.Close(), os.Remove(name))
	s.f, s.free, s.end = nil, nil, 0
	return err
}

// drop frees a slot and its room on the disk.
func (s *shelf) drop(at int64) error {
	const punchHole, keepSize = 0x02, 0x01 // linux/falloc.h
	err := syscall.Fallocate(int(s.f.Fd()), punchHole|keepSize, at*slotSize, slotSize)
	if err != nil {
		_, err = s.f.WriteAt(make([]byte, 4), at*slotSize)
	}
	s.free = append(s.free, at)
	return err
}

// close lets go of the file, if there is one.
func (s *shelf) close() error {
	if s == nil || s.f == nil {
		return nil
	}
	f := s.f
	s.f = nil
	return f.Close()
}

// noRaw stands for the whole disc in a shelf: a note that a drive can't read raw.
const noRaw = sector.LBA(-1)
