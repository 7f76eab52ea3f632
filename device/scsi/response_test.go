package scsi

import (
	"bytes"
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"
)

// codec is a response both ways.
type codec struct {
	name   string
	least  int    // bytes below which there is no value
	lists  bool   // how long it is, it says itself, and a part of it is a value
	sample []byte // as this package makes it
	parse  func([]byte) (value any, made []byte, err error)
}

// both makes a parser and a maker into what parses and makes again.
func both[T any](parse func([]byte) (T, error), made func(T) []byte) func([]byte) (any, []byte, error) {
	return func(b []byte) (any, []byte, error) {
		v, err := parse(b)
		return v, made(v), err
	}
}

type appender interface{ Append([]byte) []byte }

func again[T appender](v T) []byte { return v.Append(nil) }

// codecs are all responses, with every field set.
var codecs = []codec{
	{"inquiry data", 5, true, InquiryData{1, 5, true, 5, 0x32, [3]byte{1, 2, 3}, "INVENTED", "DVD-RAM TEST 1", "A1b2"}.Append(nil),
		both(ParseInquiry, again[InquiryData])},
	{"serial number", 4, true, AppendVPD(nil, VPDSerial, []byte("SN00017")), both(ParseSerial,
		func(s string) []byte { return AppendVPD(nil, VPDSerial, []byte(s)) })},
	{"designators", 4, true, AppendDesignators(nil, []Designator{{2, 1, 3, []byte("INVENTED")}, {1, 0, 2, []byte{1, 2, 3, 4, 5, 6, 7, 8}}}),
		both(ParseDesignators, func(l []Designator) []byte { return AppendDesignators(nil, l) })},
	{"capacity", 8, false, Capacity{0x01020304, 0x05060708}.Append(nil), both(ParseCapacity, again[Capacity])},
	{"media status", 8, false, MediaStatus{false, 0x5E, NewMedium, true, true, 1, 2}.Append(nil), both(ParseMediaStatus, again[MediaStatus])},
	{"no media status", 4, false, MediaStatus{None: true, Supported: 0x42}.Append(nil), both(ParseMediaStatus, again[MediaStatus])},
	{"mechanism status", 8, true, Mechanism{true, 2, 17, 5, true, 0x010203, []MechanismSlot{{true, false}, {false, true}}}.Append(nil),
		both(ParseMechanism, again[Mechanism])},
	{"table of contents", 4, true, TOC{1, 2, []TOCTrack{{1, 4, 1, 0}, {1, 0, 2, 15000}, {1, 4, LeadOutTrack, 0x01020304}}}.Append(nil), both(ParseTOC, again[TOC])},
	{"sessions", 12, false, SessionInfo{1, 2, TOCTrack{1, 4, 3, 11702}}.Append(nil), both(ParseSessions, again[SessionInfo])},
	{"full table of contents", 4, true, FullTable{1, 1, []TOCPoint{{1, 1, 4, 0, 0xA0, MSF{1, 2, 3}, 9, MSF{1, 0, 0}}, {1, 1, 4, 0, 1, MSF{}, 0, MSF{0, 2, 0}}}}.Append(nil),
		both(ParseFullTOC, again[FullTable])},
	{"configuration", 8, true, Configuration{DVDROM, []Feature{
		ProfileList(ListedProfile{CDROM, false}, ListedProfile{DVDROM, true}),
		{FeatureDVDRead, 15, true, true, []byte{1, 2, 3, 4}}, {FeatureMultiRead, 0, false, false, nil},
	}}.Append(nil), both(ParseConfiguration, again[Configuration])},
	{"disc information", 32, true, DiscInformation{true, CompleteSession, OtherState, 1, 0x0102, 0x0304, 0x0506, true, true, true, true, 3, 0x20,
		0x0708090A, 0x0B0C0D0E, 0x0F101112, [8]byte{1, 2, 3, 4, 5, 6, 7, 8}, 9}.Append(nil), both(ParseDiscInformation, again[DiscInformation])},
	{"track information", 28, true, TrackInformation{0x0102, 0x0304, true, true, 5, true, true, true, true, 6, true, true, 1, 2, 3, 4, 5, 6}.Append(nil),
		both(ParseTrackInformation, again[TrackInformation])},
	{"disc structure", 4, true, AppendStructure(nil, []byte{1, 2, 3}), both(ParseStructure, func(s []byte) []byte { return AppendStructure(nil, s) })},
	{"list of structures", 0, false, AppendStructureList(nil, []StructureEntry{{StructADIP, true, false, 260}, {StructList, false, true, 4}}),
		both(func(b []byte) ([]StructureEntry, error) { return ParseStructureList(b), nil }, func(l []StructureEntry) []byte { return AppendStructureList(nil, l) })},
	{"copyright", 2, false, Copyright{1, 0xFD}.Append(nil), both(ParseCopyright, again[Copyright])},
	{"physical format", 17, false, PhysicalFormat{BookPlusRD, 5, 1, 15, 2, true, true, true, true, true, 2, 1, 0x30000, 0xFCFFFF, 0x22D7FF, true,
		bytes.Repeat([]byte{7}, PhysicalFormatLen-17)}.Append(nil), both(ParsePhysicalFormat, again[PhysicalFormat])},
	{"ADIP", 30, false, AppendADIP(nil, Maker{"INVENTED", "T02"}), both(ParseADIP, func(m Maker) []byte { return AppendADIP(nil, m) })},
	{"pre-recorded information", 31, false, AppendPreRecorded(nil, Maker{ID: "INVENTED0001"}), both(ParsePreRecorded, func(m Maker) []byte { return AppendPreRecorded(nil, m) })},
	{"BD disc information", 109, false, AppendBDInformation(nil, Maker{"INVENT", "BD1"}), both(ParseBDInformation, func(m Maker) []byte { return AppendBDInformation(nil, m) })},
	{"mode data", 8, true, ModeData{1, 2, []byte{1, 2, 3, 4, 5, 6, 7, 8}, []ModePage{Recovery{PER | TB, 4, 1, 300}.Page(), Capabilities{C2: true}.Page()}}.Append(nil),
		both(ParseModeData, again[ModeData])},
	{"streaming range", 28, false, StreamRange{3, true, true, true, 1, 2, 3, 4, 5, 6}.Append(nil), both(ParseStreamRange, again[StreamRange])},
	{"performance", 8, true, Performance{true, true, []SpeedZone{{0, 5540, 1000000, 11080}, {1000001, 1, 2, 3}}}.Append(nil), both(ParsePerformance, again[Performance])},
	{"write speeds", 8, true, AppendWriteSpeeds(nil, []WriteSpeed{{3, true, true, 1, 2, 3}, {0, false, false, 2295103, 11080, 5540}}),
		both(ParseWriteSpeeds, func(l []WriteSpeed) []byte { return AppendWriteSpeeds(nil, l) })},
}

// What is made parses, and is made again byte for byte; cut short it is an error
// or a part, marked as one.
func TestResponsesBothWays(t *testing.T) {
	for _, c := range codecs {
		whole, made, err := c.parse(c.sample)
		if err != nil || !bytes.Equal(made, c.sample) {
			t.Errorf("%s: %+v made again = % X, %v; want % X", c.name, whole, made, err, c.sample)
		}
		if v, _, err := c.parse(append(bytes.Clone(c.sample), make([]byte, 100)...)); c.lists && (err != nil || !reflect.DeepEqual(v, whole)) {
			t.Errorf("%s in a larger buffer = %+v, %v; want %+v", c.name, v, err, whole)
		}
		for n := range len(c.sample) {
			v, _, err := c.parse(c.sample[:n])
			switch {
			case n < c.least:
				if !errors.Is(err, ErrShort) || !reflect.ValueOf(v).IsZero() {
					t.Errorf("%s of %d bytes = %+v, %v; want nothing and %v", c.name, n, v, err, ErrShort)
				}
			case c.lists:
				if !errors.Is(err, ErrTruncated) {
					t.Errorf("%s of %d bytes of %d = %+v, %v; want %v", c.name, n, len(c.sample), v, err, ErrTruncated)
				}
			case err != nil:
				t.Errorf("%s of %d bytes = %v; want a value", c.name, n, err)
			}
		}
	}
}

// A bit of a response means itself and nothing else: turned over, it is turned over
// in what is made again, or was never read. Lengths and characters are apart.
func TestEachBitAlone(t *testing.T) {
	for _, c := range codecs {
		switch c.name {
		case "inquiry data", "serial number", "designators", "ADIP", "pre-recorded information", "BD disc information":
			continue // characters, and lengths within
		}
		for i := range 8 * min(len(c.sample), 64) {
			b := bytes.Clone(c.sample)
			b[i/8] ^= 1 << (i % 8)
			v, made, err := c.parse(b)
			if err != nil || len(made) != len(b) { // a length, or none of this response
				continue
			}
			if !bytes.Equal(made, b) && !bytes.Equal(made, c.sample) {
				t.Errorf("%s with bit %d of byte %d turned over = %+v, made again\n% X; want\n% X or the sample", c.name, i%8, i/8, v, made, b)
			}
		}
	}
}

// Append adds behind what is there, and leaves that alone.
func TestAppendBehind(t *testing.T) {
	head := []byte("before")
	for name, f := range map[string]func([]byte) []byte{
		"table of contents": TOC{First: 1}.Append, "sessions": SessionInfo{First: 1}.Append, "full": FullTable{First: 1}.Append,
		"configuration": Configuration{Current: BDROM}.Append, "disc information": DiscInformation{Sessions: 1}.Append,
		"track information": TrackInformation{Track: 1}.Append, "mode data": ModeData{Medium: 1}.Append,
		"media status": MediaStatus{Present: true}.Append, "mechanism": Mechanism{Slot: 1}.Append,
		"fixed sense": Sense{Key: MediumError}.Append, "descriptor sense": Sense{Key: MediumError, Descriptor: true, FRU: 1}.Append,
		"inquiry": InquiryData{Vendor: "INVENTED"}.Append, "performance": Performance{Write: true}.Append,
		"structure": func(b []byte) []byte { return AppendStructure(b, []byte{1}) },
	} {
		if got, want := f(bytes.Clone(head)), append(bytes.Clone(head), f(nil)...); !bytes.Equal(got, want) {
			t.Errorf("%s appended = % X; want % X", name, got, want)
		}
	}
}

// Lengths of 0 and of all ones, and nonsense: no panic, no more memory than what
// came allows, and what is returned parses again to the same.
func FuzzResponses(f *testing.F) {
	for i, c := range codecs {
		f.Add(uint8(i), c.sample)
		f.Add(uint8(i), append([]byte{0, 0, 0, 0}, c.sample[min(4, len(c.sample)):]...))
		f.Add(uint8(i), append([]byte{0xFF, 0xFF, 0xFF, 0xFF}, c.sample[min(4, len(c.sample)):]...))
		f.Add(uint8(i), bytes.Repeat([]byte{0xFF}, 64))
		f.Add(uint8(i), []byte{})
	}
	f.Fuzz(func(t *testing.T, which uint8, b []byte) {
		c := codecs[int(which)%len(codecs)]
		v, made, err := c.parse(b)
		if err != nil && !errors.Is(err, ErrTruncated) {
			if !errors.Is(err, ErrShort) && !errors.Is(err, ErrFormat) || !reflect.ValueOf(v).IsZero() {
				t.Fatalf("%s of % X = %+v, %v; want nothing and an error of this package", c.name, b, v, err)
			}
			return
		}
		if most := len(b) + 2*4096; len(made) > most {
			t.Fatalf("%s of %d bytes is made again in %d; want no more than %d", c.name, len(b), len(made), most)
		}
		again, twice, err := c.parse(made)
		if err != nil || !bytes.Equal(twice, made) {
			t.Fatalf("%s of % X = %+v; made again % X, then % X, %v", c.name, b, v, made, twice, err)
		}
		if c.name != "physical format" && !reflect.DeepEqual(again, v) { // which is filled up to 2048 bytes
			t.Fatalf("%s of % X = %+v; again %+v", c.name, b, v, again)
		}
	})
}

// Contradictory lengths, by hand.
func TestContradictoryLengths(t *testing.T) {
	big := make([]byte, 0xFFFF)
	for _, v := range []struct {
		what  string
		parse func() (int, error)
		n     int
		want  error
	}{
		{"a table of contents that claims 0 bytes", func() (int, error) { v, err := ParseTOC(make([]byte, 100)); return len(v.Tracks), err }, 0, ErrShort},
		{"a table of contents that claims 65,535", func() (int, error) {
			v, err := ParseTOC(append([]byte{0xFF, 0xFF, 1, 1}, make([]byte, 20)...))
			return len(v.Tracks), err
		}, 2, ErrTruncated},
		{"a table of contents of 65,535", func() (int, error) {
			big[0], big[1] = 0xFF, 0xFD
			v, err := ParseTOC(big)
			return len(v.Tracks), err
		}, 8191, nil},
		{"a configuration that claims 4 GiB", func() (int, error) {
			v, err := ParseConfiguration(append([]byte{0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 8}, 0, 1, 3, 0))
			return len(v.Features), err
		}, 1, ErrTruncated},
		{"a feature longer than the configuration", func() (int, error) {
			v, err := ParseConfiguration([]byte{0, 0, 0, 12, 0, 0, 0, 8, 0, 1, 3, 0, 0, 2, 3, 200})
			return len(v.Features), err
		}, 1, ErrTruncated},
		{"block descriptors longer than the mode data", func() (int, error) {
			v, err := ParseModeData([]byte{0, 8, 0, 0, 0, 0, 0xFF, 0xFF, 1, 0})
			return len(v.Pages), err
		}, 0, ErrTruncated},
		{"a mode page longer than the mode data", func() (int, error) {
			v, err := ParseModeData([]byte{0, 12, 0, 0, 0, 0, 0, 0, 8, 0, 1, 10, 0, 0})
			return len(v.Pages), err
		}, 1, ErrTruncated},
		{"an event of another class", func() (int, error) { _, err := ParseMediaStatus([]byte{0, 6, 1, 2, 0, 0, 0, 0}); return 0, err }, 0, ErrFormat},
		{"a length of the descriptor alone", func() (int, error) {
			s, err := ParseMediaStatus([]byte{0, 4, 4, 16, 2, 2, 0, 0})
			return int(s.Event), err
		}, int(NewMedium), nil},
		{"a length of the descriptor, and no descriptor", func() (int, error) { _, err := ParseMediaStatus([]byte{0, 4, 4, 16}); return 0, err }, 0, ErrShort},
		{"an event without its descriptor", func() (int, error) { _, err := ParseMediaStatus([]byte{0, 2, 4, 16, 0, 0, 0, 0}); return 0, err }, 0, ErrShort},
		{"another page of vital product data", func() (int, error) { _, err := ParseSerial([]byte{5, 0, 0, 1, 0}); return 0, err }, 0, ErrFormat},
		{"a mechanism that claims 65,535", func() (int, error) {
			v, err := ParseMechanism([]byte{0, 0, 0, 0, 0, 1, 0xFF, 0xFF, 0x80, 0, 0, 0})
			return len(v.Slots), err
		}, 1, ErrTruncated},
	} {
		n, err := v.parse()
		if n != v.n || !errors.Is(err, v.want) {
			t.Errorf("%s: %d entries, %v; want %d, %v", v.what, n, err, v.n, v.want)
		}
	}
}

// Lists longer than their length field are cut, not wrapped.
func TestLongListsAreCut(t *testing.T) {
	for _, v := range []struct {
		what string
		b    []byte
		n    func([]byte) (int, error)
		want int
	}{
		{"tracks", TOC{Tracks: make([]TOCTrack, 10000)}.Append(nil), func(b []byte) (int, error) { v, err := ParseTOC(b); return len(v.Tracks), err }, 8191},
		{"points", FullTable{Points: make([]TOCPoint, 10000)}.Append(nil), func(b []byte) (int, error) { v, err := ParseFullTOC(b); return len(v.Points), err }, 5957},
		{"slots", Mechanism{Slots: make([]MechanismSlot, 20000)}.Append(nil), func(b []byte) (int, error) { v, err := ParseMechanism(b); return len(v.Slots), err }, 16383},
		{"structure", AppendStructure(nil, make([]byte, 70000)), func(b []byte) (int, error) { v, err := ParseStructure(b); return len(v), err }, 65533},
		{"pages", ModeData{Pages: []ModePage{make(ModePage, 2), make(ModePage, 70000)}}.Append(nil), func(b []byte) (int, error) { v, err := ParseModeData(b); return len(v.Pages), err }, 1},
		{"profiles", Configuration{Features: []Feature{ProfileList(make([]ListedProfile, 100)...)}}.Append(nil),
			func(b []byte) (int, error) { v, err := ParseConfiguration(b); return len(v.Profiles()), err }, 63},
		{"a feature's data", Configuration{Features: []Feature{{Data: make([]byte, 300)}}}.Append(nil),
			func(b []byte) (int, error) { v, err := ParseConfiguration(b); return len(v.Features[0].Data), err }, 255},
		{"designators", AppendDesignators(nil, []Designator{{ID: make([]byte, 300)}}), func(b []byte) (int, error) { v, err := ParseDesignators(b); return len(v[0].ID), err }, 255},
	} {
		if got, err := v.n(v.b); err != nil || got != v.want {
			t.Errorf("%s: %d, %v; want %d", v.what, got, err, v.want)
		}
	}
}

func TestTextsAreFitForATerminal(t *testing.T) {
	d, err := ParseInquiry([]byte("\x05\x80\x05\x02\x1F\x00\x00\x00\x00INV\x1B[2J  \xFFA\x00B\n              1.0\x00"))
	if err != nil || strings.ContainsFunc(d.Vendor+d.Product+d.Revision, func(r rune) bool { return r < ' ' || r > '~' }) {
		t.Errorf("ParseInquiry = %q %q %q, %v; want printable characters", d.Vendor, d.Product, d.Revision, err)
	}
	if got, want := text([]byte("\x00 a\x1F \x7E~\x7Fb \x80\xFF")), "a  ~~ b"; got != want {
		t.Errorf("text = %q; want %q", got, want)
	}
}

// A DVD+R has 2,295,104 sectors, one of two layers 2,086,912 on each (common
// practice, with no source); a full layer 1 ends at FCFFFFh, the complement of
// 030000h. QEMU's drive counts from 0.
func TestSectorsOfADisc(t *testing.T) {
	for _, v := range []struct {
		p    PhysicalFormat
		want int64
		ok   bool
	}{
		{PhysicalFormat{Layers: 1, Start: 0x30000, End: 0x30000 + 2295104 - 1}, 2295104, true},
		{PhysicalFormat{Layers: 1, Start: 0, End: 99}, 100, true},
		{PhysicalFormat{Layers: 2, Opposite: true, Start: 0x30000, EndLayer0: 0x30000 + 2086912 - 1, End: 0xFCFFFF}, 2 * 2086912, true},
		{PhysicalFormat{Layers: 1, Start: 0x30000, End: 5}, 0, false},
		{PhysicalFormat{Layers: 2, Opposite: true, Start: 0x30000, EndLayer0: 5, End: 5}, 0, false},
		{PhysicalFormat{Layers: 2, Start: 0x30000, End: 0x40000}, 0, false},
	} {
		if n, ok := v.p.Sectors(); n != v.want || ok != v.ok {
			t.Errorf("Sectors of %+v = %d, %v; want %d, %v", v.p, n, ok, v.want, v.ok)
		}
	}
}

// linux/cdrom.h: CD_MSF_OFFSET 150; the lead-out of a CD of 74 minutes.
func TestMSF(t *testing.T) {
	for lba, want := range map[int32]MSF{0: {0, 2, 0}, -150: {0, 0, 0}, 16: {0, 2, 16}, 333000 - 150: {74, 0, 0}, 255*60*75 - 1 - 150: {254, 59, 74}} {
		if got := MSFOf(lba); got != want || got.LBA() != lba || AddressMSF(got.Address()) != got {
			t.Errorf("MSFOf(%d) = %v, back %d; want %v", lba, got, got.LBA(), want)
		}
	}
	for _, lba := range []int32{-151, math.MinInt32, math.MaxInt32} {
		if got := MSFOf(lba); got != (MSF{}) {
			t.Errorf("MSFOf(%d) = %v; want zero", lba, got)
		}
	}
}
