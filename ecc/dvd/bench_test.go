package dvd

import (
	"fmt"
	"hash/crc32"
	"testing"

	"turnstone/ecc/rs"
)

// Throughput is bytes of user data wherever a block is concerned: 32 KiB a block.
const blockMain = Sectors * MainSize

func BenchmarkEDC(b *testing.B) {
	p := make([]byte, FrameSize)
	b.SetBytes(FrameSize)
	for b.Loop() {
		if EDC(p) != 0 {
			b.Fatal("EDC of zeros isn't zero")
		}
	}
}

// BenchmarkCRC32C is the map's checksum of good sectors, for comparison: the
// standard library's.
func BenchmarkCRC32C(b *testing.B) {
	table, p := crc32.MakeTable(crc32.Castagnoli), make([]byte, blockMain)
	b.SetBytes(blockMain)
	for b.Loop() {
		if crc32.Checksum(p, table) == 0 {
			b.Fatal("CRC-32C of zeros is zero")
		}
	}
}

// BenchmarkEncode is all that a block takes: frames with IED and EDC, then codes.
func BenchmarkEncode(b *testing.B) {
	c, frames, block := NewCodec(), testFrames(b, FirstPSN, 1), make([]byte, BlockSize)
	b.SetBytes(blockMain)
	b.ReportAllocs()
	for b.Loop() {
		for s := range Sectors {
			f := frames[s*FrameSize:][:FrameSize]
			if err := BuildFrame(f, FirstPSN+ID(s), [6]byte{}, Main(f)); err != nil {
				b.Fatal(err)
			}
		}
		if err := c.Encode(block, frames); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkVerify(b *testing.B) {
	c := NewCodec()
	block := testBlock(b, c, 1)
	b.SetBytes(blockMain)
	b.ReportAllocs()
	for b.Loop() {
		if ok, err := c.Verify(block); !ok || err != nil {
			b.Fatal(ok, err)
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	run := func(name string, hurt func(block []byte), want rs.Verdict) {
		b.Run(name, func(b *testing.B) {
			c := NewCodec()
			sound := testBlock(b, c, 1)
			dirty := append([]byte(nil), sound...)
			hurt(dirty)
			block := make([]byte, BlockSize)
			b.SetBytes(blockMain)
			b.ReportAllocs()
			for b.Loop() {
				copy(block, dirty)
				if res, err := c.Decode(block); err != nil || res.Sectors[0] != want {
					b.Fatal(res, err)
				}
			}
		})
	}
	r := rng(2)
	run("damage=none", func([]byte) {}, rs.Clean)
	for _, n := range []int{1, 3, 5} {
		run(fmt.Sprintf("wrong=%d-in-every-row", n), func(block []byte) {
			for row := range Rows {
				hurtRow(r, block, row, n)
			}
		}, rs.Corrected)
	}
	run("failed=16-rows", func(block []byte) { hurtBurst(r, block, 0, KnownBurst) }, rs.Corrected)
	run("failed=all-rows", func(block []byte) { hurtBurst(r, block, 0, BlockSize) }, rs.Uncorrectable)
}
