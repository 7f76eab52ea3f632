package cd

import (
	"encoding/binary"
	"fmt"
)

// Verdict is what the codes say of a sector.
type Verdict uint8

const (
	// Clean: sync, header, EDC and parity all hold.
	Clean Verdict = iota + 1
	// Repaired: as Clean, after changes.
	Repaired
	// Damaged: something does not hold. The sector was left as it came.
	Damaged
	// Unproven: nothing is wrong, and nothing tells that the data is right. The
	// kind carries no code, or form 2 came without an EDC.
	Unproven
)

var verdictWords = [...]string{Clean: "clean", Repaired: "repaired", Damaged: "damaged", Unproven: "unproven"}

// String is the verdict in words.
func (v Verdict) String() string {
	if int(v) < len(verdictWords) && verdictWords[v] != "" {
		return verdictWords[v]
	}
	return fmt.Sprintf("verdict %d", uint8(v))
}

// Verify says whether the sector is whole: Clean, Damaged or Unproven. ErrLength
// or ErrKind is returned when the question makes no sense.
func Verify(sector []byte, k Kind) (Verdict, error) {
	l, err := look(sector, k)
	if err != nil {
		return 0, err
	}
	if v := l.surface(sector); v != Clean {
		return v, nil
	}
	if l.parity {
		var a area
		var s syndromes
		l.load(&a, sector)
		if s.compute(&a); !s.zero() {
			return Damaged, nil
		}
	}
	return Clean, nil
}

// surface is the verdict without parity.
func (l *layout) surface(sector []byte) Verdict {
	switch {
	case !l.headed(sector) || l.blank(sector):
		return Damaged
	case l.edcAt == 0:
		return Unproven
	case l.edcHolds(sector):
		return Clean
	case !l.parity && binary.LittleEndian.Uint32(sector[l.edcAt:]) == 0:
		return Unproven
	}
	return Damaged
}

// Encode makes a whole sector around the user data that lies in it (see UserData)
// and, on forms 1 and 2, the subheader at bytes 16 to 19: it writes the sync, the
// header with the address, the form's bit and the subheader's second copy, EDC,
// zeros and parity. ErrLength, ErrKind or ErrAddress is returned when that can't
// be; the sector is unchanged then.
func Encode(sector []byte, k Kind, lba int64) error {
	if err := SetAddress(sector, k, lba); err != nil {
		return err
	}
	l := &layouts[k]
	if l.form {
		sector[submodeAt] &^= formBit
		if l.second {
			sector[submodeAt] |= formBit
		}
		copy(sector[userAt+4:form1At], sector[userAt:userAt+4])
	}
	if l.edcAt != 0 {
		l.makeEDC(sector)
	}
	if l.parity {
		l.makeParity(sector)
	}
	return nil
}

func (l *layout) makeEDC(sector []byte) {
	binary.LittleEndian.PutUint32(sector[l.edcAt:], EDC(sector[l.edcFrom:l.edcAt]))
}

// makeParity writes mode 1's zeros, P and Q.
func (l *layout) makeParity(sector []byte) {
	clear(sector[l.edcAt+4 : parityAt])
	var a area
	l.load(&a, sector)
	makeParity(&a)
	copy(sector[parityAt:], a[parityAt-headerAt:])
}
