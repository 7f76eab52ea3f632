package iso9660

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

// A volume of 182 blocks, as genisoimage records it.
func TestBothWays(t *testing.T) {
	if n, ok := both32(unhex(t, "B6 00 00 00 00 00 00 B6")); n != 182 || !ok {
		t.Errorf("both32 = %d, %v; want 182, true", n, ok)
	}
	if n, ok := both32(unhex(t, "B6 00 00 00 00 00 00 B7")); n != 182 || ok {
		t.Errorf("both32 of two numbers = %d, %v; want 182, false", n, ok)
	}
	if n, ok := both16(unhex(t, "00 08 08 00")); n != 2048 || !ok {
		t.Errorf("both16 = %d, %v; want 2048, true", n, ok)
	}
}

func TestTimes(t *testing.T) {
	for _, c := range []struct {
		in   string
		want time.Time
	}{
		// As xorriso 1.5.4 recorded a file of 2024-01-02 03:04:05 UTC.
		{"7c 01 02 03 04 05 00", time.Date(2024, 1, 2, 3, 4, 5, 0, time.UTC)},
		{"7c 01 02 03 04 05 04", time.Date(2024, 1, 2, 2, 4, 5, 0, time.UTC)}, // an hour east
		{"7c 01 02 03 04 05 ec", time.Date(2024, 1, 2, 8, 4, 5, 0, time.UTC)}, // five west
		{"7c 01 02 03 04 05 7f", time.Date(2024, 1, 2, 3, 4, 5, 0, time.UTC)}, // no zone on earth
		{"00 00 00 00 00 00 00", time.Time{}},
		{"7c 0d 02 03 04 05 00", time.Time{}},
	} {
		if got := shortTime(unhex(t, c.in)); !got.Equal(c.want) {
			t.Errorf("shortTime(% s) = %v; want %v", c.in, got, c.want)
		}
	}
	for in, want := range map[string]time.Time{
		"2024010203040567\x04": time.Date(2024, 1, 2, 2, 4, 5, 670e6, time.UTC),
		"0000000000000000\x00": {},
		"20240x0203040567\x00": {},
		"2024 10203040567\x00": {},
	} {
		if got := longTime([]byte(in)); !got.Equal(want) {
			t.Errorf("longTime(%q) = %v; want %v", in, got, want)
		}
	}
}

func TestNames(t *testing.T) {
	plain, joliet := &descriptor{}, &descriptor{joliet: true}
	for _, c := range []struct {
		d        *descriptor
		in, want string
	}{
		{plain, "README.TXT;1", "README.TXT"},
		{plain, "README.;1", "README"},
		{plain, "README.TXT;2", "README.TXT;2"},
		{plain, "DIR", "DIR"},
		{plain, "Gr\xfc\xdfe", "Grüße"},         // Latin-1
		{plain, "Gr\xc3\xbc\xc3\x9fe", "Grüße"}, // UTF-8
		{plain, ".;1", "."},
		{joliet, "\x00a\x00b\x00;\x001", "ab"},
		{joliet, "\xd8\x3d\xde\x00\x00.\x00x", "😀.x"},
		{joliet, "\x00a\x00", "a"},
	} {
		if got := c.d.name([]byte(c.in)); got != c.want {
			t.Errorf("name(%q) = %q; want %q", c.in, got, c.want)
		}
	}
}

// The record of a directory as xorriso 1.5.4 wrote it, with Rock Ridge.
const xorriso = `72 00 1b 00 00 00 00 00 00 1b 00 08 00 00 00 00 08 00 7c 01 02 03 04 05 00 02 00 00 01 00 00 01
	07 4c 45 56 45 4c 30 33 50 58 24 01 ed 41 00 00 00 00 41 ed 01 00 00 00 00 00 00 01 00 00 00 00 00 00 00 00
	00 00 00 00 00 00 00 00 54 46 1a 01 0e 7c 01 02 03 04 05 00 7c 01 02 03 04 05 00 7c 01 02 03 04 05 00
	4e 4d 0c 01 00 6c 65 76 65 6c 30 33`

func TestRecord(t *testing.T) {
	b := unhex(t, xorriso)
	r, ok := parseRecord(b)
	if !ok || r.block != 27 || r.size != 2048 || !r.folder() || r.more() || !r.agree || string(r.name) != "LEVEL03" || r.interleaved || r.volume != 1 {
		t.Errorf("parseRecord = %+v, %v", r, ok)
	}
	want := time.Date(2024, 1, 2, 3, 4, 5, 0, time.UTC)
	w := newWalk(scanOf(nil), &descriptor{block: 2048, root: record{}})
	rr := w.rockRidge(r.use)
	if string(rr.name) != "level03" || !rr.named || rr.mode != 0o40755 || !rr.modified.Equal(want) || rr.cut || rr.moved {
		t.Errorf("rockRidge = %+v", rr)
	}
	for _, cut := range []int{0, 1, 33, 39, len(b) - 1} {
		if cut > 0 {
			if _, ok := parseRecord(b[:cut]); ok {
				t.Errorf("parseRecord of the first %d of %d bytes gives one", cut, len(b))
			}
		}
	}
	for at, v := range map[int]byte{0: 33, 32: 0} {
		c := append([]byte{}, b...)
		if c[at] = v; at == 32 {
			c[32] = 0
		}
		if _, ok := parseRecord(c); ok {
			t.Errorf("parseRecord with byte %d = %d gives one", at, v)
		}
	}
}

func TestLinks(t *testing.T) {
	for in, want := range map[string]string{
		"\x00\x01a\x00\x01b":           "a/b",
		"\x08\x00\x00\x01a":            "/a",
		"\x04\x00\x04\x00\x00\x01a":    "../../a",
		"\x02\x00\x00\x01a":            "./a",
		"\x01\x02ab\x00\x01c\x00\x01d": "abc/d",
		"\x00\x09a":                    "", // longer than it is
		"\x08\x00":                     "/",
	} {
		var l linkText
		l.add([]byte(in))
		if l.String() != want {
			t.Errorf("link %q = %q; want %q", in, l.String(), want)
		}
	}
}
