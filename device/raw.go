package device

import (
	"context"

	"turnstone/device/sector"
)

// Sizes in bytes of a CD's sector as it comes raw (ECMA-130, clause 14), and of its C2
// pointers, a bit for each byte.
const (
	RawSize = 2352
	C2Size  = RawSize / 8
)

// Raw is sectors of a CD as the drive has them before their own code: sync, header,
// user's data and parity, wrong where the disc is. The drive may have taken the
// scrambling of data sectors off or not.
type Raw struct {
	// Data holds the leading sectors of what was asked, RawSize bytes each.
	Data []byte
	// C2 holds the pointers of each sector, C2Size bytes: a bit for each byte of it,
	// the highest first [memory], set where the byte is doubtful. Nil where the drive
	// gives none.
	C2 []byte
	// Mode is the mode of the track by what the drive tells of it, 1 or 2; 0 where it
	// tells nothing.
	Mode uint8
}

// Sectors is how many came.
func (r Raw) Sectors() int64 { return int64(len(r.Data) / RawSize) }

// MostRaw bounds one raw reading, in sectors: less than 64 KiB with the pointers.
const MostRaw = 24

// RawReader is an optional ability of a Reader with a CD in it: to bring sectors as they
// are, with what the drive knows of their bytes. Whoever uses them has to prove them.
type RawReader interface {
	// ReadRaw reads sectors once, without leaving them to the drive's cache, after what
	// was asked before; at most MostRaw. The leading sectors that came are returned also
	// where there is an error, a *ReadError that says why the rest did not.
	// ErrUnsupported is returned where drive or disc can't do this at all.
	ReadRaw(ctx context.Context, r sector.Range) (Raw, error)
}
