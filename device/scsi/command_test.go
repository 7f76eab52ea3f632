package scsi

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
)

// All data in this package's tests is invented unless its source is named.

// samples are requests with all fields set; every type of request is among them,
// which opcodes_test.go proves.
var samples = []struct {
	request Request
	cdb     string
	dir     Direction
	length  int64
}{
	{TestUnitReady{}, "000000000000", NoData, 0},
	{RequestSense{Descriptor: true, Alloc: 18}, "030100001200", FromUnit, 18},
	{Inquiry{Alloc: 36}, "120000002400", FromUnit, 36},
	{Inquiry{EVPD: true, Page: VPDSerial, Alloc: 0x1FC}, "12018001FC00", FromUnit, 0x1FC},
	{StartStopUnit{Immediate: true, LoadEject: true, Start: true, Power: 0xA}, "1B010000A300", NoData, 0},
	{PreventAllow{Prevent: true, Persistent: true}, "1E0000000300", NoData, 0},
	{ReadCapacity{}, "25000000000000000000", FromUnit, 8},
	{Read10{LBA: 0x01020304, Blocks: 0x0506, DPO: true, FUA: true}, "28180102030400050600", FromUnit, 0x0506 * 2048},
	{Seek10{LBA: 0x01020304}, "2B000102030400000000", NoData, 0},
	{ReadTOC{MSF: true, Format: FullTOC, Number: 7, Alloc: 0x0102}, "43020200000007010200", FromUnit, 0x0102},
	{GetConfiguration{RT: OneFeature, Start: FeatureRealTimeStream, Alloc: 0x0102}, "46020107000000010200", FromUnit, 0x0102},
	{GetEventStatus{Polled: true, Classes: MediaClass, Alloc: 8}, "4A010000100000000800", FromUnit, 8},
	{ReadDiscInformation{Type: 2, Alloc: 0x0102}, "51020000000000010200", FromUnit, 0x0102},
	{ReadTrackInformation{By: BySession, Number: 0x01020304, Alloc: 36}, "52020102030400002400", FromUnit, 36},
	{ModeSelect10{Length: 20}, "55100000000000001400", ToUnit, 20},
	{ModeSense10{DBD: true, Control: ChangeableValues, Page: PageRecovery, Alloc: 0xFC}, "5A08410000000000FC00", FromUnit, 0xFC},
	{Read12{LBA: 0x01020304, Blocks: 0x05060708, DPO: true, FUA: true, Streaming: true}, "A81801020304050607088000", FromUnit, 0x05060708 * 2048},
	{GetPerformance{DataType: NominalRead, Start: 0x01020304, Max: 3, Type: WriteSpeedList}, "AC1001020304000000030300", FromUnit, 8 + 3*16},
	{ReadDiscStructure{Media: MediaBD, Address: 0x01020304, Layer: 1, Format: StructList, Alloc: 0x0102}, "AD010102030401FF01020000", FromUnit, 0x0102},
	{SetStreaming{Type: 5, Length: 28}, "B60000000000000005001C00", ToUnit, 28},
	{SetCDSpeed{Rotation: 1, Read: 0x0102, Write: MaxSpeed}, "BB010102FFFF000000000000", NoData, 0},
	{MechanismStatus{Alloc: 0x0102}, "BD0000000000000001020000", FromUnit, 0x0102},
	{ReadCD{Expect: Mode2Form1, DAP: true, LBA: 0x01020304, Blocks: 0x000102, Main: WholeSector, C2: C2Flags, Sub: SubQ},
		"BE1201020304000102FA0200", FromUnit, 0x0102 * (2352 + 294 + 16)},
}

func TestCommandsAreTheStandardsBytes(t *testing.T) {
	for _, s := range samples {
		c := s.request.Command()
		if got := strings.ToUpper(hex.EncodeToString(c.CDB())); got != s.cdb {
			t.Errorf("%#v.Command() = %s; want %s", s.request, got, s.cdb)
		}
		if c.Direction() != s.dir || c.Len() != s.length {
			t.Errorf("%#v carries %d bytes, %v; want %d, %v", s.request, c.Len(), c.Direction(), s.length, s.dir)
		}
		if back, err := Parse(fromHex(t, s.cdb)); err != nil || back != s.request {
			t.Errorf("Parse(%s) = %#v, %v; want %#v", s.cdb, back, err, s.request)
		}
	}
}

// Linux makes 58h, 78h and F8h of the parts that it wants (drivers/cdrom/cdrom.c):
// 2336, 2340 and 2352 bytes of a sector in Mode 2. 2646 is what C2 flags make of a
// whole one.
func TestReadCDLengths(t *testing.T) {
	for _, v := range []struct {
		r    ReadCD
		byte byte
		want int
	}{
		{ReadCD{Expect: AnySector, Main: WholeSector}, 0xF8, 2352},
		{ReadCD{Expect: CDDA, Main: UserData}, 0x10, 2352},
		{ReadCD{Expect: Mode1, Main: WholeSector}, 0xF8, 2352},
		{ReadCD{Expect: Mode1, Main: UserData}, 0x10, 2048},
		{ReadCD{Expect: Mode2Form1, Main: UserData}, 0x10, 2048},
		{ReadCD{Expect: Mode2Form2, Main: UserData}, 0x10, 2324},
		{ReadCD{Expect: Mode2Form1, Main: Subheader | UserData | EDCECC}, 0x58, 2336},
		{ReadCD{Expect: Mode2Form2, Main: Subheader | UserData | EDCECC}, 0x58, 2336},
		{ReadCD{Expect: Mode2Form1, Main: Header | Subheader | UserData | EDCECC}, 0x78, 2340},
		{ReadCD{Expect: Mode2Form2, Main: WholeSector}, 0xF8, 2352},
		{ReadCD{Expect: Mode2Formless, Main: WholeSector}, 0xF8, 2352},
		{ReadCD{Expect: AnySector, Main: WholeSector, C2: C2Flags}, 0xFA, 2646},
		{ReadCD{Expect: CDDA, Main: WholeSector, C2: C2Block, Sub: SubRaw}, 0xFC, 2352 + 296 + 96},
		{ReadCD{Expect: CDDA}, 0, 0},
	} {
		if got := v.r.SectorLen(); got != v.want {
			t.Errorf("%+v.SectorLen() = %d; want %d", v.r, got, v.want)
		}
		if got := v.r.Command().CDB()[9]; got != v.byte {
			t.Errorf("byte 9 of %+v = %02X; want %02X", v.r, got, v.byte)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, v := range []struct {
		cdb  string
		at   int // of the field, -1 for ErrOpcode
		what string
	}{
		{"", -1, "no block"},
		{"2A000000000000000100", -1, "WRITE(10)"},
		{"28000000000000000101", 9, "control byte"},
		{"28020000000000000100", 1, "reserved bit"},
		{"28000000000020000100", 6, "group number"},
		{"280000000000000001", 9, "nine bytes"},
		{"2800000000000000010000", 10, "eleven bytes"},
		{"55110000000000001400", 1, "MODE SELECT with SP"},
		{"55000000000000001400", 1, "MODE SELECT without PF"},
		{"000000000001", 5, "TEST UNIT READY with control"},
		{"AD0000000000000008004000", 10, "READ DISC STRUCTURE with AGID"},
		{"B60000000000000500001C00", 7, "SET STREAMING in byte 7"},
	} {
		r, err := Parse(fromHex(t, strings.ReplaceAll(v.cdb, " ", "")))
		var field *FieldError
		switch {
		case v.at < 0 && errors.Is(err, ErrOpcode):
		case v.at >= 0 && errors.As(err, &field) && field.Byte == v.at:
			in, at, ok := field.Sense().Field()
			if m := field.Sense().Meaning(); !ok || !in || int(at) != v.at || m.Class != Refused || field.Sense().Code() != "5/24/00" {
				t.Errorf("sense data for %s = %v, field %d; want byte %d refused", v.what, field.Sense(), at, v.at)
			}
		default:
			t.Errorf("Parse(%s, %s) = %v, %v; want an error at %d", v.cdb, v.what, r, err, v.at)
		}
	}
}

// Values wider than their fields lose bits in the block and in Len alike.
func TestWideValuesAreCutEverywhere(t *testing.T) {
	c := ReadCD{Blocks: 0x02000003, Expect: 0x80 | Mode1, Main: UserData | 7, C2: 4, Sub: 8}.Command()
	r, err := Parse(c.CDB())
	if err != nil {
		t.Fatal(err)
	}
	if want := (ReadCD{Blocks: 3, Expect: Mode1, Main: UserData}); r != want || c.Len() != r.Command().Len() {
		t.Errorf("cut request = %#v of %d bytes; want %#v of %d", r, c.Len(), want, r.Command().Len())
	}
}

// Each field of each request by itself, so that none hides behind another.
func TestEachFieldAlone(t *testing.T) {
	for _, s := range samples {
		whole := reflect.ValueOf(s.request)
		for i := range whole.NumField() {
			one := reflect.New(whole.Type()).Elem()
			one.Field(i).Set(whole.Field(i))
			want := one.Interface().(Request)
			if got, err := Parse(want.Command().CDB()); err != nil || got != want {
				t.Errorf("Parse(% X) = %#v, %v; want %#v", want.Command().CDB(), got, err, want)
			}
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range samples {
		f.Add(s.request.Command().CDB())
	}
	f.Add([]byte{0x2A, 0, 0, 0, 0, 0, 0, 0, 1, 0})
	f.Fuzz(func(t *testing.T, cdb []byte) {
		r, err := Parse(cdb)
		if err != nil {
			return
		}
		c := r.Command()
		if !bytes.Equal(c.CDB(), cdb) {
			t.Fatalf("Parse(% X).Command() = % X; want the same", cdb, c.CDB())
		}
		if c.Len() < 0 || (c.Len() > 0) != (c.Direction() != NoData) {
			t.Fatalf("%v carries %d bytes, %v", c, c.Len(), c.Direction())
		}
	})
}

// Any block of the right length and operation code, all other bits by chance.
func TestAnyBlockIsMadeAgainOrRefused(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 0x5C51))
	parsed := map[Op]bool{}
	for op := range commands {
		for range 20000 {
			cdb := make([]byte, op.Size())
			for i := range cdb {
				if r.IntN(3) == 0 { // else zero: many fields are reserved
					a, b := r.Uint32(), r.Uint32()
					cdb[i] = byte(a & b)
				}
			}
			cdb[0] = byte(op)
			req, err := Parse(cdb)
			var field *FieldError
			switch {
			case err == nil && bytes.Equal(req.Command().CDB(), cdb):
				parsed[op] = true
			case errors.As(err, &field) && field.Op == op && field.Byte > 0 && field.Byte < len(cdb):
			default:
				t.Fatalf("Parse(% X) = %v, %v; want a request that makes it, or a field", cdb, req, err)
			}
		}
	}
	if len(parsed) != len(commands) {
		t.Errorf("parsed %d operation codes; want all %d", len(parsed), len(commands))
	}
}

func fromHex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}
