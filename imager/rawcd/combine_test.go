package rawcd

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
)

// sectorOf is a whole raw sector with content from a seed.
func sectorOf(t testing.TB, k cd.Kind, at sector.LBA, seed uint64) []byte {
	t.Helper()
	s := make([]byte, cd.Size)
	user, err := cd.UserData(s, k)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range user {
		user[i] = byte(r.Uint32())
	}
	if k != cd.Mode1 {
		copy(s[16:20], []byte{1, 2, 8, 0})
	}
	if err := cd.Encode(s, k, int64(at)); err != nil {
		t.Fatal(err)
	}
	return s
}

// spoilt is a reading of a sector with wrong bytes, with pointers to them.
func spoilt(s []byte, at ...int) Reading {
	r := Reading{Data: bytes.Clone(s), C2: make([]byte, device.C2Size)}
	for i, a := range at {
		r.Data[a] ^= byte(0x51 + i%0xA0)
		r.C2[a/8] |= 0x80 >> (a % 8)
	}
	return r
}

// span is neighbouring places.
func span(from, n int) (all []int) {
	for i := range n {
		all = append(all, from+i)
	}
	return all
}

func TestCombine(t *testing.T) {
	const at = 4321
	for _, k := range []cd.Kind{cd.Mode1, cd.Form1, cd.Form2} {
		s := sectorOf(t, k, at, 7)
		for _, test := range []struct {
			name     string
			readings []Reading
			want     bool
		}{
			{"none", nil, false},
			{"a clean one", []Reading{spoilt(s)}, true},
			{"a wrong half each, told", []Reading{spoilt(s, span(100, 1000)...), spoilt(s, span(1100, 1200)...)}, true},
			{"the same half twice", []Reading{spoilt(s, span(100, 1000)...), spoilt(s, span(100, 1000)...)}, false},
			{"three without pointers, each wrong elsewhere", []Reading{
				{Data: spoilt(s, span(100, 600)...).Data}, {Data: spoilt(s, span(700, 600)...).Data}, {Data: spoilt(s, span(1300, 600)...).Data}}, true},
			{"too short", []Reading{{Data: s[:2000]}}, false},
		} {
			var c Combiner
			out := c.Combine(at, test.readings)
			if got := out.Sector != nil; got != test.want {
				t.Errorf("%v, %s: a sector came = %v; want %v", k, test.name, got, test.want)
			} else if got && (!bytes.Equal(out.Sector, s) || out.Kind != k || !out.Proven) {
				t.Errorf("%v, %s: the sector is another one, or %v, or not proven", k, test.name, out.Kind)
			}
		}
		// The sector's own parity mends what all readings lack, where there is some.
		var c Combiner
		both := append(span(100, 1000), 1500, 1600)
		out := c.Combine(at, []Reading{spoilt(s, both...), spoilt(s, append(span(1100, 300), 1500, 1600)...)})
		if k == cd.Form2 {
			if out.Sector != nil {
				t.Errorf("%v without parity came from readings that lack the same bytes", k)
			}
		} else if !bytes.Equal(out.Sector, s) || out.Corrected == 0 {
			t.Errorf("%v: two bytes that both readings lack: corrected %d, right %v; want them corrected", k, out.Corrected, bytes.Equal(out.Sector, s))
		}
	}
}

// The header has to be that of the sector asked for.
func TestAnotherAddress(t *testing.T) {
	for _, k := range []cd.Kind{cd.Mode1, cd.Form1, cd.Form2} {
		s := sectorOf(t, k, 500, 3)
		r := spoilt(s)
		if u, a := r.Clean(501, nil); u != Elsewhere || a != 500 {
			t.Errorf("%v: Clean(the sector before) = %v, %d; want %v, 500", k, u, a, Elsewhere)
		}
		// Its header can't be read: nothing says that it is another one, and still it is
		// not taken.
		r = spoilt(s, 12, 13, 14, 15)
		if u, _ := r.Clean(501, nil); u != Usable {
			t.Errorf("%v: Clean(a sector without a header) = %v; want %v", k, u, Usable)
		}
		var c Combiner
		mine := sectorOf(t, k, 501, 9)
		for _, readings := range [][]Reading{{r}, {r, r}, {spoilt(mine, span(16, 2300)...), r}} {
			if out := c.Combine(501, readings); out.Sector != nil {
				t.Errorf("%v: %d readings of another sector made one; want none", k, len(readings))
			}
		}
	}
}

func TestClean(t *testing.T) {
	const at = 77
	s := sectorOf(t, cd.Mode1, at, 1)
	on := bytes.Clone(s)
	if err := cd.Scramble(on); err != nil {
		t.Fatal(err)
	}
	r := Reading{Data: on}
	if u, _ := r.Clean(at, nil); u != Scrambled || !bytes.Equal(r.Data, s) {
		t.Errorf("Clean(a scrambled sector) = %v, scrambling off: %v; want %v, true", u, bytes.Equal(r.Data, s), Scrambled)
	}
	// Without its header: by what is zero in a sector of mode 1.
	r = spoilt(s, 12, 13, 14, 15)
	_ = cd.Scramble(r.Data)
	if u, _ := r.Clean(at, nil); u != Scrambled {
		t.Errorf("Clean(a scrambled sector without a header) = %v; want %v", u, Scrambled)
	}
	for _, b := range []byte{0, 0xFF} {
		r = Reading{Data: bytes.Repeat([]byte{b}, cd.Size)}
		if u, _ := r.Clean(at, nil); u != Zeros {
			t.Errorf("Clean(%02Xh over and over) = %v; want %v", b, u, Zeros)
		}
	}
	bad := spoilt(s, span(100, 300)...)
	if u, _ := spoilt(s, span(100, 300)...).Clean(at, []Reading{bad}); u != Repeated {
		t.Errorf("Clean(the same bad reading) = %v; want %v", u, Repeated)
	}
	if u, _ := spoilt(s).Clean(at, []Reading{spoilt(s)}); u != Usable {
		t.Errorf("Clean(the same good reading) = %v; want %v", u, Usable)
	}
}

// Form 2 without an EDC counts as read when it came without doubt, twice or by a drive
// whose pointers say so; never as proven.
func TestFormTwoWithoutEDC(t *testing.T) {
	const at = 9
	s := sectorOf(t, cd.Form2, at, 4)
	clear(s[2348:])
	var c Combiner
	for _, test := range []struct {
		name     string
		readings []Reading
		want     bool
	}{
		{"once, no pointers", []Reading{{Data: s}}, false},
		{"twice, no pointers", []Reading{{Data: s}, {Data: bytes.Clone(s)}}, true},
		{"once, no pointer set", []Reading{spoilt(s)}, true},
		{"two halves", []Reading{spoilt(s, span(100, 50)...), spoilt(s, span(200, 50)...)}, false},
	} {
		out := c.Combine(at, test.readings)
		if got := out.Sector != nil; got != test.want || out.Proven {
			t.Errorf("%s: came %v, proven %v; want %v, false", test.name, got, out.Proven, test.want)
		}
	}
}

// Sound is none of our sectors.
func TestSound(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	b := make([]byte, cd.Size)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	var c Combiner
	if out := c.Combine(100, []Reading{{Data: b}, {Data: bytes.Clone(b)}}); out.Sector != nil {
		t.Errorf("sound made a sector of %v; want none", out.Kind)
	}
}

// The vote byte by byte, against one that is done by hand.
func TestVote(t *testing.T) {
	flag := func(v byte, doubtful bool) Reading {
		r := Reading{Data: bytes.Repeat([]byte{v}, cd.Size), C2: make([]byte, device.C2Size)}
		if doubtful {
			for i := range r.C2 {
				r.C2[i] = 0xFF
			}
		}
		return r
	}
	plain := func(v byte) Reading { return Reading{Data: bytes.Repeat([]byte{v}, cd.Size)} }
	for i, test := range []struct {
		readings []Reading
		v        byte
		sure     bool
	}{
		{[]Reading{flag(1, false)}, 1, true},
		{[]Reading{flag(1, true)}, 1, false},
		{[]Reading{flag(1, true), flag(1, true)}, 1, true},
		{[]Reading{flag(1, true), flag(2, true)}, 1, false},
		{[]Reading{flag(1, false), flag(2, true), flag(2, true)}, 1, true},
		{[]Reading{flag(1, false), flag(2, false)}, 1, false},
		{[]Reading{plain(1)}, 1, true},
		{[]Reading{plain(1), plain(2)}, 1, false},
		{[]Reading{plain(1), plain(2), plain(2)}, 2, true},
		{[]Reading{plain(1), plain(1), flag(2, false)}, 2, true},
	} {
		if v, sure := voteByte(test.readings, 1000); v != test.v || sure != test.sure {
			t.Errorf("vote %d = %d, %v; want %d, %v", i, v, sure, test.v, test.sure)
		}
	}
}

// Eight bytes at a time come to the same as one by one.
func TestVoteIsBytewise(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	d := newDamaged(t, r, 30)
	for range 2000 {
		i := r.IntN(30)
		var readings []Reading
		for range 1 + r.IntN(8) {
			readings = append(readings, d.reading(i))
		}
		var c Combiner
		doubt := c.vote(readings)
		n := 0
		for at := range cd.Size {
			v, sure := voteByte(readings, at)
			if !sure {
				n++
			}
			if c.voted[at] != v || (c.doubt[at/8]<<(at%8)&0x80 != 0) == sure {
				t.Fatalf("byte %d of %d readings = %d, in doubt %v; want %d, %v", at, len(readings), c.voted[at],
					c.doubt[at/8]<<(at%8)&0x80 != 0, v, !sure)
			}
		}
		if n != doubt {
			t.Fatalf("vote() = %d in doubt; want %d", doubt, n)
		}
	}
}

func TestHabits(t *testing.T) {
	s := sectorOf(t, cd.Mode1, 5, 1)
	all := spoilt(s)
	for i := range all.C2 {
		all.C2[i] = 0xFF
	}
	silent := spoilt(s, span(100, 50)...)
	clear(silent.C2)
	for _, test := range []struct {
		name string
		r    Reading
		u    Use
		want string
	}{
		{"always set", all, Usable, "its C2 pointers are always set: they say nothing"},
		{"never set", silent, Usable, "its C2 pointers are never set, not even for wrong bytes: they say nothing"},
		{"scrambled", spoilt(s), Scrambled, "it leaves the scrambling on raw sectors"},
		{"zeros", spoilt(s), Zeros, "it gives zeros for what it can't read: 4 of 4 raw sectors so far"},
		{"elsewhere", spoilt(s), Elsewhere, "it gives other sectors than it was asked for: 4 of 4 raw sectors so far"},
		{"repeated", spoilt(s, 1), Repeated, "it gives the same bad reading again instead of another one: 4 of 4 raw sectors so far"},
		{"stale", spoilt(s, 1), Usable, "it gives what it read before instead of what it was asked for: 4 of 5 raw sectors so far"},
		{"nothing", spoilt(s, 1), Usable, ""},
	} {
		var h Habits
		for i := range 4 {
			at := sector.LBA(5)
			if test.name == "stale" {
				at += sector.LBA(i)
			}
			h.Note(at, test.r, test.u)
			h.Proven(s, []Reading{test.r})
		}
		if test.name == "stale" {
			h.Note(100, test.r, test.u)
		}
		got := h.News()
		if again := h.News(); len(again) > 0 {
			t.Errorf("%s: News() once more = %q; want nothing", test.name, again)
		}
		if test.want == "" && len(got) > 0 || test.want != "" && (len(got) != 1 || got[0] != test.want) {
			t.Errorf("%s: %q; want %q", test.name, got, test.want)
		}
	}
}

func FuzzCombine(f *testing.F) {
	s := sectorOf(f, cd.Mode1, 100, 1)
	f.Add(s, []byte{}, uint8(1))
	f.Add(sectorOf(f, cd.Form2, 100, 2), make([]byte, device.C2Size), uint8(2))
	f.Fuzz(func(t *testing.T, data, c2 []byte, mode uint8) {
		r := Reading{Data: bytes.Clone(data), C2: c2, Mode: mode}
		if len(c2) == 0 {
			r.C2 = nil
		}
		if !r.Valid() {
			return
		}
		r.Clean(100, nil)
		var c Combiner
		out := c.Combine(100, []Reading{r, r})
		if out.Sector == nil {
			return
		}
		if k, a, err := cd.Detect(out.Sector); err != nil || a != 100 || k != out.Kind {
			t.Errorf("Combine() = a sector of %v, address %d, %v; want %v of 100", k, a, err, out.Kind)
		}
	})
}

// Repair as the program does it, in bytes of raw sectors a second: of one reading whose
// parity mends it, and of five that have to be put together.
func BenchmarkCombine(b *testing.B) {
	for _, k := range []cd.Kind{cd.Mode1, cd.Form1} {
		s := sectorOf(b, k, 100, 1)
		one := []Reading{spoilt(s, 20, 400, 401, 900, 1500, 1501, 1502, 2000)}
		var five []Reading
		for i := range 5 {
			five = append(five, spoilt(s, append(span(100+400*i, 300), 30, 1000)...))
		}
		for name, readings := range map[string][]Reading{"one": one, "five": five} {
			b.Run(k.String()+"/"+name, func(b *testing.B) {
				var c Combiner
				b.SetBytes(cd.Size)
				for b.Loop() {
					if out := c.Combine(100, readings); out.Sector == nil {
						b.Fatal("no sector")
					}
				}
			})
		}
	}
}
