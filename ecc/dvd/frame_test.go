package dvd

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"slices"
	"testing"
)

// slowEDC divides bit by bit.
func slowEDC(p []byte) (r uint32) {
	for _, b := range p {
		for i := 7; i >= 0; i-- {
			top := r>>31 ^ uint32(b>>i&1)
			r <<= 1
			if top == 1 {
				r ^= 1<<31 | 1<<4 | 1
			}
		}
	}
	return r
}

func TestEDCDividesByThePolynomial(t *testing.T) {
	r := rng(1)
	p := make([]byte, FrameSize)
	for i := range p {
		p[i] = byte(r.Uint32())
	}
	for n := range 80 { // around the sixteen bytes taken at once
		if got, want := EDC(p[n:2*n]), slowEDC(p[n:2*n]); got != want {
			t.Errorf("EDC of %d bytes = %08X; want %08X", n, got, want)
		}
	}
	for range 50 {
		q := p[r.IntN(FrameSize):]
		if got, want := EDC(q), slowEDC(q); got != want {
			t.Errorf("EDC of %d bytes = %08X; want %08X", len(q), got, want)
		}
	}
}

// The vectors of this file's tests were computed by two programs, written apart
// in two languages, that agreed. They rest on the same reading of the standard as
// the package.

func TestEDCVectors(t *testing.T) {
	frame := func(id ID, main func(i int) byte) []byte {
		f, m := make([]byte, FrameSize), make([]byte, MainSize)
		for i := range m {
			m[i] = main(i)
		}
		if err := BuildFrame(f, id, [6]byte{}, m); err != nil {
			t.Fatal(err)
		}
		return f
	}
	zeros := func(int) byte { return 0 }
	if got := EDC([]byte("123456789")); got != 0xB27CE117 {
		t.Errorf(`EDC("123456789") = %08X; want B27CE117`, got)
	}
	for _, v := range []struct {
		id   ID
		main func(int) byte
		want uint32
	}{
		{0x00030000, zeros, 0x02AEBAF1},
		{0x00030000, func(i int) byte { return byte(i) }, 0xB219C5AE},
		{0x00030001, zeros, 0x5C03541F},
		{0x00030010, zeros, 0xE8705477},
	} {
		f := frame(v.id, v.main)
		if got := binary.BigEndian.Uint32(f[FrameSize-4:]); got != v.want {
			t.Errorf("EDC of frame %08X = %08X; want %08X", v.id, got, v.want)
		}
	}
}

func TestIEDVectors(t *testing.T) {
	for _, v := range []struct {
		id   ID
		want [2]byte
	}{
		{0x00030000, [2]byte{0x11, 0x12}},
		{0x00030001, [2]byte{0x12, 0x10}},
		{0x01FCFFFF, [2]byte{0xB9, 0x44}},
	} {
		if got := v.id.IED(); got != v.want {
			t.Errorf("ID(%08X).IED() = %X; want %X", v.id, got, v.want)
		}
	}
}

func TestScramblerVectors(t *testing.T) {
	for preset, want := range map[uint16]string{
		0x0001: "01002204048898023042 68c9c8aa8405",
		0x5500: "000a0154282d55f015e2 9797ddd40128",
		0x0002: "0200440809113004",
		0x2A00: "001402a8505aabe0",
	} {
		bytesWant := fromHex(t, string(bytes.ReplaceAll([]byte(want), []byte(" "), nil)))
		got := masks[slices.Index(presets[:], preset)].stream[:len(bytesWant)]
		if !bytes.Equal(got, bytesWant) {
			t.Errorf("scrambler from %04X = %x; want %x", preset, got, bytesWant)
		}
	}
	sums := [16]uint32{
		0x224E32B9, 0x22714160, 0x4649CAB3, 0x4DADBCCA, 0x7B22B77A, 0x539BD4DB, 0xF291ED7F, 0x7BD34B3E,
		0x10F5A388, 0x125A2D55, 0xFA5EA33C, 0xBBF4CD02, 0xDB1E2BF5, 0xC83DDE17, 0xCD652A5B, 0xA8843F5D,
	}
	for i, want := range sums {
		if got := crc32.ChecksumIEEE(masks[i].stream[:]); got != want {
			t.Errorf("CRC-32 of the 2048 bytes of preset %X = %08X; want %08X", i, got, want)
		}
	}
}

// TestPresetsAreOneSequence: the register after a preset's 2048 bytes is the next
// preset. Sixteen numbers from memory that hang together so are hardly wrong.
func TestPresetsAreOneSequence(t *testing.T) {
	register := presets[0]
	for i := range presets {
		if presets[i] != register {
			t.Errorf("preset %X = %04X; the register is at %04X", i, presets[i], register)
		}
		for range MainSize * 8 {
			bit := (register>>14 ^ register>>10) & 1
			register = register<<1&0x7FFF | bit
		}
	}
	if register != 0x0100 {
		t.Errorf("register after the last preset = %04X; want 0100", register)
	}
}

func TestFrameFields(t *testing.T) {
	main := make([]byte, MainSize)
	for i := range main {
		main[i] = byte(i * 3)
	}
	id := ID(0xFCFFF5) | Layer1 | NotReadOnly | ZoneMiddle | LowReflectivity
	frame := make([]byte, FrameSize)
	if err := BuildFrame(frame, id, [6]byte{1, 2, 3, 4, 5, 6}, main); err != nil {
		t.Fatal(err)
	}
	if got, want := frame[:4], fromHex(t, "2ffcfff5"); !bytes.Equal(got, want) {
		t.Errorf("ID's bytes = %x; want %x", got, want)
	}
	if got := frame[6:12]; !bytes.Equal(got, []byte{1, 2, 3, 4, 5, 6}) {
		t.Errorf("CPR_MAI = %x; want 010203040506", got)
	}
	if !bytes.Equal(Main(frame), main) || !bytes.Equal(frame[12:2060], main) {
		t.Error("the main data isn't at bytes 12 to 2059")
	}
	if id.PSN() != 0xFCFFF5 || id.Layer() != 1 || id.Zone() != ZoneMiddle || id.preset() != 15 {
		t.Errorf("ID(%08X): PSN %X, layer %d, zone %X, preset %d; want FCFFF5, 1, C000000, 15",
			id, id.PSN(), id.Layer(), id.Zone(), id.preset())
	}
	// The main data may be the frame's own.
	again := bytes.Clone(frame)
	if err := BuildFrame(again, id, [6]byte{1, 2, 3, 4, 5, 6}, Main(again)); err != nil || !bytes.Equal(again, frame) {
		t.Errorf("BuildFrame in place = %v, changed the frame: %v", err, !bytes.Equal(again, frame))
	}
}

func TestCheckFrame(t *testing.T) {
	frame := testFrames(t, FirstPSN, 3)[:FrameSize]
	if id, ied, edc, err := CheckFrame(frame); id != FirstPSN || !ied || !edc || err != nil {
		t.Errorf("CheckFrame = %X, %v, %v, %v; want 30000, true, true", id, ied, edc, err)
	}
	for p := range frame {
		frame[p] ^= 0x10
		_, ied, edc, err := CheckFrame(frame)
		if ied != (p >= 6) || edc || err != nil {
			t.Errorf("CheckFrame with byte %d wrong = %v, %v, %v; want %v, false", p, ied, edc, err, p >= 6)
		}
		frame[p] ^= 0x10
	}
}

// TestScrambledEDC: the EDC of a scrambled frame needs no unscrambling.
func TestScrambledEDC(t *testing.T) {
	for i := range 16 {
		frame := testFrames(t, FirstPSN+uint32(i)*16, 4)[:FrameSize]
		plain := bytes.Clone(frame)
		scramble(frame)
		if bytes.Equal(frame, plain) || !bytes.Equal(frame[:12], plain[:12]) || !bytes.Equal(frame[2060:], plain[2060:]) {
			t.Fatal("scrambling changed nothing, or more than the main data")
		}
		if !edcRight(frame) {
			t.Errorf("preset %d: edcRight of a scrambled frame = false; want true", i)
		}
		frame[100+i] ^= 1
		if edcRight(frame) {
			t.Errorf("preset %d: edcRight of a damaged frame = true; want false", i)
		}
		frame[100+i] ^= 1
		if scramble(frame); !bytes.Equal(frame, plain) {
			t.Errorf("preset %d: scrambling twice isn't nothing", i)
		}
	}
}

func TestFramesOfWrongLength(t *testing.T) {
	for _, n := range []int{0, 1, 4, 2048, 2063, 2065, 2352} {
		if err := BuildFrame(make([]byte, n), 0, [6]byte{}, make([]byte, MainSize)); !errors.Is(err, ErrLength) {
			t.Errorf("BuildFrame into %d bytes = %v; want ErrLength", n, err)
		}
		if _, _, _, err := CheckFrame(make([]byte, n)); !errors.Is(err, ErrLength) {
			t.Errorf("CheckFrame of %d bytes = %v; want ErrLength", n, err)
		}
		if main := Main(make([]byte, n)); main != nil {
			t.Errorf("Main of %d bytes = %d bytes; want nil", n, len(main))
		}
		if n == MainSize {
			continue
		}
		if err := BuildFrame(make([]byte, FrameSize), 0, [6]byte{}, make([]byte, n)); !errors.Is(err, ErrLength) {
			t.Errorf("BuildFrame of %d bytes = %v; want ErrLength", n, err)
		}
	}
}
