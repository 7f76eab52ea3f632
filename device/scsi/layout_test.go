package scsi

import (
	"bytes"
	"reflect"
	"strings"
	"testing"
)

func zeros(n int) string { return strings.Repeat("00", n) }

// Responses written down byte by byte from the layouts named beside them, each
// field with another value. What a C compiler or sg3_utils can vouch for is in
// outside_test.go.
func TestLayouts(t *testing.T) {
	for _, v := range []struct {
		name string // of the codec
		hex  string
		want any
	}{
		// QEMU and libburn (spc.c); characters that fill their fields.
		{"inquiry data", "25 80 05 32 1F 010203 4142434445464748 303132333435363738394A4B4C4D4E4F 31323334",
			InquiryData{1, 5, true, 5, 0x32, [3]byte{1, 2, 3}, "ABCDEFGH", "0123456789JKLMNO", "1234"}},
		// Linux, drivers/scsi/sr.c, get_sectorsize.
		{"capacity", "0023127F 00000800", Capacity{2298495, 2048}},
		// Linux, include/linux/cdrom.h: event_header (length, NEA and class,
		// supported), media_event_desc (event, present and open, slots).
		{"media status", "0006 04 5E 02 02 00 00", MediaStatus{Supported: 0x5E, Event: NewMedium, Present: true}},
		{"media status", "0006 04 10 03 01 05 06", MediaStatus{Supported: 0x10, Event: Removal, DoorOpen: true, FirstSlot: 5, LastSlot: 6}},
		{"no media status", "0002 80 00", MediaStatus{None: true}},
		// The same, cdrom_mechstat_header and cdrom_slot.
		{"mechanism status", "C3 30 010203 01 0004 81000000", Mechanism{Fault: true, Changer: 2, Slot: 3, State: 1, DoorOpen: true,
			LBA: 0x010203, Slots: []MechanismSlot{{Present: true, Changed: true}}}},
		// MMC's track descriptors [memory]; a data and a sound track, the lead-out.
		{"table of contents", "001A 01 02 00140100 00000000 00100200 00003A98 0014AA00 0004FFFF",
			TOC{1, 2, []TOCTrack{{1, 4, 1, 0}, {1, 0, 2, 15000}, {1, 4, 0xAA, 0x4FFFF}}}},
		{"sessions", "000A 01 02 00140300 00002DB6", SessionInfo{1, 2, TOCTrack{1, 4, 3, 11702}}},
		{"full table of contents", "000D 01 01 01 14 00 A2 04 05 06 00 4A 00 0B",
			FullTable{1, 1, []TOCPoint{{1, 1, 4, 0, 0xA2, MSF{4, 5, 6}, 0, MSF{74, 0, 11}}}}},
		// ntddmmc.h; QEMU's drive sends 0010h so.
		{"configuration", "00000014 0000 0010 0010 01 08 00000800 0010 01 00 001F 02 00",
			Configuration{DVDROM, []Feature{{FeatureRandomReadable, 0, false, true, []byte{0, 0, 8, 0, 0, 16, 1, 0}}, {FeatureDVDRead, 0, true, false, nil}}}},
		// Linux, drivers/cdrom/cdrom.c, dvd_read_physical; codes as in summaries of MMC-5; invented numbers.
		{"physical format", "E1 0F 32 10 00030000 00FCFFFF 0022D7FF 80" + zeros(2031), PhysicalFormat{Book: BookPlusRD, Version: 1, MaxRate: 15,
			Layers: 2, Opposite: true, Recordable: true, LinearCode: 1, Start: 0x30000, End: 0xFCFFFF, EndLayer0: 0x22D7FF, BCA: true, Medium: make([]byte, 2031)}},
		{"physical format", "02 01 01 02 00030000 0026053F 00000000 00" + zeros(2031), PhysicalFormat{Version: 2, MaxRate: 1,
			Layers: 1, Embossed: true, TrackCode: 2, Start: 0x30000, End: 0x26053F, Medium: make([]byte, 2031)}},
		// libburn, doc/mediainfo.txt.
		{"ADIP", zeros(19) + "494E56454E544544 543032" + zeros(226), Maker{"INVENTED", "T02"}},
		{"copyright", "01 FD 0000", Copyright{1, 0xFD}},
		{"list of structures", "00400804 11800104 FFC00020", []StructureEntry{{0, false, true, 0x804}, {0x11, true, false, 0x104}, {0xFF, true, true, 0x20}}},
		{"disc structure", "0005 0000 010203", []byte{1, 2, 3}},
		// libburn, mmc.c, mmc_set_streaming.
		{"streaming range", "0F000000 00000001 0022D7FF 00001356 000003E8 00002B48 000007D0",
			StreamRange{1, true, true, true, 1, 0x22D7FF, 4950, 1000, 11080, 2000}},
		// libburn, mmc.c, interpret_performance.
		{"performance", "00000014 02000000 00000001 000015A4 0023053F 00002B48", Performance{Write: true, Zones: []SpeedZone{{1, 5540, 0x23053F, 11080}}}},
		{"write speeds", "00000014 00000000 0A000000 0023053F 00002B48 000015A4", []WriteSpeed{{1, true, false, 0x23053F, 11080, 5540}}},
		// linux/cdrom.h, mode_page_header; the pages below.
		{"mode data", "001A 01 80 0000 0008 0102030405060708 01 0A 24 04 00000000 03 00 012C",
			ModeData{1, 0x80, []byte{1, 2, 3, 4, 5, 6, 7, 8}, []ModePage{Recovery{TB | PER, 4, 3, 300}.Page()}}},
	} {
		i := 0
		for codecs[i].name != v.name {
			i++
		}
		b := fromHex(t, v.hex)
		got, made, err := codecs[i].parse(b)
		if err != nil || !reflect.DeepEqual(got, v.want) {
			t.Errorf("%s of %s = %+v, %v; want %+v", v.name, v.hex, got, err, v.want)
		}
		if !bytes.Equal(made, b) {
			t.Errorf("%s made again = % X; want %s", v.name, made, v.hex)
		}
	}
}

// MMC-5, table 401, as libburn's doc/mediainfo.txt has it.
func TestBookTypes(t *testing.T) {
	got := []BookType{BookROM, BookRAM, BookR, BookRW, BookPlusRW, BookPlusR, BookPlusRWD, BookPlusRD}
	if want := []BookType{0, 1, 2, 3, 9, 10, 13, 14}; !reflect.DeepEqual(got, want) {
		t.Errorf("book types = %v; want %v", got, want)
	}
}

func TestCapacityBlocks(t *testing.T) {
	if n := (Capacity{Last: 2298495}).Blocks(); n != 2298496 { // as sg_readcap counts it
		t.Errorf("Blocks() = %d; want 2298496", n)
	}
}
