package sim

import (
	"strings"
	"testing"
)

// fullDisc is a disc of 143,656 blocks with 1,000 marks.
const fullDisc = `"disc": {"kind": "dvd", "sectors": 2298496, "pitch_um": 0.739}, "wear": [{"count": 1000, "seed": 3,
	"region_mm": [24, 58], "length_mm": {"min": 5, "mean": 20},
	"width_mm": {"median": 0.1, "sigma": 0.4}, "depth_um": {"median": 16, "sigma": 0.5}}]`

var fullText = []byte(strings.Replace(testDisc, disc0, fullDisc, 1))

// From the scenario's text to a disc that can be read.
func BenchmarkPrepare(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		s, err := Parse(fullText)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := New(s); err != nil {
			b.Fatal(err)
		}
	}
}

// All blocks' chances for one drive.
func BenchmarkAllChances(b *testing.B) {
	s, err := Parse(fullText)
	if err != nil {
		b.Fatal(err)
	}
	d, err := New(s)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		var c []Chance
		for n := range s.Blocks() {
			c = d.AppendChances(c[:0], 0, n)
		}
	}
}

// A whole pass over it, in order of address, block by block.
func BenchmarkPass(b *testing.B) {
	s, err := Parse(fullText)
	if err != nil {
		b.Fatal(err)
	}
	d, err := New(s)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		v := open(b, d, Opening{})
		for n := range s.Blocks() {
			if _, c := v.ask(block(n)); c.Outcome == LongSilent {
				if err := v.Reopen(b.Context()); err != nil {
					b.Fatal(err)
				}
			}
		}
	}
}
