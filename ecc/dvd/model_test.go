package dvd

import (
	"bytes"
	"testing"

	"turnstone/ecc/rs"
)

// TestModel holds Decode against a slow one that takes the steps of the package's
// comment one by one, on blocks with damage of every degree.
func TestModel(t *testing.T) {
	c := NewCodec()
	sound := testBlock(t, c, 10)
	seen := make(map[bool]int)
	for seed := range uint64(150) {
		r := rng(seed)
		block := bytes.Clone(sound)
		wrecks := r.IntN(24)
		for range wrecks {
			hurtRow(r, block, r.IntN(Rows), 1+r.IntN(RowSize))
		}
		for range r.IntN(400) {
			block[r.IntN(BlockSize)] ^= byte(r.IntN(256))
		}
		if r.IntN(3) == 0 {
			n := r.IntN(3000)
			hurtBurst(r, block, r.IntN(BlockSize-n), n)
		}
		want := bytes.Clone(block)
		slowDecode(t, want)
		res := mustDecode(t, c, block, sound)
		if !bytes.Equal(block, want) {
			t.Fatalf("seed %d: Decode leaves another block than the slow decoder; %+v", seed, res)
		}
		seen[res.Readable() == Sectors]++
	}
	if seen[true] < 20 || seen[false] < 20 {
		t.Errorf("blocks that came out whole or not: %v; want many of both", seen)
	}
}

// slowDecode corrects a block by rows and columns gathered one by one.
func slowDecode(t *testing.T, block []byte) {
	t.Helper()
	inner, outer := innerCode.NewDecoder(), outerCode.NewDecoder()
	weak := make(map[int]bool)
	var failed []int
	rows := func() {
		failed = nil
		for i := range Rows {
			res, err := inner.Decode(block[rowAt(i):][:RowSize], nil)
			if err != nil {
				t.Fatal(err)
			}
			if res.Verdict == rs.Uncorrectable {
				failed = append(failed, i)
			}
			if res.Verdict != rs.Clean {
				weak[i] = len(res.At) == 5
			}
		}
	}
	columns := func(erased []int) (left int, changed bool) {
		for col := range RowSize {
			var word [Rows]byte
			for i := range word {
				word[i] = block[rowAt(i)+col]
			}
			res, err := outer.Decode(word[:], erased)
			if err != nil {
				t.Fatal(err)
			}
			if res.Verdict == rs.Uncorrectable {
				left++
			}
			for _, i := range res.At {
				block[rowAt(i)+col], changed = word[i], true
			}
		}
		return left, changed
	}
	rows()
	for range maxRounds {
		if len(failed) > 16 {
			if _, changed := columns(nil); !changed {
				return
			}
			rows()
			continue
		}
		erased := append([]int(nil), failed...)
		for i := range Rows {
			frame := make([]byte, FrameSize)
			if weak[i] && i < 192 {
				if err := ReadFrame(frame, block, i/12); err != nil {
					t.Fatal(err)
				}
			}
			if weak[i] && (i >= 192 || slowEDC(frame) != 0) {
				erased = append(erased, i)
			}
		}
		left, changed := columns(failed)
		if left > 0 && len(erased) > len(failed) && len(erased) <= 16 {
			_, more := columns(erased)
			changed = changed || more
		}
		if !changed {
			return
		}
		rows()
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte{}, false)
	f.Add([]byte{0, 10, 182, 5, 0, 90, 7, 9}, false)
	f.Add(bytes.Repeat([]byte{0x55, 3, 200, 1}, 30), false)
	f.Add([]byte("any bytes make a block of some kind"), true)
	c := NewCodec()
	sound := make([]byte, BlockSize)
	if err := c.Encode(sound, vectorFrames(f)); err != nil {
		f.Fatal(err)
	}
	// Each four bytes of dirt are a run of wrong bytes: its row, its place in it,
	// its length in steps of 8, what is added. Or the dirt repeated is the block.
	f.Fuzz(func(t *testing.T, dirt []byte, raw bool) {
		block := bytes.Clone(sound)
		if raw && len(dirt) > 0 {
			for i := range block {
				block[i] = dirt[i%len(dirt)]
			}
			res, err := c.Decode(block)
			if err != nil {
				t.Fatal(err)
			}
			checkVerdicts(t, block, res)
			return
		}
		for ; len(dirt) >= 4; dirt = dirt[4:] {
			at := (int(dirt[0])*RowSize + int(dirt[1])) % BlockSize
			for i := at; i < min(BlockSize, at+8*int(dirt[2])); i++ {
				block[i] ^= dirt[3] + byte(i*i)
			}
		}
		want := bytes.Clone(block)
		slowDecode(t, want)
		res := mustDecode(t, c, block, sound)
		checkVerdicts(t, block, res)
		if !bytes.Equal(block, want) {
			t.Errorf("Decode leaves another block than the slow decoder; %+v", res)
		}
	})
}

// checkVerdicts holds the verdicts against the sectors' EDCs, bit by bit.
func checkVerdicts(t *testing.T, block []byte, res Result) {
	t.Helper()
	frame := make([]byte, FrameSize)
	for s, v := range res.Sectors {
		if err := ReadFrame(frame, block, s); err != nil {
			t.Fatal(err)
		}
		if right := slowEDC(frame) == 0; right != (v != rs.Uncorrectable) {
			t.Errorf("sector %d is called %v; its EDC is right: %v", s, v, right)
		}
	}
}
