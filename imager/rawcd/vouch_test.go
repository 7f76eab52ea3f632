package rawcd

import (
	"bytes"
	"testing"

	"turnstone/device/sector"
	"turnstone/ecc/cd"
)

// headedAs is a reading of a sector with the header of another address; no pointer tells it.
func headedAs(t *testing.T, s []byte, at sector.LBA, wrong ...int) Reading {
	t.Helper()
	r := spoilt(s)
	h, ok := header(at)
	if !ok {
		t.Fatalf("no header has the address %d", at)
	}
	copy(r.Data, h[:])
	for _, i := range wrong {
		r.Data[i] ^= 0x5A
	}
	return r
}

// A header says on mode 2 which sector it is, and no code covers it. What stands by it must
// be worth it.
func TestHeaderThatDeceives(t *testing.T) {
	const at, other = 257, 247
	for _, k := range []cd.Kind{cd.Mode1, cd.Form1, cd.Form2} {
		own, theirs := sectorOf(t, k, at, 1), sectorOf(t, cd.Form1, other, 2)
		silent := func(r Reading, wrong ...int) Reading {
			r.Data = bytes.Clone(r.Data)
			for _, i := range wrong {
				r.Data[i] ^= 0x33
			}
			return r
		}
		seam := func(from int) Reading {
			r := spoilt(own)
			copy(r.Data[from:], theirs[from:])
			return r
		}
		plain := func(r Reading) Reading { r.C2 = nil; return r }
		few := headedAs(t, theirs, at)
		for _, i := range span(1000, 1300) {
			few.C2[i/8] |= 0x80 >> (i % 8)
		}
		for _, test := range []struct {
			name     string
			readings []Reading
			want     []byte
		}{
			// The campaign found this: of sector 247, given instead of 257 by a drive without
			// pointers, nine bytes were wrong. P and Q mended eight; the ninth was the
			// header's, 32h for 22h.
			{"another sector, nine bytes wrong", []Reading{plain(headedAs(t, theirs, at, 400, 401, 700, 900, 1200, 1500, 1900, 2200))}, nil},
			{"another sector, its header and one byte wrong", []Reading{headedAs(t, theirs, at, 900)}, nil},
			{"and beside it ours, past mending", []Reading{spoilt(own, span(24, 2300)...), headedAs(t, theirs, at, 900)}, nil},
			{"the same twice", []Reading{headedAs(t, theirs, at, 900), headedAs(t, theirs, at, 900)}, nil},
			{"without pointers", []Reading{plain(headedAs(t, theirs, at, 900, 1200))}, nil},
			{"with pointers to more than half, all of it right", []Reading{few}, nil},
			{"our header in front of another sector", []Reading{seam(40)}, nil},
			{"and twice", []Reading{seam(40), seam(36)}, nil},
			{"ours, whole", []Reading{spoilt(own)}, own},
			{"ours, and another one's end", []Reading{spoilt(own), seam(1200)}, own},
		} {
			for _, r := range test.readings {
				r.Clean(at, nil)
			}
			var c Combiner
			if out := c.Combine(at, test.readings); !bytes.Equal(out.Sector, test.want) {
				t.Errorf("%v asked for, %s: a sector came %v, of ours %v; want %v", k, test.name, out.Sector != nil, bytes.Equal(out.Sector, own), test.want != nil)
			}
		}
		if k == cd.Form2 {
			continue // no parity, so nothing that mends silent bytes
		}
		// Ours with silent bytes: on mode 2 a second reading that has others has to say so.
		for _, test := range []struct {
			name     string
			readings []Reading
			want     bool
		}{
			{"once", []Reading{silent(spoilt(own), 900)}, k == cd.Mode1},
			{"twice the same", []Reading{silent(spoilt(own), 900), silent(spoilt(own), 900)}, k == cd.Mode1},
			{"twice", []Reading{silent(spoilt(own), 900), silent(spoilt(own), 1300, 1400)}, true},
			{"once, told", []Reading{spoilt(own, 900)}, true},
			{"twice, right behind the header", []Reading{silent(spoilt(own), 30), silent(spoilt(own), 31)}, k == cd.Mode1},
		} {
			var c Combiner
			if out := c.Combine(at, test.readings); (out.Sector != nil) != test.want || test.want && !bytes.Equal(out.Sector, own) {
				t.Errorf("%v with wrong bytes %s: a sector came %v; want %v", k, test.name, out.Sector != nil, test.want)
			}
		}
	}
}

// What a reading stands by, against a count byte by byte.
func TestStandsBy(t *testing.T) {
	s := sectorOf(t, cd.Form1, 5, 1)
	r := spoilt(s, 16, 17, 100, 2351)
	r.Data[18] ^= 1
	r.Data[2343] ^= 1
	for _, from := range []int{0, 16, 96, 2344} {
		for _, to := range []int{16, 80, 104, cd.Size} {
			n, wrong := 0, 0
			for i := from; i < to; i++ {
				if !r.pointed(i) {
					n++
					if r.Data[i] != s[i] {
						wrong++
					}
				}
			}
			if gn, gw := r.standsBy(s, from, to); gn != n || gw != wrong {
				t.Errorf("standsBy(%d, %d) = %d, %d; want %d, %d", from, to, gn, gw, n, wrong)
			}
		}
	}
}

// Of a sector of form 2 no parity shows that a vote has gone wrong. What the campaign found
// (seed 4,000,000, trial 3,691,256): of three readings whose pointers lay two agreed in one
// wrong byte, a second one was wrong 128 bytes on, and the two together are a code word of
// the EDC.
func TestVoteThatTheEDCTakes(t *testing.T) {
	const at, first, second = 293, 2126, 2254
	own := sectorOf(t, cd.Form2, at, 1)
	reading := func(silent ...int) Reading {
		r := spoilt(own)
		for _, i := range silent {
			r.Data[i] ^= byte(i) | 1
		}
		return r
	}
	lied := func(r Reading, i int, wrong byte) Reading {
		r.Data[i] = own[i] ^ wrong
		return r
	}
	found := func(silent []int, wrong byte) Reading {
		return lied(lied(reading(silent...), first, 0x90), second, wrong)
	}
	deceived := bytes.Clone(own)
	deceived[first] ^= 0x90
	deceived[second] ^= 0x65
	if v, err := cd.Verify(deceived, cd.Form2); err != nil || v != cd.Clean {
		t.Fatalf("Verify of both bytes wrong = %v, %v; want clean: the EDC can't tell", v, err)
	}
	var c Combiner
	for _, test := range []struct {
		name     string
		readings []Reading
		want     []byte
	}{
		{"as it was found", []Reading{lied(reading(), second, 0x65), found(span(100, 500), 0x02), found(span(600, 1100), 0x49)}, nil},
		{"and a few wrong", []Reading{lied(reading(), second, 0x65), found(span(100, 120), 0x02), found(span(600, 620), 0x49)}, nil},
		{"two with a few wrong", []Reading{reading(200, 900), reading(1500), reading(2000, 2200)}, own},
		{"without pointers", []Reading{{Data: reading(200, 900).Data}, {Data: reading(1500).Data}, {Data: reading(2000, 2200).Data}}, own},
		{"one whole, the others not", []Reading{reading(span(600, 1100)...), reading(), reading(span(100, 500)...)}, own},
	} {
		for _, r := range test.readings {
			r.Clean(at, nil)
		}
		if out := c.Combine(at, test.readings); !bytes.Equal(out.Sector, test.want) {
			t.Errorf("%s: a sector came %v, the disc's %v; want %v", test.name, out.Sector != nil, bytes.Equal(out.Sector, own), test.want != nil)
		}
	}
}
