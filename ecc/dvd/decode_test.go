package dvd

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"turnstone/ecc/rs"
)

// mustDecode decodes, and holds whatever comes out against the block as it was
// before the damage: a sector that is called readable is right to the byte, an
// uncorrectable one is not.
func mustDecode(t *testing.T, c *Codec, hurt, sound []byte) Result {
	t.Helper()
	res, err := c.Decode(hurt)
	if err != nil {
		t.Fatal(err)
	}
	got, want := make([]byte, FrameSize), make([]byte, FrameSize)
	for s, v := range res.Sectors {
		if err := ReadFrame(got, hurt, s); err != nil {
			t.Fatal(err)
		}
		if err := ReadFrame(want, sound, s); err != nil {
			t.Fatal(err)
		}
		if right := bytes.Equal(got, want); right != (v != rs.Uncorrectable) {
			t.Fatalf("sector %d is called %v; its frame is right: %v", s, v, right)
		}
	}
	return res
}

func TestDecodeLeavesASoundBlockAlone(t *testing.T) {
	c := NewCodec()
	sound := testBlock(t, c, 1)
	block := bytes.Clone(sound)
	res := mustDecode(t, c, block, sound)
	want := Result{}
	for s := range want.Sectors {
		want.Sectors[s] = rs.Clean
	}
	if res != want || !bytes.Equal(block, sound) {
		t.Errorf("Decode = %+v, changed: %v; want %+v", res, !bytes.Equal(block, sound), want)
	}
}

// TestVerdictOfEachSector: what is wrong in a sector's rows, and there alone,
// makes it a corrected one.
func TestVerdictOfEachSector(t *testing.T) {
	c, r := NewCodec(), rng(1)
	sound := testBlock(t, c, 1)
	block := bytes.Clone(sound)
	hurtRow(r, block, 13*3+4, 5)    // sector 3, as much as PI bears
	hurtRow(r, block, 13*7, 150)    // sector 7, more
	hurtRow(r, block, 13*9+12, 150) // the PO row behind sector 9
	hurtRow(r, block, 13*11+12, 1)  // and the one behind sector 11
	res := mustDecode(t, c, block, sound)
	for s, v := range res.Sectors {
		want := rs.Clean
		if s == 3 || s == 7 {
			want = rs.Corrected
		}
		if v != want {
			t.Errorf("sector %d = %v; want %v", s, v, want)
		}
	}
	if res.RowsWrong != 4 || res.RowsFailed != 2 || res.RowsLeft != 0 || res.Readable() != Sectors {
		t.Errorf("Decode = %+v, %d readable; want 4 rows wrong, 2 failed, none left, 16 readable", res, res.Readable())
	}
	if !bytes.Equal(block, sound) {
		t.Error("the block isn't what it was")
	}
}

// TestRowsUpToTheLimit: 16 failed rows of 208 are borne wherever they lie, with 5
// wrong bytes in each other row. 17 are not, and then the sectors whose 12 rows
// all held are readable.
func TestRowsUpToTheLimit(t *testing.T) {
	c := NewCodec()
	sound := testBlock(t, c, 2)
	for seed := range uint64(20) {
		r := rng(seed)
		order := r.Perm(Rows)
		for _, failed := range []int{1, 8, 9, 15, 16, 17, 18, 40, 208} {
			block := bytes.Clone(sound)
			for i, row := range order {
				switch {
				case i < failed && failed <= ColumnErasures:
					hurtRow(r, block, row, RowErrors+1+r.IntN(RowSize-RowErrors))
				case i < failed: // wholly, or columns that see few errors come out
					hurtRow(r, block, row, RowSize)
				case failed < 15: // beside more, see TestMistakenRows
					hurtRow(r, block, row, RowErrors)
				}
			}
			res := mustDecode(t, c, block, sound)
			if failed <= ColumnErasures {
				if res.Readable() != Sectors || res.RowsLeft != 0 || !bytes.Equal(block, sound) {
					t.Fatalf("seed %d, %d rows failed: %+v; want all corrected", seed, failed, res)
				}
				continue
			}
			var lost [Sectors]bool
			for _, row := range order[:failed] {
				if row%recordedRows < frameRows {
					lost[row/recordedRows] = true
				}
			}
			for s, v := range res.Sectors {
				if (v == rs.Uncorrectable) != lost[s] {
					t.Fatalf("seed %d, %d rows failed: sector %d is %v; a row of it failed: %v", seed, failed, s, v, lost[s])
				}
			}
			// Where PI has mistaken a row, 17 wrecks can pass for a sound block with
			// 16 rows to restore: all rows are code words then.
			if res.RowsLeft == 0 && res.RowsFailed > ColumnErasures {
				t.Errorf("seed %d, %d rows failed: none left; want some", seed, failed)
			}
		}
	}
}

// TestManyRowsWithFewErrors: more rows fail than PO restores, but its columns see
// few errors each, so that it finds them by itself.
func TestManyRowsWithFewErrors(t *testing.T) {
	c, r := NewCodec(), rng(5)
	sound := testBlock(t, c, 3)
	block := bytes.Clone(sound)
	for row := range 40 {
		hurtRow(r, block, row, 6)
	}
	if res := mustDecode(t, c, block, sound); res.RowsFailed < 39 || res.Readable() != Sectors {
		t.Errorf("Decode = %+v; want about 40 rows failed and all sectors readable", res)
	}
}

// replaced turns a row of a block into another code word of PI.
func replaced(t *testing.T, r *rand.Rand, block []byte, row int) {
	t.Helper()
	word := block[row*RowSize:][:RowSize]
	for i := range dataSize {
		word[i] ^= byte(1 + r.IntN(255))
	}
	if err := innerCode.Encode(word); err != nil {
		t.Fatal(err)
	}
}

// mistaken turns it into one that PI takes for another code word, as it takes one
// wreck in 700.
func mistaken(t *testing.T, r *rand.Rand, block []byte, row int) {
	t.Helper()
	replaced(t, r, block, row)
	hurtRow(r, block, row, RowErrors)
}

// TestMistakenRows: with up to 16 rows wrecked in all, one or two of which PI
// mistakes, the block comes out. With 15 others it takes the suspicion against
// those rows.
func TestMistakenRows(t *testing.T) {
	c := NewCodec()
	sound := testBlock(t, c, 4)
	for wrecks := range 17 {
		for wrong := range min(3, wrecks+1) {
			r := rng(uint64(wrecks))
			block := bytes.Clone(sound)
			for i, row := range r.Perm(Rows)[:wrecks] {
				if i < wrong {
					mistaken(t, r, block, row)
				} else {
					hurtRow(r, block, row, 170)
				}
			}
			res := mustDecode(t, c, block, sound)
			if res.Readable() != Sectors || res.RowsLeft != 0 || !bytes.Equal(block, sound) {
				t.Errorf("%d rows wrecked, %d of them mistaken: %+v; want all corrected", wrecks, wrong, res)
			}
		}
	}
}

// TestSuspects: which rows are suspected if 15 have failed and one is mistaken,
// so that one erasure more must hit it: no row with less than 5 bytes corrected,
// and PO's rows too.
func TestSuspects(t *testing.T) {
	c := NewCodec()
	sound := testBlock(t, c, 4)
	for _, v := range []struct{ mistaken, beside int }{
		{13 * 8, 13*8 + 1}, {13*8 + 12, 13*9 + 12}, {13*8 + 12, 13 * 8}, {13*8 + 2, 13*8 + 12},
	} {
		r := rng(1)
		block := bytes.Clone(sound)
		for row := range 15 {
			hurtRow(r, block, row, 170)
		}
		mistaken(t, r, block, v.mistaken)
		hurtRow(r, block, v.beside, RowErrors-1)
		if res := mustDecode(t, c, block, sound); res.Readable() != Sectors || !bytes.Equal(block, sound) {
			t.Errorf("recorded row %d mistaken, 4 bytes wrong in row %d: %+v; want all corrected", v.mistaken, v.beside, res)
		}
	}
}

// TestSuspicionSparesSoundSectors: rows corrected at PI's limit in a sector whose
// EDC is right are no suspects, however badly the columns come out.
func TestSuspicionSparesSoundSectors(t *testing.T) {
	c, r := NewCodec(), rng(6)
	sound := testBlock(t, c, 5)
	block := bytes.Clone(sound)
	for row := range 12 { // all of sector 0 fails
		hurtRow(r, block, row, 170)
	}
	for row := 20; row < 23; row++ { // three rows of sector 1 pass for right: PO can't bear that
		replaced(t, r, block, row)
	}
	for s := 5; s < 9; s++ { // as many rows at the limit as could still be erased
		hurtRow(r, block, recordedRows*s+2, RowErrors)
	}
	res := mustDecode(t, c, block, sound)
	for s, v := range res.Sectors {
		want := rs.Clean
		switch {
		case s < 2:
			want = rs.Uncorrectable
		case s >= 5 && s < 9:
			want = rs.Corrected
		}
		if v != want {
			t.Errorf("sector %d = %v; want %v", s, v, want)
		}
	}
}

// TestCaughtByTheEDC: a block whose rows and columns are all right and one frame
// of which is not. No code sees that, its EDC does.
func TestCaughtByTheEDC(t *testing.T) {
	c := NewCodec()
	frames := testFrames(t, FirstPSN, 7)
	frames[6*FrameSize+1000] ^= 1
	block := make([]byte, BlockSize)
	if err := c.Encode(block, frames); err != nil {
		t.Fatal(err)
	}
	res, err := c.Decode(block)
	if err != nil || res.Sectors[6] != rs.Uncorrectable || res.Readable() != Sectors-1 || res.RowsLeft != 0 {
		t.Errorf("Decode = %+v, %v; want sector 6 alone uncorrectable, no row left", res, err)
	}
}

// TestZerosAreNoSector: rows of zeros are code words of both codes, and a frame of
// zeros has the right IED. The scrambled EDC tells that it is none.
func TestZerosAreNoSector(t *testing.T) {
	c, block := NewCodec(), make([]byte, BlockSize)
	if ok, err := c.Verify(block); ok || err != nil {
		t.Errorf("Verify of zeros = %v, %v; want false", ok, err)
	}
	if res, err := c.Decode(block); err != nil || res.Readable() != 0 || res.RowsWrong != 0 {
		t.Errorf("Decode of zeros = %+v, %v; want no row wrong and no sector readable", res, err)
	}
}

// TestBursts tries the limits that the constants tell, and the first byte beyond.
func TestBursts(t *testing.T) {
	c, r := NewCodec(), rng(8)
	sound, block := testBlock(t, c, 6), make([]byte, BlockSize)
	decode := func(at, length int) Result {
		copy(block, sound)
		hurtBurst(r, block, at, length)
		return mustDecode(t, c, block, sound)
	}
	for at := range RowSize { // every place in a row, all over the block, both ends
		start := at + RowSize*r.IntN(Rows-ColumnErasures-1)
		switch at {
		case 0:
			start = 0
		case 1:
			start = BlockSize - LongestBurst
		}
		if res := decode(start, LongestBurst); res.Readable() != Sectors {
			t.Errorf("a burst of %d bytes at %d: %+v; want all corrected", LongestBurst, start, res)
		}
	}
	// One byte more, so laid that six bytes reach into the rows at both ends.
	for row := 0; row < Rows-ColumnErasures-1; row += 30 {
		res := decode(row*RowSize+RowSize-RowErrors-1, LongestBurst+1)
		if res.Readable() == Sectors {
			t.Errorf("a burst of %d bytes in row %d: all corrected; want a loss", LongestBurst+1, row)
		}
	}
	// At the best place the burst may be longer: 16 rows and 5 bytes on both sides.
	best := KnownBurst + 2*RowErrors
	if res := decode(30*RowSize-RowErrors, best); res.Readable() != Sectors {
		t.Errorf("a burst of %d bytes at the best place: %+v; want all corrected", best, res)
	}
	if res := decode(30*RowSize-RowErrors-1, best+2); res.Readable() == Sectors {
		t.Errorf("a burst of %d bytes at the best place: all corrected; want a loss", best+2)
	}
}

// TestBurstsOfTheOuterCode tries what PO can do alone: blind, and with each byte
// known to be wrong.
func TestBurstsOfTheOuterCode(t *testing.T) {
	sound := testBlock(t, NewCodec(), 9)
	dec := outerCode.NewDecoder()
	for _, v := range []struct {
		length int
		known  bool
		want   bool
	}{
		{BlindBurst, false, true}, {BlindBurst + 1, false, false},
		{KnownBurst, true, true}, {KnownBurst + 1, true, false},
	} {
		for at := 0; at < 3*RowSize; at += 41 {
			block := bytes.Clone(sound)
			hurtBurst(rng(1), block, at, v.length)
			all := true
			for col := range RowSize {
				var word, was [Rows]byte
				var erased []int
				for i := range word {
					word[i], was[i] = block[rowAt(i)+col], sound[rowAt(i)+col]
					if v.known && word[i] != was[i] {
						erased = append(erased, i)
					}
				}
				if _, err := dec.Decode(word[:], erased); err != nil {
					t.Fatal(err)
				}
				all = all && word == was
			}
			if all != v.want {
				t.Fatalf("a burst of %d bytes at %d, known %v: corrected %v; want %v", v.length, at, v.known, all, v.want)
			}
		}
	}
}
