package scsi

import "fmt"

// Recovery is mode page 01h, read/write error recovery: how hard a drive tries.
//
//	     7    6    5    4    3    2    1    0
//	0  | PS |    | page code 01h              |
//	1  | page length 0Ah (older: 06h)         |
//	2  |AWRE|ARRE| TB | RC |EER | PER| DTE| DCR|
//	3  | read retry count                     |
//	8  | write retry count                    |
//	10 | recovery time limit, ms              |
//
// Which of it a drive lets change is in its mask: [ModePage.Change]. Retry counts
// seen as defaults: 4 and 32.
type Recovery struct {
	Flags        RecoveryFlags
	ReadRetries  uint8
	WriteRetries uint8
	TimeLimit    uint16 // 0: none
}

// RecoveryFlags is byte 2. Old CD drives know 00h, 01h, 04h to 07h, 10h, 11h,
// 14h, 15h, 20h, 21h and 24h to 27h, some not those with RC, and refuse others
// with 5/26/00 (command references of two drives of the nineties).
type RecoveryFlags uint8

const (
	AWRE RecoveryFlags = 1 << 7 // automatic write reallocation
	ARRE RecoveryFlags = 1 << 6 // automatic read reallocation
	TB   RecoveryFlags = 1 << 5 // transfer block: also what could not be corrected
	RC   RecoveryFlags = 1 << 4 // read continuous: no delays; data may be invented [memory]
	EER  RecoveryFlags = 1 << 3 // enable early recovery; reserved in MMC
	PER  RecoveryFlags = 1 << 2 // post error: recovered errors are reported too
	DTE  RecoveryFlags = 1 << 1 // disable transfer on error: stop at a recovered one
	DCR  RecoveryFlags = 1 << 0 // disable correction: of a CD no L-EC; on a DVD drives vary [memory]
)

// InDoubt tells whether a drive may deliver wrong bytes without an error under
// these flags: what comes so makes no sector good.
func (f RecoveryFlags) InDoubt() bool { return f&(TB|RC|DCR) != 0 }

// recoveryLen is the length of the page in MMC.
const recoveryLen = 12

// Recovery reads the page. ErrFormat is returned when it is another, ErrShort
// below 4 bytes. What a shorter page lacks is 0.
func (p ModePage) Recovery() (Recovery, error) {
	if p.Code() != PageRecovery {
		return Recovery{}, fmt.Errorf("%w: mode page %02Xh; want 01h", ErrFormat, uint8(p.Code()))
	}
	if err := enough("recovery page", p, 4); err != nil {
		return Recovery{}, err
	}
	var full [recoveryLen]byte
	copy(full[:], p)
	return Recovery{RecoveryFlags(full[2]), full[3], full[8], be.Uint16(full[10:])}, nil
}

// Page is the page as MMC has it, 12 bytes.
func (r Recovery) Page() ModePage {
	p := make(ModePage, recoveryLen)
	p[0], p[1] = byte(PageRecovery), recoveryLen-2
	return r.Onto(p)
}

// Onto is a drive's page with r's values in it; what the page has no room for is
// left out.
func (r Recovery) Onto(p ModePage) ModePage {
	var full [recoveryLen]byte
	copy(full[:], p)
	full[2], full[3], full[8] = byte(r.Flags), r.ReadRetries, r.WriteRetries
	be.PutUint16(full[10:], r.TimeLimit)
	out := append(ModePage(nil), p...)
	copy(out, full[:])
	return out
}
