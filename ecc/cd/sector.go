package cd

import (
	"bytes"
	"errors"
	"fmt"
)

// Sizes in bytes.
const (
	Size   = 2352     // a raw sector
	C2Size = Size / 8 // its C2 pointers, one bit a byte
)

// Where things lie in a sector.
const (
	headerAt   = 12
	modeAt     = 15
	userAt     = 16 // subheader on mode 2 with forms
	submodeAt  = 18
	form1At    = 24
	zeroAt     = 2068
	parityAt   = 2076
	parityQAt  = 2248
	formBit    = 0x20
	modeBits   = 0x1F
	pregap     = 150
	maxAddress = 100*60*75 - pregap // one above the last LBA that a header can write
)

var syncBytes = [headerAt]byte{1: 255, 2: 255, 3: 255, 4: 255, 5: 255, 6: 255, 7: 255, 8: 255, 9: 255, 10: 255}

var (
	// ErrLength is returned when a sector is not 2352 bytes long, or C2 pointers
	// are not 294.
	ErrLength = errors.New("cd: wrong length")
	// ErrKind is returned when there is no such kind of sector.
	ErrKind = errors.New("cd: no such kind of sector")
	// ErrHeader is returned when sync, header or subheader make no sense.
	ErrHeader = errors.New("cd: not a sector's header")
	// ErrAddress is returned when a header can't write an address.
	ErrAddress = errors.New("cd: address out of range")
)

// Kind is the layout of a sector.
type Kind uint8

const (
	Mode1    Kind = iota + 1
	Form1         // mode 2 form 1
	Form2         // mode 2 form 2
	Formless      // mode 2 without subheader
)

// layout is what distinguishes the kinds.
type layout struct {
	name                 string
	mode                 byte
	user, userEnd        int
	edcFrom, edcAt       int  // 0, 0 where there is no EDC
	parity, form, second bool // second: form 2
}

var layouts = [...]layout{
	Mode1:    {name: "mode 1", mode: 1, user: userAt, userEnd: 2064, edcAt: 2064, parity: true},
	Form1:    {name: "mode 2 form 1", mode: 2, user: form1At, userEnd: 2072, edcFrom: userAt, edcAt: 2072, parity: true, form: true},
	Form2:    {name: "mode 2 form 2", mode: 2, user: form1At, userEnd: 2348, edcFrom: userAt, edcAt: 2348, form: true, second: true},
	Formless: {name: "mode 2 formless", mode: 2, user: userAt, userEnd: Size},
}

// String is the kind in words.
func (k Kind) String() string {
	if l, err := k.layout(); err == nil {
		return l.name
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

func (k Kind) layout() (*layout, error) {
	if k == 0 || int(k) >= len(layouts) {
		return nil, fmt.Errorf("%w: %d", ErrKind, uint8(k))
	}
	return &layouts[k], nil
}

// look finds the layout of a kind and sees to the sector's length.
func look(sector []byte, k Kind) (*layout, error) {
	if len(sector) != Size {
		return nil, fmt.Errorf("%w: a sector of %d bytes", ErrLength, len(sector))
	}
	return k.layout()
}

// UserData is the part of the sector that holds the user's data: 2048 bytes on
// mode 1 and form 1, 2324 on form 2, 2336 on formless sectors. ErrLength or
// ErrKind is returned when there is none.
func UserData(sector []byte, k Kind) ([]byte, error) {
	l, err := look(sector, k)
	if err != nil {
		return nil, err
	}
	return sector[l.user:l.userEnd:l.userEnd], nil
}

// Detect reads a sector's kind and address from its sync, header and subheader,
// none of which it can prove. Sectors of mode 2 whose two subheaders differ are
// formless, or damaged. ErrLength or ErrHeader is returned when they make no
// sense.
func Detect(sector []byte) (k Kind, lba int64, err error) {
	if len(sector) != Size {
		return 0, 0, fmt.Errorf("%w: a sector of %d bytes", ErrLength, len(sector))
	}
	lba, ok := address(sector)
	if !ok {
		return 0, 0, fmt.Errorf("%w: % x", ErrHeader, sector[:userAt])
	}
	switch sector[modeAt] & modeBits {
	case 1:
		return Mode1, lba, nil
	case 2:
		switch sub := sector[userAt:form1At]; {
		case !bytes.Equal(sub[:4], sub[4:]):
			return Formless, lba, nil
		case sector[submodeAt]&formBit != 0:
			return Form2, lba, nil
		}
		return Form1, lba, nil
	}
	return 0, 0, fmt.Errorf("%w: % x", ErrHeader, sector[:userAt])
}

// address reads the LBA behind a good sync; false where there is none.
func address(sector []byte) (lba int64, ok bool) {
	if [headerAt]byte(sector) != syncBytes {
		return 0, false
	}
	var msf [3]int64
	for i, b := range sector[headerAt:modeAt] {
		if b>>4 > 9 || b&15 > 9 {
			return 0, false
		}
		msf[i] = int64(b>>4)*10 + int64(b&15)
	}
	return (msf[0]*60+msf[1])*75 + msf[2] - pregap, msf[1] < 60 && msf[2] < 75
}

// SetAddress writes a sector's sync and header. The address is counted from
// −150, the start of the pre-gap, to 449,849. ErrLength, ErrKind or ErrAddress is
// returned when that can't be.
func SetAddress(sector []byte, k Kind, lba int64) error {
	l, err := look(sector, k)
	if err != nil {
		return err
	}
	if lba < -pregap || lba >= maxAddress {
		return fmt.Errorf("%w: %d", ErrAddress, lba)
	}
	copy(sector, syncBytes[:])
	frames := lba + pregap
	for i, v := range [...]int64{frames / (60 * 75), frames / 75 % 60, frames % 75} {
		sector[headerAt+i] = byte(v/10<<4 | v%10)
	}
	sector[modeAt] = l.mode
	return nil
}

// headed tells whether sync, header and subheader are such as the kind has.
func (l *layout) headed(sector []byte) bool {
	_, ok := address(sector)
	return ok && sector[modeAt]&modeBits == l.mode &&
		(!l.form || sector[submodeAt]&formBit != 0 == l.second)
}

// blank tells whether a sector of mode 2 is zero behind its header, as far as its EDC
// goes: such a one holds for nothing, whatever its parity is.
func (l *layout) blank(sector []byte) bool {
	end := Size
	if l.edcAt != 0 {
		end = l.edcAt + 4
	}
	return l.mode == 2 && len(bytes.TrimLeft(sector[userAt:end], "\x00")) == 0
}
