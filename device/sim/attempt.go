package sim

import (
	"turnstone/device/sector"
	"turnstone/ecc/dvd"
	"turnstone/ecc/rs"
)

// attempt is what one attempt on a block brought: the sectors whose EDC holds,
// bit 0 the first.
type attempt uint16

const allSectors attempt = 1<<blockSectors - 1

// leading is how many sectors from number i of the block on have come.
func (a attempt) leading(i int) int64 {
	n := int64(0)
	for ; i < blockSectors && a>>i&1 == 1; i++ {
		n++
	}
	return n
}

// failing marks the rows that fail in one attempt. All rows of a pair see the
// same draw g; row i fails when g is below the number whose chance is odds[i].
func failing(o *odds, noise stream, rows *[blockRows]bool) (count int) {
	for i := range rows {
		rows[i] = noise.uniform(uint64(i/noiseRows)) < o[i]
		if rows[i] {
			count++
		}
	}
	return count
}

// decoder tells what comes of a block some of whose rows have failed.
type decoder interface {
	decode(b int64, failed *[blockRows]bool, count int, damage stream) attempt
}

// counting counts rows: up to 16 that failed come back; above that a sector comes
// whose 12 rows all held.
type counting struct{}

func (counting) decode(_ int64, failed *[blockRows]bool, count int, _ stream) attempt {
	if count <= outerRows {
		return allSectors
	}
	a := allSectors
	for i, f := range failed {
		if f && i%frameRows < frameRows-1 {
			a &^= 1 << (i / frameRows)
		}
	}
	return a
}

// coding records a block as the disc has it, damages what failed and decodes it.
type coding struct {
	disc   *Disc
	codec  *dvd.Codec
	frames []byte
	block  []byte
	data   []byte
}

func newCoding(d *Disc) *coding {
	return &coding{
		disc: d, codec: dvd.NewCodec(),
		frames: make([]byte, blockSectors*dvd.FrameSize),
		block:  make([]byte, dvd.BlockSize),
		data:   make([]byte, blockSectors*sector.Size),
	}
}

func (r *coding) decode(b int64, failed *[blockRows]bool, _ int, damage stream) attempt {
	if r.disc.content.read(block(b).First, r.data) != nil {
		return 0 // whoever delivers the data will meet the same error
	}
	for i := range blockSectors {
		id := dvd.ID(dvd.FirstPSN + b*blockSectors + int64(i))
		frame := r.frames[i*dvd.FrameSize:][:dvd.FrameSize]
		if dvd.BuildFrame(frame, id, [6]byte{}, r.data[i*sector.Size:][:sector.Size]) != nil {
			return 0
		}
	}
	if r.codec.Encode(r.block, r.frames) != nil {
		return 0
	}
	for i, f := range failed {
		spoil(r.block[i*dvd.RowSize:][:dvd.RowSize], f, newStream(uint64(damage), uint64(i)))
	}
	res, err := r.codec.Decode(r.block)
	if err != nil {
		return 0
	}
	var a attempt
	for i, v := range res.Sectors {
		if v != rs.Uncorrectable && r.right(i) {
			a |= 1 << i
		}
	}
	return a
}

// right tells whether a sector is the one that was recorded. A sector whose EDC
// holds by accident is not delivered: a drive would, the model does not lie.
func (r *coding) right(i int) bool {
	frame := r.frames[:dvd.FrameSize] // the frames were recorded, and are not needed any more
	if dvd.ReadFrame(frame, r.block, i) != nil {
		return false
	}
	return string(dvd.Main(frame)) == string(r.data[i*sector.Size:][:sector.Size])
}

// spoil makes wrong bytes in a row: up to 5 in one that held, so that the inner
// code corrects it. One that failed lay in the dark and is wrong from end to end;
// were it wrong in some bytes only, the outer code could find these by itself where
// a few rows too many have failed, and blocks would come that counting gives up.
func spoil(row []byte, failed bool, u stream) {
	left := u.bits(0) % (dvd.RowErrors + 1)
	if failed {
		left = uint64(len(row))
	}
	var wrong [dvd.RowSize]bool
	for i := uint64(1); left > 0; i++ {
		word := u.bits(i)
		at, by := int(word>>8)%len(row), byte(word)
		if by != 0 && !wrong[at] {
			row[at] ^= by
			wrong[at] = true
			left--
		}
	}
}
