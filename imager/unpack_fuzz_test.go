package imager

import (
	"bytes"
	"testing"

	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/imager/pack"
	"turnstone/mapfile"
)

// FuzzUnpack has somebody pack what nobody honest would: sectors of any pass, in any order,
// with any data, beside a map that may say otherwise. Whatever that is, what was good in
// the case stays as it is, nothing becomes good that the file's own map does not vouch for,
// and the image stays as long as the disc.
func FuzzUnpack(f *testing.F) {
	const n = 128
	f.Add([]byte{0, 0, 0, 40, 0}, []byte{3, 7})
	f.Add([]byte{0, 0, 90, 9, 0, 1, 0, 5, 1, 1, 0, 1, 20, 30, 2, 0, 9, 1, 1, 7}, []byte{})
	f.Fuzz(func(t *testing.T, ops, odd []byte) {
		if len(ops) > 100 || len(odd) > 3 {
			return
		}
		var own []sector.LBA
		for _, a := range odd {
			own = append(own, sector.LBA(a%n))
		}
		b := newStation(t, "b", n, []sector.Range{span(100, 9)}, own)
		values, err := mapfile.Values(b.mapPath)
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		all := sector.Of(span(0, n))
		w, err := pack.NewWriter(&out, pack.Head{}, values, pack.List{Image: all, Others: all})
		if err != nil {
			t.Fatal(err)
		}
		for len(ops) >= 5 {
			add, pass := w.Sectors, int(ops[1]%3)
			if ops[0]%2 == 1 {
				add = w.Others
			}
			r := span(sector.LBA(ops[2]%n), int64(ops[3]%n)+1).Intersect(span(0, n))
			data := make([]byte, r.Bytes())
			copy(data, b.image[r.First.Offset():r.End.Offset()])
			if ops[4]%4 > 0 {
				data[int(ops[4])%len(data)] ^= 1
			}
			if err := add(pass, r, data); err != nil {
				t.Fatal(err)
			}
			ops = ops[5:]
		}
		if _, err := w.Close(); err != nil {
			t.Fatal(err)
		}
		// So few in common are not compared: another disc can not be told.
		a := newStation(t, "a", n, []sector.Range{span(63, n-63)}, nil)
		src, err := NewPassSource("a.pass", bytes.NewReader(out.Bytes()))
		if err != nil {
			return // ranges that go back make a label that can't be
		}
		defer src.Close()
		if _, err := a.c.Merge(t.Context(), merging(src)); err != nil {
			t.Fatal(err)
		}
		a.close(a.c) // good is what the map's sums say, the rest reads as zeros
		want := make([]byte, sector.Size)
		for at := range sector.LBA(n) {
			got := a.image[at.Offset():][:sector.Size]
			switch devicetest.Pattern(at, want); {
			case at < 63 && !bytes.Equal(got, want):
				t.Fatalf("sector %d, good before, is another", at)
			case at >= 63 && a.c.m.State(at) == mapfile.Good:
				theirs, _, ok := b.c.m.Sum(at)
				if sum, _, _ := a.c.m.Sum(at); !ok || sum != theirs {
					t.Fatalf("sector %d became good with the checksum %08x; the other case has %08x, %v", at, sum, theirs, ok)
				}
			}
		}
		if len(a.image) != n*sector.Size {
			t.Fatalf("the image has %d bytes", len(a.image))
		}
	})
}
