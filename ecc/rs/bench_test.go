package rs

import (
	"fmt"
	"testing"
)

// The codes that the discs use, by their numbers.
var benchCodes = []struct{ n, k int }{{182, 172}, {208, 192}, {255, 223}}

func BenchmarkCode(b *testing.B) {
	for _, n := range benchCodes {
		c := mustNew(b, n.n, n.k, 0)
		word := randomWord(rng(1), c)
		name := fmt.Sprintf("n=%d/k=%d/", n.n, n.k)
		b.Run(name+"encode", func(b *testing.B) {
			b.SetBytes(int64(n.n))
			for b.Loop() {
				if err := c.Encode(word); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(name+"check", func(b *testing.B) {
			b.SetBytes(int64(n.n))
			for b.Loop() {
				if !c.Check(word) {
					b.Fatal("not a code word")
				}
			}
		})
		for _, errs := range []int{1, 3, (n.n - n.k) / 2} {
			b.Run(fmt.Sprintf("%sdecode/errors=%d", name, errs), func(b *testing.B) {
				d := c.NewDecoder()
				b.SetBytes(int64(n.n))
				b.ReportAllocs()
				for b.Loop() {
					for i := range errs {
						word[(17+i*41)%n.n] ^= byte(i + 1)
					}
					if res, err := d.Decode(word, nil); err != nil || len(res.At) != errs {
						b.Fatal(res, err)
					}
				}
			})
		}
	}
}

func BenchmarkColumns(b *testing.B) {
	c := mustNew(b, 208, 192, 0)
	const width = 182
	m := make([]byte, 208*width)
	rng(2).fill(m)
	x := mustColumns(b, c, width)
	if err := x.Encode(m); err != nil {
		b.Fatal(err)
	}
	b.Run("check", func(b *testing.B) {
		b.SetBytes(int64(len(m)))
		for b.Loop() {
			if ok, err := x.Check(m); !ok || err != nil {
				b.Fatal(ok, err)
			}
		}
	})
	b.Run("decode/erased=16", func(b *testing.B) {
		erased := make([]int, 16)
		for i := range erased {
			erased[i] = 20 + 3*i
		}
		b.SetBytes(int64(len(m)))
		b.ReportAllocs()
		for b.Loop() {
			for _, r := range erased {
				for col := range width {
					m[r*width+col] ^= 0x55
				}
			}
			if res, err := x.Decode(m, erased); err != nil || res.Corrected != width {
				b.Fatal(res, err)
			}
		}
	})
}
