package udf

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"
)

func unhex(t testing.TB, s string) []byte {
	b, err := hex.DecodeString(strings.Join(strings.Fields(s), ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The example of ECMA-167 as udftools carries it (libudffs/crc.c), and the check
// value of CRC-16/XMODEM.
func TestCRC(t *testing.T) {
	for in, want := range map[string]uint16{"\x70\x6A\x77": 0x3299, "123456789": 0x31C3, "": 0} {
		if got := crc16([]byte(in)); got != want {
			t.Errorf("crc16(% x) = %04X; want %04X", in, got, want)
		}
	}
}

// The anchor at sector 256 of libcdio's test image udf102.iso.
func TestTag(t *testing.T) {
	b := make([]byte, 2048)
	copy(b, unhex(t, "02 00 02 00 CF 00 01 00 01 D7 F0 01 00 01 00 00 00800000 20000000 00800000 30000000"))
	if got := tagged(b, 256); got != tagAnchor {
		t.Errorf("tagged = %d; want %d", got, tagAnchor)
	}
	if got := tagged(b, anywhere); got != tagAnchor {
		t.Errorf("tagged anywhere = %d; want %d", got, tagAnchor)
	}
	if got := tagged(b, 257); got != 0 {
		t.Errorf("tagged elsewhere = %d; want 0", got)
	}
	if e := readExtent(b[16:]); e.First != 32 || e.Count() != 16 {
		t.Errorf("main extent %v; want 32+16", e)
	}
	for _, at := range []int{0, 4, 8, 12, 16, 100, 511} {
		b[at]++
		if got := tagged(b, anywhere); got != 0 {
			t.Errorf("tagged with byte %d changed = %d; want 0", at, got)
		}
		b[at]--
	}
	for n := range 40 {
		if tagged(b[:n], anywhere) != 0 {
			t.Errorf("tagged of %d bytes gives one", n)
		}
	}
}

// Characters as UDF 2.1.1 compresses them; the names are those that mkudffs and the
// kernel wrote, as the rig's discs show.
func TestText(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "\x08abc": "abc", "\x08Gr\xfc\xdfe": "Grüße", "\x10\x65\xe5\x67\x2c": "日本",
		"\x10\xd8\x3d\xde\x00": "😀", "\xfeold": "old", "\xff\x00o": "o",
	} {
		if got, ok := text([]byte(in)); got != want || !ok {
			t.Errorf("text(%q) = %q, %v; want %q", in, got, ok, want)
		}
	}
	for _, in := range []string{"\x07abc", "\x10a", "abc"} {
		if got, ok := text([]byte(in)); ok {
			t.Errorf("text(%q) = %q; want none", in, got)
		}
	}
	field := append([]byte("\x08LABEL\x00\x00\x00"), 6)
	if got := dstring(field); got != "LABEL" {
		t.Errorf("dstring = %q; want LABEL", got)
	}
	field[9] = 255
	if got := dstring(field); !strings.HasPrefix(got, "LABEL") {
		t.Errorf("dstring with an impossible length = %q", got)
	}
}

func TestTimestamp(t *testing.T) {
	for _, c := range []struct {
		in   string
		want time.Time
	}{
		{"3c10 e807 01 02 03 04 05 00 00 00", time.Date(2024, 1, 2, 2, 4, 5, 0, time.UTC)}, // 60 minutes east
		{"d41e e807 01 02 03 04 05 0c 22 38", time.Date(2024, 1, 2, 8, 4, 5, 123456000, time.UTC)},
		{"0118 e807 01 02 03 04 05 00 00 00", time.Date(2024, 1, 2, 3, 4, 5, 0, time.UTC)}, // no zone
		{"0000 0000 00 00 00 00 00 00 00 00", time.Time{}},
		{"0010 e807 0d 02 03 04 05 00 00 00", time.Time{}},
	} {
		if got := timestamp(unhex(t, c.in)); !got.Equal(c.want) {
			t.Errorf("timestamp(%s) = %v; want %v", c.in, got, c.want)
		}
	}
}
