package scsi

// ModeSense10 asks for mode pages: the drive's settings; see [ParseModeData].
type ModeSense10 struct {
	DBD     bool        // disable block descriptors; emulators may send some all the same
	Control PageControl // 2 bits
	Page    PageCode    // 6 bits
	Alloc   uint16
}

// PageControl is which values of a page are asked for.
type PageControl uint8

const (
	CurrentValues    PageControl = iota
	ChangeableValues             // a mask: a bit is 1 where MODE SELECT may change it
	DefaultValues
	SavedValues
)

// PageCode is the number of a mode page.
type PageCode uint8

const (
	PageRecovery     PageCode = 0x01 // read/write error recovery, see [Recovery]
	PageCapabilities PageCode = 0x2A // see [Capabilities]
)

func (r ModeSense10) Command() Command {
	c := build(OpModeSense10, FromUnit, int64(r.Alloc))
	c.cdb[1], c.cdb[2] = flag(r.DBD, 3), byte(r.Control)<<6|byte(r.Page&63)
	be.PutUint16(c.cdb[7:], r.Alloc)
	return c
}

func decodeModeSense10(c []byte) Request {
	return ModeSense10{has(c[1], 3), PageControl(c[2] >> 6), PageCode(c[2] & 63), be.Uint16(c[7:])}
}

// ModeSelect10 sets mode pages, which follow it as a list: [SelectMode]. PF is
// always 1, the pages are in the standard's form; SP is always 0: nothing is saved
// in the drive, and a reset undoes it.
type ModeSelect10 struct{ Length uint16 }

func (r ModeSelect10) Command() Command {
	c := build(OpModeSelect10, ToUnit, int64(r.Length))
	c.cdb[1] = 1 << 4
	be.PutUint16(c.cdb[7:], r.Length)
	return c
}

func decodeModeSelect10(c []byte) Request { return ModeSelect10{be.Uint16(c[7:])} }

// SelectMode is the command that sets a page, and the list that goes with it.
// ErrFormat is returned for a page of more than 65,527 bytes or none.
func SelectMode(p ModePage) (ModeSelect10, []byte, error) {
	if len(p) < 2 || len(p) > 0xFFFF-modeHead {
		return ModeSelect10{}, nil, ErrFormat
	}
	list, page := grow(make([]byte, modeHead, modeHead+len(p)), len(p))
	copy(page, p)
	page[0] &^= 1 << 7 // PS is reserved in MODE SELECT
	return ModeSelect10{uint16(len(list))}, list, nil
}

// ModeData is the response to MODE SENSE(10), and the list of MODE SELECT(10)
// (linux/cdrom.h, mode_page_header).
//
//	0        2        3        4         6               8
//	+--------+--------+--------+---------+---------------+--------+-------+----
//	| length | medium | device |         | length of     | block  | page  | page …
//	|        | type   |        |         | descriptors   | descr. |       |
//	+--------+--------+--------+---------+---------------+--------+-------+----
type ModeData struct {
	Medium uint8
	Device uint8 // device-specific parameter
	Blocks []byte
	Pages  []ModePage
}

// ModePage is a mode page as it is sent: its code with PS in bit 7, its length,
// and that many bytes.
type ModePage []byte

const modeHead = 8

// ParseModeData reads the response to MODE SENSE(10). ErrShort is returned below
// 8 bytes, ErrTruncated with the pages that came whole.
func ParseModeData(b []byte) (ModeData, error) {
	b, err := claimed16("mode data", b, modeHead, longest16)
	if b == nil {
		return ModeData{}, err
	}
	m, cut := modePages(b)
	if err == nil {
		err = cut
	}
	return m, err
}

// ParseModeList reads the list of a MODE SELECT(10), in which the length is
// reserved. Its errors are those of ParseModeData.
func ParseModeList(b []byte) (ModeData, error) {
	if err := enough("mode list", b, modeHead); err != nil {
		return ModeData{}, err
	}
	return modePages(b)
}

func modePages(b []byte) (ModeData, error) {
	m := ModeData{Medium: b[2], Device: b[3]}
	blocks, err := claimed("block descriptors", b[modeHead:], 0, int64(be.Uint16(b[6:])))
	m.Blocks = append([]byte(nil), blocks...)
	if err != nil {
		return m, err
	}
	for b = b[modeHead+len(blocks):]; len(b) >= 2; {
		end := 2 + int64(b[1])
		if has(b[0], 6) { // SPF: a sub-page, its length in bytes 2 and 3 (SPC)
			if len(b) < 4 {
				break
			}
			end = 4 + int64(be.Uint16(b[2:]))
		}
		p, cut := claimed("mode page", b, 2, end)
		if cut != nil {
			return m, cut
		}
		m.Pages = append(m.Pages, append(ModePage(nil), p...))
		b = b[len(p):]
	}
	return m, nil
}

// Append appends the response to MODE SENSE(10); pages that its length does not
// allow are left out.
func (m ModeData) Append(b []byte) []byte {
	at := len(b)
	blocks := m.Blocks[:min(len(m.Blocks), longest16-modeHead)]
	b, h := grow(b, modeHead)
	h[2], h[3] = m.Medium, m.Device
	be.PutUint16(h[6:], uint16(len(blocks)))
	b = append(b, blocks...)
	for _, p := range m.Pages {
		if len(b)-at+len(p) > longest16 {
			break
		}
		b = append(b, p...)
	}
	return setLength16(b, at)
}

// Page is the page of that code.
func (m ModeData) Page(code PageCode) (ModePage, bool) {
	for _, p := range m.Pages {
		if p.Code() == code {
			return p, true
		}
	}
	return nil, false
}

// Code is the page's number.
func (p ModePage) Code() PageCode {
	if len(p) == 0 {
		return 0
	}
	return PageCode(p[0] & 63)
}

// Equal tells whether both pages say the same; PS, which says whether the drive
// could save the page, is not compared.
func (p ModePage) Equal(q ModePage) bool {
	if len(p) != len(q) {
		return false
	}
	for i, b := range p {
		if b != q[i] && (i > 0 || (b^q[i])&^(1<<7) != 0) {
			return false
		}
	}
	return true
}

// Change is the page with those bits as wanted that the mask of changeable values
// allows, and all others as they are. A drive refuses a page with any other bit
// changed (SPC: 5/26/00).
func (p ModePage) Change(want, changeable ModePage) ModePage {
	out := append(ModePage(nil), p...)
	for i := 2; i < min(len(p), len(want), len(changeable)); i++ {
		out[i] = p[i]&^changeable[i] | want[i]&changeable[i]
	}
	return out
}
