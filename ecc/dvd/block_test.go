package dvd

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"slices"
	"testing"
)

// vectorFrames is the block whose sums two programs agreed on: sector numbers
// from 030000h, byte i of frame f being i + f, CPR_MAI zero.
func vectorFrames(t testing.TB) []byte {
	frames, main := make([]byte, Sectors*FrameSize), make([]byte, MainSize)
	for f := range Sectors {
		for i := range main {
			main[i] = byte(i + f)
		}
		if err := BuildFrame(frames[f*FrameSize:][:FrameSize], FirstPSN+ID(f), [6]byte{}, main); err != nil {
			t.Fatal(err)
		}
	}
	return frames
}

// inCodeOrder is a block as the code's matrix, row after row.
func inCodeOrder(block []byte) []byte {
	var out []byte
	for i := range Rows {
		out = append(out, block[RecordedRow(i)*RowSize:][:RowSize]...)
	}
	return out
}

func TestBlockVectors(t *testing.T) {
	frames := vectorFrames(t)
	scrambled := bytes.Clone(frames)
	for f := range Sectors {
		scramble(scrambled[f*FrameSize:][:FrameSize])
	}
	block := make([]byte, BlockSize)
	if err := NewCodec().Encode(block, frames); err != nil {
		t.Fatal(err)
	}
	for _, v := range []struct {
		name string
		data []byte
		want string
	}{
		{"data frames", frames, "363c422fe66dfe907a1104b62a273c6530dbe5416f601ff7c95c02c3aa7d5f3b"},
		{"scrambled frames", scrambled, "fc2761199da76a2bbf91e25db527c2d74c9eadb6aaafb98d63971cd053c236a7"},
		{"block in the code's order", inCodeOrder(block), "926bfe0fb17420a60a76ff99a3da25054bca38c70f35a94f44a4e7e78ef1e8e9"},
		{"block as recorded", block, "0aad5c0f932b3d30da7086eec9924624113932095962f9fa295e682ad157bfa2"},
	} {
		if sum := sha256.Sum256(v.data); hex.EncodeToString(sum[:]) != v.want {
			t.Errorf("SHA-256 of the %s = %x; want %s", v.name, sum, v.want)
		}
	}
	if got, want := block[dataSize:RowSize], fromHex(t, "073e41638386ca4b7cd2"); !bytes.Equal(got, want) {
		t.Errorf("PI of row 0 = %x; want %x", got, want)
	}
}

func TestRecordedRows(t *testing.T) {
	// Frames by the rule as it is told: twelve rows of data, then one of PO.
	var order []int
	for f := range 16 {
		for r := range 12 {
			order = append(order, 12*f+r)
		}
		order = append(order, 192+f)
	}
	for at, i := range order {
		if got := RecordedRow(i); got != at {
			t.Errorf("RecordedRow(%d) = %d; want %d", i, got, at)
		}
	}
}

// TestOrderOfTheCodesMakesNoDifference: PO over PI's columns is PI of PO's rows.
func TestOrderOfTheCodesMakesNoDifference(t *testing.T) {
	m := inCodeOrder(testBlock(t, NewCodec(), 1))
	for i := range Rows {
		if word := m[i*RowSize:][:RowSize]; !innerCode.Check(word) {
			t.Errorf("row %d is no code word of PI", i)
		}
	}
	for col := range RowSize {
		word := make([]byte, Rows)
		for i := range word {
			word[i] = m[i*RowSize+col]
		}
		if !outerCode.Check(word) {
			t.Errorf("column %d is no code word of PO", col)
		}
	}
}

func TestReadFrameGivesBackWhatWasEncoded(t *testing.T) {
	c, frame := NewCodec(), make([]byte, FrameSize)
	for seed := range uint64(16) { // all presets
		frames, block := testFrames(t, FirstPSN+uint32(seed)*16, seed), testBlock(t, c, seed)
		for s := range Sectors {
			if err := ReadFrame(frame, block, s); err != nil || !bytes.Equal(frame, frames[s*FrameSize:][:FrameSize]) {
				t.Errorf("ReadFrame(block %d, %d) = %v, another frame than was encoded", seed, s, err)
			}
		}
	}
}

// TestVerifySeesEveryByte makes bytes of a block wrong, alone: some in each row and
// in each column.
func TestVerifySeesEveryByte(t *testing.T) {
	c := NewCodec()
	block := testBlock(t, c, 2)
	if ok, err := c.Verify(block); !ok || err != nil {
		t.Fatalf("Verify = %v, %v; want true", ok, err)
	}
	for p := 0; p < len(block); p += 11 { // 11 shares no factor with 182
		block[p] ^= 0x40
		if ok, err := c.Verify(block); ok || err != nil {
			t.Fatalf("Verify with byte %d wrong = %v, %v; want false", p, ok, err)
		}
		block[p] ^= 0x40
	}
}

// TestVerifySeesWhatOnlyOneCheckSees builds blocks in which all is right but one
// kind of check.
func TestVerifySeesWhatOnlyOneCheckSees(t *testing.T) {
	c, block := NewCodec(), make([]byte, BlockSize)
	for name, spoil := range map[string]func(frames []byte){
		"EDC": func(f []byte) { f[5*FrameSize+edcAt] ^= 1 },
		"IED": func(f []byte) {
			f[5*FrameSize+idSize] ^= 1
			sum := EDC(f[5*FrameSize:][:edcAt])
			for i := range edcSize {
				f[5*FrameSize+edcAt+i] = byte(sum >> (24 - 8*i))
			}
		},
	} {
		frames := testFrames(t, FirstPSN, 3)
		spoil(frames)
		if err := c.Encode(block, frames); err != nil {
			t.Fatal(err)
		}
		if ok, err := c.Verify(block); ok || err != nil {
			t.Errorf("Verify with one %s wrong in the encoded frames = %v, %v; want false", name, ok, err)
		}
	}
	// All rows right, the columns not: one row taken from another block.
	block, other := testBlock(t, c, 4), testBlock(t, c, 5)
	copy(block[RecordedRow(200)*RowSize:][:RowSize], other[RecordedRow(200)*RowSize:])
	if ok, err := c.Verify(block); ok || err != nil {
		t.Errorf("Verify with a row of another block = %v, %v; want false", ok, err)
	}
	// All columns right, the rows not: in one column, another code word of PO.
	block = testBlock(t, c, 4)
	word := make([]byte, Rows)
	word[7] = 1
	if err := outerCode.Encode(word); err != nil {
		t.Fatal(err)
	}
	for i, b := range word {
		block[rowAt(i)+dataSize+1] ^= b // in PI, where no EDC sees it
	}
	if ok, err := c.Verify(block); ok || err != nil {
		t.Errorf("Verify with a column of another block = %v, %v; want false", ok, err)
	}
}

func TestBlocksOfWrongLength(t *testing.T) {
	c := NewCodec()
	frames, block := make([]byte, Sectors*FrameSize), make([]byte, BlockSize)
	for _, n := range []int{0, 1, 182, 32768, 33024, BlockSize - 1, BlockSize + 1, 2 * BlockSize} {
		bad := make([]byte, n)
		was := bytes.Clone(bad)
		_, decode := c.Decode(bad)
		ok, verify := c.Verify(bad)
		for name, err := range map[string]error{
			"Encode": c.Encode(bad, frames), "Decode": decode, "Verify": verify,
			"ReadFrame": ReadFrame(frames[:FrameSize], bad, 0),
		} {
			if !errors.Is(err, ErrLength) || ok || !bytes.Equal(bad, was) {
				t.Errorf("%s of a block of %d bytes = %v; want ErrLength, unchanged", name, n, err)
			}
		}
		if n != len(frames) {
			if err := c.Encode(block, bad); !errors.Is(err, ErrLength) {
				t.Errorf("Encode of %d bytes of frames = %v; want ErrLength", n, err)
			}
		}
	}
	if err := ReadFrame(frames[:FrameSize-1], block, 0); !errors.Is(err, ErrLength) {
		t.Errorf("ReadFrame into a short frame = %v; want ErrLength", err)
	}
	for _, s := range []int{-1, 16, 1 << 40} {
		if err := ReadFrame(frames[:FrameSize], block, s); !errors.Is(err, ErrSector) {
			t.Errorf("ReadFrame of sector %d = %v; want ErrSector", s, err)
		}
	}
}

func TestNothingIsAllocated(t *testing.T) {
	c, frames := NewCodec(), testFrames(t, FirstPSN, 6)
	block, r := make([]byte, BlockSize), rng(1)
	rows := r.Perm(Rows)[:10]
	if n := testing.AllocsPerRun(5, func() {
		if err := c.Encode(block, frames); err != nil {
			t.Fatal(err)
		}
		for _, row := range rows {
			for i := range RowSize {
				block[row*RowSize+i] ^= byte(i*7 + row)
			}
		}
		if res, err := c.Decode(block); err != nil || res.Readable() != Sectors {
			t.Fatal(res, err)
		}
		if ok, err := c.Verify(block); !ok || err != nil {
			t.Fatal(ok, err)
		}
	}); n != 0 {
		t.Errorf("%v allocations a block; want none", n)
	}
}

// TestPriceOfTheCode recomputes what the package's comment says.
func TestPriceOfTheCode(t *testing.T) {
	const codes = BlockSize - Sectors*FrameSize
	if share := 100 * float64(codes) / BlockSize; codes != 4832 || share < 12.755 || share > 12.765 {
		t.Errorf("PI and PO = %d bytes, %.3f %% of a block; want 4832, 12.76 %%", codes, share)
	}
	// 26 SYNC frames of 32 channel bits of SYNC code and 91 bytes of 16.
	const onDisc = 26 * (32 + 91*16) / 16
	if share := 100 * float64(onDisc-MainSize) / onDisc; onDisc != 2418 || share < 15.25 || share > 15.35 {
		t.Errorf("a sector takes the room of %d bytes, %.2f %% of them not the user's; want 2418, 15.3 %%", onDisc, share)
	}
	if got := []int{RowErrors, ColumnErrors, ColumnErasures, BlindBurst, LongestBurst, KnownBurst}; !slices.Equal(got,
		[]int{5, 8, 16, 1456, 2741, 2912}) {
		t.Errorf("limits = %v; want 5 8 16 1456 2741 2912", got)
	}
}
