package dvd

import (
	"encoding/binary"
	"encoding/hex"
	"math/rand/v2"
	"testing"
)

// All data in this package's tests is invented: counting bytes, and random ones
// that are the same at every run.

func rng(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0xD0D)) }

// testFrames is 16 frames, their sector numbers beginning at psn, of random data.
func testFrames(t testing.TB, psn uint32, seed uint64) []byte {
	t.Helper()
	r, frames := rng(seed), make([]byte, Sectors*FrameSize)
	var main [MainSize]byte
	var cpr [6]byte
	for s := range Sectors {
		for i := 0; i < MainSize; i += 4 {
			binary.LittleEndian.PutUint32(main[i:], r.Uint32())
		}
		cpr[0] = byte(s)
		if err := BuildFrame(frames[s*FrameSize:][:FrameSize], ID(psn)+ID(s), cpr, main[:]); err != nil {
			t.Fatal(err)
		}
	}
	return frames
}

// testBlock is a block of such frames.
func testBlock(t testing.TB, c *Codec, seed uint64) []byte {
	t.Helper()
	block := make([]byte, BlockSize)
	if err := c.Encode(block, testFrames(t, FirstPSN+uint32(seed)*Sectors, seed)); err != nil {
		t.Fatal(err)
	}
	return block
}

// hurtRow makes count different bytes of a recorded row wrong.
func hurtRow(r *rand.Rand, block []byte, row, count int) {
	for _, p := range r.Perm(RowSize)[:count] {
		block[row*RowSize+p] ^= byte(1 + r.IntN(255))
	}
}

// hurtBurst makes all of a run of bytes wrong.
func hurtBurst(r *rand.Rand, block []byte, at, length int) {
	for i := at; i < at+length; i++ {
		block[i] ^= byte(1 + r.IntN(255))
	}
}

func fromHex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
