package cd

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"
)

// damage spoils the bytes of a sector that are named, each by a random error.
func damage(rng *rand.Rand, sector []byte, at ...int) []byte {
	s := bytes.Clone(sector)
	for _, i := range at {
		s[i] ^= byte(1 + rng.IntN(255))
	}
	return s
}

func span(first, n int) (at []int) {
	for i := range n {
		at = append(at, first+i)
	}
	return at
}

// pointers marks bytes as a drive's C2 pointers do.
func pointers(at ...int) []byte {
	c2 := make([]byte, C2Size)
	for _, i := range at {
		c2[i/8] |= 0x80 >> (i % 8)
	}
	return c2
}

// All single errors, and bursts at every place: P has 86 words side by side, so
// up to 86 bytes in a row are one error a word.
func TestBursts(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 7))
	for _, k := range []Kind{Mode1, Form1} {
		sector := random(t, rng, k, 7)
		first := 0
		if k == Form1 {
			first = 16 // the header is covered by nothing
		}
		for _, n := range []int{1, 20, 86} {
			for at := first; at+n <= Size; at++ {
				s := damage(rng, sector, span(at, n)...)
				res, err := Repair(s, k, nil)
				if err != nil || res != (Result{Repaired, n}) || !bytes.Equal(s, sector) {
					t.Fatalf("%v, %d bytes wrong from %d: Repair = %+v, %v; want all repaired", k, n, at, res, err)
				}
			}
		}
	}
}

// With pointers two errors a word are mended: 172 bytes in a row, wherever they
// lie in the words of P. More rows than two are too many for P, and leave each
// diagonal of Q three or four erasures.
func TestBurstsWithPointers(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 7))
	sector := random(t, rng, Mode1, 8)
	for at := 12; at+172 <= 12+matrix; at += 7 {
		where := span(at, 172)
		s := damage(rng, sector, where...)
		if res, err := Repair(bytes.Clone(s), Mode1, pointers(where...)); err != nil || res != (Result{Repaired, 172}) {
			t.Fatalf("172 bytes wrong from %d, pointed at: Repair = %+v, %v; want repaired", at, res, err)
		}
		kept := bytes.Clone(s)
		if res, err := Repair(s, Mode1, nil); err != nil || res.Verdict == Repaired && !bytes.Equal(s, sector) ||
			res.Verdict != Repaired && !bytes.Equal(s, kept) {
			t.Fatalf("172 bytes wrong from %d, no pointers: Repair = %+v, %v and other bytes", at, res, err)
		}
	}
	where := span(400, 86*6)
	s := damage(rng, sector, where...)
	kept := bytes.Clone(s)
	if res, err := Repair(s, Mode1, pointers(where...)); err != nil || res.Verdict != Damaged || !bytes.Equal(s, kept) {
		t.Errorf("six rows wrong: Repair = %+v, %v; want damaged, unchanged", res, err)
	}
}

// Errors that P can't mend alone and Q can, and the other way round: several in
// one column, several on one diagonal, and a grid that only both together mend.
func TestPatterns(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 7))
	sector := random(t, rng, Mode1, 9)
	grid := func(columns, rows []int) (at []int) {
		for _, r := range rows {
			for _, c := range columns {
				at = append(at, 12+86*r+c)
			}
		}
		return at
	}
	for _, c := range []struct {
		name string
		at   []int
	}{
		{"a whole column of P", slowWord(false, 17, 1)},
		{"a whole diagonal of Q", slowWord(true, 5, 0)},
		{"two columns of P", append(slowWord(false, 3, 0), slowWord(false, 9, 1)...)},
		{"two diagonals of Q", append(slowWord(true, 3, 0), slowWord(true, 19, 1)...)},
		{"two by two", grid([]int{10, 30}, []int{2, 3})},
		{"a triangle that neither starts on", grid([]int{10, 30, 50}, []int{2, 9})},
		{"all of Q's checks", span(2248, 104)},
		{"all of P's checks", span(2076, 172)},
		{"P's and Q's checks", span(2076, 276)},
		{"sync, header and a burst", append(span(0, 16), span(700, 40)...)},
		{"EDC and zeros", span(2064, 12)},
	} {
		// A word with many errors holds by chance once in 65,536, and then tells the
		// words that cross it that all is well. It comes up 45 times a diagonal.
		failed := 0
		for range 100 {
			s := damage(rng, sector, c.at...)
			kept := bytes.Clone(s)
			res, err := Repair(s, Mode1, nil)
			switch {
			case err == nil && res == (Result{Repaired, len(c.at)}) && bytes.Equal(s, sector):
			case err == nil && res == (Result{Damaged, 0}) && bytes.Equal(s, kept):
				failed++
			default:
				t.Fatalf("%s (%d bytes): Repair = %+v, %v and other bytes", c.name, len(c.at), res, err)
			}
		}
		if failed > 3 {
			t.Errorf("%s (%d bytes): %d of 100 left damaged; want at most 3", c.name, len(c.at), failed)
		}
	}
}

// Pointers that point wrong must not cost what can be mended without them, and
// right ones among many needless ones must help.
func TestWrongPointers(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 7))
	for _, k := range []Kind{Mode1, Form1} {
		sector := random(t, rng, k, 10)
		wrong := span(900, 20)
		all := bytes.Repeat([]byte{0xFF}, C2Size)
		for name, c2 := range map[string][]byte{
			"elsewhere": pointers(span(300, 300)...),
			"all":       all,
			"none":      make([]byte, C2Size),
			"half":      pointers(span(890, 20)...),
		} {
			s := damage(rng, sector, wrong...)
			if res, err := Repair(s, k, c2); err != nil || res.Verdict != Repaired || !bytes.Equal(s, sector) {
				t.Errorf("%v, pointers %s: Repair = %+v, %v; want repaired", k, name, res, err)
			}
		}
	}
	sector := random(t, rng, Mode1, 10)
	wrong := []int{100, 186, 500, 586, 1000, 1086}
	s := damage(rng, sector, wrong...)
	c2 := pointers(append(wrong, 2000, 2001, 2002, 1500, 64)...)
	if res, err := Repair(s, Mode1, c2); err != nil || res.Verdict != Repaired || !bytes.Equal(s, sector) {
		t.Errorf("needless pointers: Repair = %+v, %v; want repaired", res, err)
	}
}

// A model beside the mender: whatever Repair calls repaired is the sector that
// was encoded, whatever it calls damaged is as it came, for errors from few to
// hopeless. Few errors are always mended.
func TestRandomErrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 7))
	mended := map[int]int{}
	const each = 60
	for _, k := range []Kind{Mode1, Form1} {
		sector := random(t, rng, k, 11)
		for _, n := range []int{1, 2, 5, 10, 30, 60, 100, 200, 400} {
			for range each {
				at := rng.Perm(Size - 16)[:n]
				for i := range at {
					at[i] += 16
				}
				s := damage(rng, sector, at...)
				kept := bytes.Clone(s)
				var c2 []byte
				if rng.IntN(2) == 0 {
					c2 = pointers(at...)
				}
				res, err := Repair(s, k, c2)
				switch {
				case err != nil:
					t.Fatalf("%v, %d errors: Repair: %v", k, n, err)
				case res.Verdict == Repaired && res.Changed == n && bytes.Equal(s, sector):
					mended[n]++
				case res.Verdict != Damaged || res.Changed != 0 || !bytes.Equal(s, kept):
					t.Fatalf("%v, %d errors: Repair = %+v and other bytes", k, n, res)
				}
			}
		}
	}
	for n, want := range map[int]int{1: 2 * each, 2: 2 * each, 5: 2 * each, 10: 2 * each, 30: 2 * each * 9 / 10} {
		if mended[n] < want {
			t.Errorf("%d random errors: %d of %d sectors mended; want %d", n, mended[n], 2*each, want)
		}
	}
	if mended[400] == 2*each {
		t.Error("400 random errors are always mended; the test damages nothing")
	}
	t.Logf("of %d sectors each: %v mended", 2*each, fmt.Sprint(mended))
}

func TestVerify(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 7))
	for _, k := range kinds {
		sector := random(t, rng, k, 12)
		clean := Clean
		if k == Formless {
			clean = Unproven
		}
		if v, err := Verify(sector, k); v != clean || err != nil {
			t.Errorf("%v: Verify = %v, %v; want %v", k, v, err, clean)
		}
		// Each single bit that something covers.
		for bit := range 8 * Size {
			at := bit / 8
			covered := at < headerAt || k == Mode1 || k != Formless && at >= userAt
			if !covered {
				continue
			}
			sector[at] ^= 1 << (bit % 8)
			if v, err := Verify(sector, k); v != Damaged || err != nil {
				t.Fatalf("%v with bit %d of byte %d wrong: Verify = %v, %v; want damaged", k, bit%8, at, v, err)
			}
			sector[at] ^= 1 << (bit % 8)
		}
	}
}

func TestTakenForAnotherKind(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for _, made := range []Kind{Mode1, Form1, Form2} {
		sector := random(t, rng, made, 13)
		for _, asked := range []Kind{Mode1, Form1, Form2} {
			if asked == made {
				continue
			}
			s := bytes.Clone(sector)
			v, err := Verify(s, asked)
			res, err2 := Repair(s, asked, nil)
			if v != Damaged || res.Verdict != Damaged || err != nil || err2 != nil || !bytes.Equal(s, sector) {
				t.Errorf("%v taken for %v: %v, %v, %v, %v; want damaged, unchanged", made, asked, v, res, err, err2)
			}
		}
	}
}

// What proves nothing: zeros, a form 2 without EDC.
func TestNoProof(t *testing.T) {
	for _, k := range kinds {
		zeros := make([]byte, Size)
		if v, err := Verify(zeros, k); v != Damaged || err != nil {
			t.Errorf("zeros as %v: Verify = %v, %v; want damaged", k, v, err)
		}
		if res, err := Repair(zeros, k, nil); res.Verdict != Damaged || err != nil || len(bytes.TrimLeft(zeros, "\x00")) != 0 {
			t.Errorf("zeros as %v: Repair = %+v, %v; want damaged, unchanged", k, res, err)
		}
		// A right header before them makes a sector of zeros of form 1.
		if k == Mode1 {
			continue
		}
		if err := SetAddress(zeros, k, 5); err != nil {
			t.Fatal(err)
		}
		if v, err := Verify(zeros, k); v != Damaged || err != nil {
			t.Errorf("zeros behind a header as %v: Verify = %v, %v; want damaged", k, v, err)
		}
	}
	sector := random(t, rand.New(rand.NewPCG(8, 7)), Form2, 14)
	clear(sector[2348:])
	if v, err := Verify(sector, Form2); v != Unproven || err != nil {
		t.Errorf("form 2 without EDC: Verify = %v, %v; want unproven", v, err)
	}
	if res, err := Repair(sector, Form2, nil); res != (Result{Verdict: Unproven}) || err != nil {
		t.Errorf("form 2 without EDC: Repair = %+v, %v; want unproven", res, err)
	}
}

// On mode 2 the header is the caller's to mend.
func TestHeaderOfMode2(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 7))
	sector := random(t, rng, Form1, 15)
	s := damage(rng, sector, span(100, 30)...)
	clear(s[:16])
	if res, err := Repair(s, Form1, nil); res.Verdict != Damaged || err != nil {
		t.Errorf("no header: Repair = %+v, %v; want damaged", res, err)
	}
	if err := SetAddress(s, Form1, 15); err != nil {
		t.Fatal(err)
	}
	if res, err := Repair(s, Form1, nil); res.Verdict != Repaired || err != nil || !bytes.Equal(s, sector) {
		t.Errorf("header written: Repair = %+v, %v; want repaired", res, err)
	}
}

func FuzzRepair(f *testing.F) {
	rng := rand.New(rand.NewPCG(10, 7))
	for _, k := range kinds {
		sector := random(f, rng, k, 16)
		f.Add(sector, uint8(k), []byte(nil))
		f.Add(damage(rng, sector, span(800, 50)...), uint8(k), pointers(span(800, 50)...))
		f.Add(damage(rng, sector, rng.Perm(Size)[:150]...), uint8(k), make([]byte, C2Size))
	}
	f.Add([]byte{1, 2, 3}, uint8(9), []byte{1})
	f.Fuzz(func(t *testing.T, sector []byte, kind uint8, c2 []byte) {
		k := Kind(kind)
		kept := bytes.Clone(sector)
		res, err := Repair(sector, k, c2)
		if err == nil && res.Verdict == Repaired {
			if v, err := Verify(sector, k); v != Clean || err != nil {
				t.Fatalf("Repair = %+v, then Verify = %v, %v; want clean", res, v, err)
			}
			changed := 0
			for i := range sector {
				if sector[i] != kept[i] {
					changed++
				}
			}
			if changed != res.Changed || changed == 0 {
				t.Fatalf("Repair = %+v; %d bytes differ", res, changed)
			}
		} else if res.Changed != 0 || !bytes.Equal(sector, kept) {
			t.Fatalf("Repair = %+v, %v and changed the sector", res, err)
		}
		detected, lba, err := Detect(sector)
		if err == nil && (lba < -pregap || lba >= maxAddress || detected.String() == "") {
			t.Fatalf("Detect = %v, %d", detected, lba)
		}
		_ = k.String() + res.Verdict.String() // no panic for any number
		if err := Scramble(sector); (err == nil) != (len(sector) == Size) {
			t.Fatalf("Scramble of %d bytes = %v", len(sector), err)
		}
	})
}

// No sector may cost an allocation.
func TestNoAllocation(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 7))
	sector := random(t, rng, Mode1, 17)
	bad, c2, s := damage(rng, sector, span(500, 20)...), pointers(span(500, 20)...), make([]byte, Size)
	for name, f := range map[string]func(){
		"Verify":         func() { Verify(sector, Mode1) },
		"Encode":         func() { Encode(sector, Mode1, 17) },
		"Repair":         func() { copy(s, bad); Repair(s, Mode1, nil) },
		"Repair with C2": func() { copy(s, bad); Repair(s, Mode1, c2) },
		"Scramble":       func() { Scramble(s) },
		"Detect":         func() { Detect(sector) },
	} {
		if n := testing.AllocsPerRun(20, f); n != 0 {
			t.Errorf("%s allocates %v times; want 0", name, n)
		}
	}
}

func BenchmarkEDC(b *testing.B) {
	data := make([]byte, 2064)
	b.SetBytes(2064)
	for b.Loop() {
		EDC(data)
	}
}

func BenchmarkVerify(b *testing.B) {
	for _, k := range []Kind{Mode1, Form1, Form2} {
		b.Run(k.String(), func(b *testing.B) {
			sector := random(b, rand.New(rand.NewPCG(12, 7)), k, 18)
			b.SetBytes(Size)
			b.ReportAllocs()
			for b.Loop() {
				if v, _ := Verify(sector, k); v != Clean {
					b.Fatal(v)
				}
			}
		})
	}
}

func BenchmarkEncode(b *testing.B) {
	sector := make([]byte, Size)
	b.SetBytes(Size)
	b.ReportAllocs()
	for b.Loop() {
		if err := Encode(sector, Mode1, 18); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRepair(b *testing.B) {
	rng := rand.New(rand.NewPCG(13, 7))
	sector := random(b, rng, Mode1, 18)
	burst := span(1000, 20)
	scattered := rng.Perm(Size)[:60]
	for _, c := range []struct {
		name string
		bad  []byte
		c2   []byte
	}{
		{"burst 20", damage(rng, sector, burst...), nil},
		{"burst 20, C2", damage(rng, sector, burst...), pointers(burst...)},
		{"60 scattered", damage(rng, sector, scattered...), nil},
		{"hopeless", damage(rng, sector, span(200, 1200)...), nil},
	} {
		b.Run(c.name, func(b *testing.B) {
			s := make([]byte, Size)
			b.SetBytes(Size)
			b.ReportAllocs()
			for b.Loop() {
				copy(s, c.bad)
				if _, err := Repair(s, Mode1, c.c2); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A sector of mode 2 whose data and EDC are zero proves nothing, whatever its parity is:
// it may be what was left of a damaged one when everything else was taken for wrong.
func TestZeroDataProvesNothing(t *testing.T) {
	s := make([]byte, Size)
	if err := Encode(s, Form1, 100); err != nil {
		t.Fatal(err)
	}
	s[2350], s[2351] = 1, 2 // of Q's check symbols, in words of their own
	if v, err := Verify(s, Form1); err != nil || v != Damaged {
		t.Errorf("Verify(zeros with some parity) = %v, %v; want %v", v, err, Damaged)
	}
	if r, err := Repair(s, Form1, nil); err != nil || r.Verdict != Damaged {
		t.Errorf("Repair(zeros with some parity) = %v, %v; want %v", r.Verdict, err, Damaged)
	}
}
