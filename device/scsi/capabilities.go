package scsi

import "fmt"

// Capabilities is mode page 2Ah, what a drive can do: legacy since MMC-4, and the
// only place for the speeds of older drives (libburn, spc.c; QEMU).
type Capabilities struct {
	ReadCDR, ReadCDRW                bool // byte 2
	ReadDVDROM, ReadDVDR, ReadDVDRAM bool
	Write                            uint8  // byte 3, which media it writes; of no use here
	CDDA                             bool   // byte 5: READ CD brings sound
	Accurate                         bool   // and goes on where it was
	C2                               bool   // READ CD brings C2 flags
	Loading                          uint8  // byte 6, 3 bits, as in [RemovableMedium]
	Lock                             bool   // the tray can be locked
	MaxRead                          uint16 // kB/s, kB of 1000 bytes
	Buffer                           uint16 // KiB
	CurrentRead                      uint16 // kB/s
}

// capabilitiesLen is the length of the page without speeds of writing [30 + 2:
// MMC-3].
const (
	capabilitiesLen = 32
)

// Capabilities reads the page. ErrFormat is returned when it is another, ErrShort
// below 16 bytes.
func (p ModePage) Capabilities() (Capabilities, error) {
	if p.Code() != PageCapabilities {
		return Capabilities{}, fmt.Errorf("%w: mode page %02Xh; want 2Ah", ErrFormat, uint8(p.Code()))
	}
	if err := enough("capabilities page", p, 16); err != nil {
		return Capabilities{}, err
	}
	return Capabilities{
		ReadCDR: has(p[2], 0), ReadCDRW: has(p[2], 1),
		ReadDVDROM: has(p[2], 3), ReadDVDR: has(p[2], 4), ReadDVDRAM: has(p[2], 5),
		Write: p[3],
		CDDA:  has(p[5], 0), Accurate: has(p[5], 1), C2: has(p[5], 4),
		Loading: p[6] >> 5, Lock: has(p[6], 0),
		MaxRead: be.Uint16(p[8:]), Buffer: be.Uint16(p[12:]), CurrentRead: be.Uint16(p[14:]),
	}, nil
}

// Page is the page, 32 bytes.
func (c Capabilities) Page() ModePage {
	p := make(ModePage, capabilitiesLen)
	p[0], p[1] = byte(PageCapabilities), capabilitiesLen-2
	p[2] = flag(c.ReadCDR, 0) | flag(c.ReadCDRW, 1) | flag(c.ReadDVDROM, 3) | flag(c.ReadDVDR, 4) | flag(c.ReadDVDRAM, 5)
	p[3] = c.Write
	p[5] = flag(c.CDDA, 0) | flag(c.Accurate, 1) | flag(c.C2, 4)
	p[6] = c.Loading<<5 | flag(c.Lock, 0)
	be.PutUint16(p[8:], c.MaxRead)
	be.PutUint16(p[12:], c.Buffer)
	be.PutUint16(p[14:], c.CurrentRead)
	return p
}
