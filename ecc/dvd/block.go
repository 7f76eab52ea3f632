package dvd

import (
	"fmt"

	"turnstone/ecc/rs"
)

// Sizes of an ECC block, in bytes unless said.
const (
	Sectors   = 16  // sectors in a block
	Rows      = 208 // recorded rows in a block
	RowSize   = 182
	BlockSize = Rows * RowSize

	dataRows  = 192 // rows of the outer code that hold frames
	dataSize  = 172 // bytes of a row that hold frames
	frameRows = dataRows / Sectors
	// recordedRows is the rows of a recording frame: a frame's and one of PO.
	recordedRows = frameRows + 1
)

// The inner and the outer code.
var (
	innerCode = fixed(rs.New(RowSize, dataSize, 0))
	outerCode = fixed(rs.New(Rows, dataRows, 0))
)

// RecordedRow is where row i of the code's matrix lies on the disc, from 0 to 207
// for i from 0 to 207: rows 0 to 191 are the 16 frames', the others PO's.
func RecordedRow(i int) int {
	if i < dataRows {
		return i + i/frameRows
	}
	return recordedRows*(i-dataRows) + frameRows
}

// Codec makes, verifies and corrects ECC blocks. It holds the memory for that, so
// that no block costs an allocation; it belongs to one goroutine at a time.
type Codec struct {
	rows    *rs.Decoder
	columns *rs.Columns
	frame   [FrameSize]byte

	// What Decode knows of the block at hand, by rows of the code's matrix.
	came     [BlockSize]byte // the block as it came
	weak     [Rows]bool      // rows that PI corrected, at the limit of its power
	failed   []int           // rows that PI can't correct
	suspects []int           // weak rows that no EDC vouches for
	erased   []int           // the erasures for PO
}

// NewCodec makes a codec; it takes about 60 KiB.
func NewCodec() *Codec {
	var rows [Rows]int
	for i := range rows {
		rows[i] = rowAt(i)
	}
	columns, err := outerCode.NewColumns(RowSize, rows[:])
	if err != nil {
		panic(err) // the package's own numbers, as in fixed
	}
	return &Codec{
		rows: innerCode.NewDecoder(), columns: columns,
		failed: make([]int, 0, Rows), suspects: make([]int, 0, Rows), erased: make([]int, 0, Rows),
	}
}

// rowAt is where row i of the code's matrix begins in a block.
func rowAt(i int) int { return RecordedRow(i) * RowSize }

// row is row i of the code's matrix in a block.
func row(block []byte, i int) []byte { return block[rowAt(i):][:RowSize] }

// fits tells in words what is wrong with a block's length.
func fits(block []byte) error {
	if len(block) != BlockSize {
		return fmt.Errorf("%w: a block of %d bytes; it has %d", ErrLength, len(block), BlockSize)
	}
	return nil
}

// Encode writes the block of 16 frames: 208 recorded rows of 182 bytes, from
// 16 · FrameSize bytes of unscrambled frames, one behind another. The frames are
// taken as they are, right or wrong. ErrLength is returned when block or frames
// have another length.
func (c *Codec) Encode(block, frames []byte) error {
	if err := fits(block); err != nil {
		return err
	}
	if len(frames) != Sectors*FrameSize {
		return fmt.Errorf("%w: frames of %d bytes together; a block has %d", ErrLength, len(frames), Sectors*FrameSize)
	}
	for s := range Sectors {
		copy(c.frame[:], frames[s*FrameSize:])
		scramble(c.frame[:])
		for r := range frameRows {
			to := row(block, s*frameRows+r)
			copy(to, c.frame[r*dataSize:][:dataSize])
			_ = innerCode.Encode(to) // its length is the code's
		}
	}
	// Over PI's columns too: PO of PI is PI of PO.
	return c.columns.Encode(block)
}

// Verify tells whether all of a block is right: every row, every column, every
// sector's IED and EDC. ErrLength is returned when it hasn't the length of one.
func (c *Codec) Verify(block []byte) (bool, error) {
	if err := fits(block); err != nil {
		return false, err
	}
	for i := range Rows {
		if !innerCode.Check(row(block, i)) {
			return false, nil
		}
	}
	if ok, err := c.columns.Check(block); !ok {
		return false, err
	}
	for s := range Sectors {
		gather(c.frame[:], block, s)
		if !iedRight(c.frame[:]) || !edcRight(c.frame[:]) {
			return false, nil
		}
	}
	return true, nil
}

// gather copies a sector's scrambled frame out of a block.
func gather(frame, block []byte, s int) {
	for r := range frameRows {
		copy(frame[r*dataSize:], row(block, s*frameRows+r)[:dataSize])
	}
}

// ReadFrame copies sector s of a block, 0 to 15, into frame, not scrambled. It does
// not ask whether it is right. ErrLength is returned when frame or block has
// another length, ErrSector when there is no such sector.
func ReadFrame(frame, block []byte, s int) error {
	if err := fits(block); err != nil {
		return err
	}
	if len(frame) != FrameSize {
		return fmt.Errorf("%w: a frame of %d bytes; it has %d", ErrLength, len(frame), FrameSize)
	}
	if s < 0 || s >= Sectors {
		return fmt.Errorf("%w: %d", ErrSector, s)
	}
	gather(frame, block, s)
	scramble(frame)
	return nil
}
