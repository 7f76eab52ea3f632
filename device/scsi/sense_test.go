package scsi

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"
)

// Sense data that sg_decode_sense 1.46 reads as is said here: the first is
// its man page's.
var senseVectors = []struct {
	hex   string
	want  Sense
	class Class
}{
	{"F000030000 12340A 00000000 1100 00 000000", Sense{Key: MediumError, ASC: 0x11, Valid: true, Information: 0x1234}, Medium},
	{"F0000300030D400A 00000000 1105 00 000000", Sense{Key: MediumError, ASC: 0x11, ASCQ: 5, Valid: true, Information: 200000}, Medium},
	{"700002000000000A 00000000 3A02 00 000000", Sense{Key: NotReadyKey, ASC: 0x3A, ASCQ: 2}, NoMedium},
	{"700006000000000A 00000000 2800 00 000000", Sense{Key: UnitAttention, ASC: 0x28}, Changed},
	{"700005000000000A 00000000 6400 00 000000", Sense{Key: IllegalRequest, ASC: 0x64}, Refused},
	{"700005000000000A 00000000 6F03 00 000000", Sense{Key: IllegalRequest, ASC: 0x6F, ASCQ: 3}, Protected},
	{"7203110600 00000C 000A8000 0000000000030D40",
		Sense{Key: MediumError, ASC: 0x11, ASCQ: 6, Valid: true, Information: 200000, Descriptor: true}, Medium},
	{"F1000300000010 0A 00000000 1100 00 000000",
		Sense{Key: MediumError, ASC: 0x11, Deferred: true, Valid: true, Information: 0x10}, Deferred},
	{"700002000000000A 00000000 0401 00 804000", Sense{Key: NotReadyKey, ASC: 4, ASCQ: 1, Specific: ProgressPart(0x4000)}, NotReady},
	{"7205240000000014 02060000C8000300 000A8000 0000000000010203",
		Sense{Key: IllegalRequest, ASC: 0x24, Valid: true, Information: 0x10203, Specific: Specific{0xC8, 0, 3}, Descriptor: true}, Refused},
	// Shorter than fixed format: ASC is there only as far as byte 7 says.
	{"70000300000000 05 00000000 1105", Sense{Key: MediumError, ASC: 0x11}, Medium},
	{"70000300000000 00 00000000 1105", Sense{Key: MediumError}, Medium},
	{"700003", Sense{Key: MediumError}, Medium},
	{"72031105", Sense{Key: MediumError, ASC: 0x11, ASCQ: 5, Descriptor: true}, Medium},
}

func TestParseSense(t *testing.T) {
	for _, v := range senseVectors {
		b := fromHex(t, v.hex)
		s, err := ParseSense(b)
		if err != nil || s != v.want {
			t.Errorf("ParseSense(%s) = %+v, %v; want %+v", v.hex, s, err, v.want)
		}
		if m := s.Meaning(); m.Class != v.class {
			t.Errorf("%v means %v; want %v", s, m.Class, v.class)
		}
		if len(b) == 18 || len(b) == 20 { // whole, and no order of descriptors to choose
			if again := s.Append(nil); !bytes.Equal(again, b) {
				t.Errorf("%+v.Append() = % X; want % X", s, again, b)
			}
		}
	}
	for _, v := range []struct {
		hex  string
		want error
	}{{"", ErrShort}, {"7000", ErrShort}, {"72", ErrShort}, {"7F0003", ErrFormat}, {"000003", ErrFormat}} {
		if s, err := ParseSense(fromHex(t, v.hex)); !errors.Is(err, v.want) || s != (Sense{}) {
			t.Errorf("ParseSense(%s) = %+v, %v; want %v", v.hex, s, err, v.want)
		}
	}
}

// Information that fixed format can't hold is not valid there.
func TestFixedFormatHolds32Bits(t *testing.T) {
	s, err := ParseSense(Sense{Key: MediumError, ASC: 0x11, Valid: true, Information: 1 << 32}.Append(nil))
	if want := (Sense{Key: MediumError, ASC: 0x11}); err != nil || s != want {
		t.Errorf("fixed format of information 1 << 32 = %+v, %v; want %+v", s, err, want)
	}
}

func TestSpecificDependsOnTheKey(t *testing.T) {
	s := Sense{Key: NotReadyKey, Specific: ProgressPart(0x4000)}
	if p, ok := s.Progress(); !ok || p != 0x4000 {
		t.Errorf("Progress() = %04X, %v; want 4000", p, ok)
	}
	if _, ok := s.Retries(); ok {
		t.Error("Retries() of not ready is given; want none")
	}
	s = Sense{Key: IllegalRequest, Specific: FieldPointer(false, 17)}
	if in, at, ok := s.Field(); !ok || in || at != 17 {
		t.Errorf("Field() = %v, %d, %v; want byte 17 of the list", in, at, ok)
	}
	if _, ok := s.Progress(); ok {
		t.Error("Progress() of an illegal request is given; want none")
	}
	s = Sense{Key: RecoveredError, Specific: Specific{0x80, 0, 7}}
	if n, ok := s.Retries(); !ok || n != 7 {
		t.Errorf("Retries() = %d, %v; want 7", n, ok)
	}
}

// decodeSense is what sg_decode_sense prints.
func decodeSense(t *testing.T, program string, b []byte) string {
	t.Helper()
	out, err := exec.Command(program, strings.Fields(fmt.Sprintf("% x", b))...).Output()
	if err != nil {
		t.Fatalf("sg_decode_sense % X: %v", b, err)
	}
	return string(out)
}

// Every text is sg_decode_sense's, but for capitals.
func TestTextsAreSGUtils(t *testing.T) {
	program := tool(t, "sg_decode_sense", "sg3-utils")
	for c, text := range senseTexts {
		s := Sense{Key: MediumError, ASC: c.asc, ASCQ: c.ascq}
		want := "\nadditional sense: " + strings.ToLower(text) + "\n"
		if out := decodeSense(t, program, s.Append(nil)); !strings.Contains(strings.ToLower(out), want) {
			t.Errorf("sg_decode_sense of %s printed %s; want %q", s.Code(), out, text)
		}
	}
}

// Sense data by chance, in both formats: what is made here says there what it
// says here.
func TestSenseReadBySGUtils(t *testing.T) {
	program := tool(t, "sg_decode_sense", "sg3-utils")
	r := rand.New(rand.NewPCG(2, 0x5C51))
	codes := make([]code, 0, len(senseTexts))
	for asc := range uint8(0x70) { // in one order, whatever the map's
		for ascq := range uint8(0x20) {
			if _, ok := senseTexts[code{asc, ascq}]; ok {
				codes = append(codes, code{asc, ascq})
			}
		}
	}
	for range 200 {
		c := codes[r.IntN(len(codes))]
		s := Sense{
			Key: Key(r.IntN(6)), ASC: c.asc, ASCQ: c.ascq, Deferred: r.IntN(4) == 0,
			Valid: r.IntN(2) == 0, Information: uint64(1 + r.IntN(1<<31)), Descriptor: r.IntN(2) == 0,
		}
		if !s.Valid {
			s.Information = 0
		}
		part := uint16(r.Uint32())
		if r.IntN(2) == 0 {
			s.Specific = ProgressPart(part)
		}
		if !s.Descriptor {
			s.ILI, s.EOM = r.IntN(4) == 0, r.IntN(4) == 0
		}
		out := strings.ToLower(decodeSense(t, program, s.Append(nil)))
		check := func(should bool, what string) {
			t.Helper()
			if strings.Contains(out, strings.ToLower(what)) != should {
				t.Errorf("sg_decode_sense of % X printed\n%s; want %q: %v", s.Append(nil), out, what, should)
			}
		}
		check(s.Descriptor, "descriptor format")
		check(s.Deferred, "<<<deferred>>>")
		check(true, "sense key: "+s.Key.String())
		check(true, s.Text())
		info := fmt.Sprintf("info fld=0x%x ", s.Information)
		if s.Descriptor {
			info = fmt.Sprintf("information: 0x%016x", s.Information)
		}
		check(s.Valid, info)
		if !s.Descriptor {
			check(s.ILI, " ili")
			check(s.EOM, " eom")
		}
		if _, ok := s.Progress(); ok {
			check(true, fmt.Sprintf("progress indication: %d.", int(part)*100/65536))
		}
		if n, ok := s.Retries(); ok {
			retries := fmt.Sprintf("retry count: 0x%04x", n)
			if s.Descriptor {
				retries = fmt.Sprintf("retry count: %d", n)
			}
			check(true, retries)
		}
		if in, at, ok := s.Field(); ok {
			where := map[bool]string{true: "command", false: "data parameters"}[in]
			check(true, fmt.Sprintf("error in %s: byte %d", where, at))
		}
	}
}

func FuzzParseSense(f *testing.F) {
	for _, v := range senseVectors {
		f.Add(fromHex(f, v.hex))
	}
	f.Add(bytes.Repeat([]byte{0xFF}, 300))
	f.Add(append([]byte{0x72, 3, 0x11, 5, 0, 0, 0, 0xFF}, make([]byte, 100)...))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := ParseSense(b)
		if err != nil {
			if s != (Sense{}) {
				t.Fatalf("ParseSense(% X) = %+v and %v; want one of them", b, s, err)
			}
			return
		}
		again, err := ParseSense(s.Append(nil))
		if err != nil || again != s {
			t.Fatalf("ParseSense(% X) = %+v; made again: %+v, %v", b, s, again, err)
		}
		if m := s.Meaning(); m.Text == "" || m.Class.String() == "" || m.Advice.String() == "" || s.String() == "" {
			t.Fatalf("%+v means %+v; want words", s, m)
		}
		if lba, ok := s.LBA(); ok && (lba < 0 || lba > 0xFFFFFFFF) {
			t.Fatalf("LBA() of % X = %d", b, lba)
		}
	})
}
