package scsi

import (
	"encoding/hex"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// linux/cdrom.h and a C compiler lay the responses out; what is set there is set
// here.
func TestResponsesAreTheKernelsStructs(t *testing.T) {
	kernelHeader(t, "linux/cdrom.h")
	program := filepath.Join(t.TempDir(), "structs")
	compile(t, "testdata/structs.c", "-o", program)
	out, err := exec.Command(program).Output()
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{}
	for line := range strings.Lines(string(out)) {
		name, bytes, _ := strings.Cut(strings.TrimSpace(line), " ")
		want[name] = bytes
	}
	for name, got := range map[string][]byte{
		"disc_information": DiscInformation{
			Erasable: true, LastSession: IncompleteSession, Disc: Finalized, FirstTrack: 3,
			Sessions: 0x0904, LastFirst: 0x0A05, LastLast: 0x0B06,
			DiscIDValid: true, Unrestrict: true, Dirty: true, Background: 2, DiscType: 0x20,
			DiscID: 0x0C0D0E0F, LeadIn: 0x10111213, LeadOut: 0x14151617,
			BarCode: [8]byte{0x18, 0x19, 0x1A, 0x1B, 0x1C, 0x1D, 0x1E, 0x1F},
		}.Append(nil),
		"track_information": TrackInformation{
			Track: 2, Session: 3, Damage: true, TrackMode: 5, Reserved: true, Packet: true, DataMode: 6, LastRecordedValid: true,
			Start: 0x08090A0B, NextWritable: 0x0C0D0E0F, Free: 0x10111213,
			PacketSize: 0x14151617, Size: 0x18191A1B, LastRecorded: 0x1C1D1E1F,
		}.Append(nil)[:32],
		"request_sense": Sense{
			Key: MediumError, ASC: 0x11, ASCQ: 5, Deferred: true, Valid: true, ILI: true,
			Information: 0x03040506, CommandSpecific: 0x08090A0B, FRU: 0x0E, Specific: Specific{0x80, 0x10, 0x11},
		}.Append(nil),
		"mode_page_header": ModeData{Medium: 0x70, Pages: []ModePage{Recovery{}.Page()}}.Append(nil)[:modeHead],
		"rm_feature_desc":  Configuration{Features: []Feature{RemovableMedium{Loading: 1, Eject: true, Lock: true}.Feature()}}.Append(nil)[configHead:],
		"feature_header":   Configuration{Current: DVDPlusR}.Append(nil),
	} {
		if got := strings.ToUpper(hex.EncodeToString(got)); got != want[name] {
			t.Errorf("%s = %s; want %s", name, got, want[name])
		}
	}
	if len(want) != 6 {
		t.Errorf("structs compared = %d; want 6", len(want))
	}
}

// The programs of sg3_utils 1.46 send these blocks; testdata/sgio.c stands in for
// the drive and prints them.
func TestCommandsAreThoseOfSGUtils(t *testing.T) {
	sg := newSGUtils(t)
	page := Recovery{Flags: AWRE, ReadRetries: 4, WriteRetries: 1, TimeLimit: 300}.Page()
	sg.answer(t, OpInquiry, InquiryData{Type: TypeCDDVD, Format: 2}.Append(nil))
	sg.answer(t, OpModeSense10, ModeData{Pages: []ModePage{page}}.Append(nil))
	selectMode, list, err := SelectMode(page)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []struct {
		line string
		want Request
		data []byte
	}{
		{"sg_turs", TestUnitReady{}, nil},
		{"sg_requests", RequestSense{Alloc: 0xFC}, nil},
		{"sg_requests --desc", RequestSense{Descriptor: true, Alloc: 0xFC}, nil},
		{"sg_inq", Inquiry{Alloc: 36}, nil},
		{"sg_vpd --force --page=0x80", Inquiry{EVPD: true, Page: VPDSerial, Alloc: 0xFC}, nil},
		{"sg_start --stop", StartStopUnit{}, nil},
		{"sg_start --stop --immed", StartStopUnit{Immediate: true}, nil},
		{"sg_start --start", StartStopUnit{Start: true}, nil},
		{"sg_start --eject", StartStopUnit{LoadEject: true}, nil},
		{"sg_start --load", StartStopUnit{LoadEject: true, Start: true}, nil},
		{"sg_start --pc=3", StartStopUnit{Power: 3}, nil},
		{"sg_prevent --allow", PreventAllow{}, nil},
		{"sg_prevent --prevent=1", PreventAllow{Prevent: true}, nil},
		{"sg_prevent --prevent=3", PreventAllow{Prevent: true, Persistent: true}, nil},
		{"sg_readcap", ReadCapacity{}, nil},
		{"sg_seek --lba=0x12345678", Seek10{LBA: 0x12345678}, nil},
		{"sg_get_config", GetConfiguration{Alloc: 0x2000}, nil},
		{"sg_get_config --current --starting=0x1e", GetConfiguration{RT: CurrentFeatures, Start: FeatureCDRead, Alloc: 0x2000}, nil},
		{"sg_get_config --rt=2 --starting=0x107", GetConfiguration{RT: OneFeature, Start: FeatureRealTimeStream, Alloc: 0x2000}, nil},
		{"sg_modes --page=1", ModeSense10{Page: PageRecovery, Alloc: 0x1000}, nil},
		{"sg_modes --page=0x2a --control=1 --dbd", ModeSense10{DBD: true, Control: ChangeableValues, Page: PageCapabilities, Alloc: 0x1000}, nil},
		{"sg_wr_mode --page=1 --contents=" + commas(page), selectMode, list},
	} {
		_, lines := sg.run(t, v.line)
		want := "BLOCK " + strings.ToUpper(hex.EncodeToString(v.want.Command().CDB()))
		if v.data != nil {
			want += "\nDATA " + strings.ToUpper(hex.EncodeToString(v.data))
		}
		if !strings.Contains(lines, want+"\n") {
			t.Errorf("%s sent\n%s; want %s", v.line, lines, want)
		}
	}
	// sg_read wants a block device. These were taken once, with the same stand-in:
	// sg_read if=/dev/loop0 bs=2048 count=16 bpt=16 skip=74565 blk_sgio=1, and
	for _, v := range []struct {
		options, cdb string
		want         Request
	}{
		{"cdbsz=10", "28 00 00 01 23 45 00 00 10 00", Read10{LBA: 74565, Blocks: 16}},
		{"cdbsz=10 fua=1 dpo=1", "28 18 00 01 23 45 00 00 10 00", Read10{LBA: 74565, Blocks: 16, FUA: true, DPO: true}},
		{"cdbsz=12", "A8 00 00 01 23 45 00 00 00 10 00 00", Read12{LBA: 74565, Blocks: 16}},
		{"cdbsz=12 fua=1 dpo=1", "A8 18 00 01 23 45 00 00 00 10 00 00", Read12{LBA: 74565, Blocks: 16, FUA: true, DPO: true}},
	} {
		if got, err := Parse(fromHex(t, v.cdb)); err != nil || got != v.want {
			t.Errorf("sg_read %s: Parse(%s) = %#v, %v; want %#v", v.options, v.cdb, got, err, v.want)
		}
	}
}

// sg3_utils reads what a drive of this package's responses would say.
func TestResponsesReadBySGUtils(t *testing.T) {
	sg := newSGUtils(t)
	sg.answer(t, OpInquiry, InquiryData{Type: TypeCDDVD, Removable: true, Version: 5, Format: 2,
		Vendor: "INVENTED", Product: "DVD-RAM TEST 1", Revision: "A1b2"}.Append(nil))
	sg.answer(t, OpReadCapacity, Capacity{2298495, 2048}.Append(nil))
	sg.answer(t, OpGetConfiguration, Configuration{Current: DVDRSeq, Features: []Feature{
		ProfileList(ListedProfile{CDROM, false}, ListedProfile{DVDRSeq, true}, ListedProfile{BDROM, false}),
		RemovableMedium{Loading: 1, Load: true, Eject: true}.Feature(),
		RandomReadable{2048, 16, true}.Feature(true),
		{Code: FeatureMultiRead},
		CDRead{DAP: true, C2: true}.Feature(false),
		{Code: FeatureDVDRead, Version: 1, Current: true, Data: make([]byte, 4)},
		Streaming{SetCDSpeed: true}.Feature(true),
		SerialFeature("SN00017"),
		FirmwareFeature("20260131235958"),
	}}.Append(nil))
	for line, want := range map[string][]string{
		"sg_inq": {"RMB=1", "version=0x05", "Resp_data_format=2", "cd/dvd", "identification: INVENTED",
			"identification: DVD-RAM TEST 1", "revision level: A1b2"},
		"sg_readcap": {"Last LBA=2298495", "block length=2048"},
		"sg_get_config": {"Current profile: DVD-R sequential recording",
			"profile: CD-ROM , currentP=0", "profile: DVD-R sequential recording , currentP=1", "profile: BD-ROM , currentP=0",
			"Tray type", "Load=1, Eject=1, Prevent jumper=0, Lock=0", "version=2, persist=1, current=1 [0x3]",
			"block size=0x800, blocking=0x10, PP=1", "version=0, persist=0, current=0 [0x1d]",
			"DAP=1, C2 flags=1, CD-Text=0", "version=1, persist=0, current=1 [0x1f]",
			"SCS=1, MP2A=0, WSPD=0, SW=0", "serial number: SN00017", "2026/01/31 23:59:58"},
	} {
		out, _ := sg.run(t, line)
		for _, w := range want {
			if !strings.Contains(out, w) {
				t.Errorf("%s printed\n%s; want %q in it", line, out, w)
			}
		}
	}
	sg.answer(t, OpInquiry, AppendVPD(nil, VPDSerial, []byte("  123456")))
	if out, _ := sg.run(t, "sg_vpd --force --page=0x80"); !strings.Contains(out, "serial number:   123456") {
		t.Errorf("sg_vpd printed %s; want the serial number 123456", out)
	}
	sg.answer(t, OpInquiry, AppendDesignators(nil, []Designator{{Code: 2, Kind: 1, ID: []byte("INVENTED")}}))
	if out, _ := sg.run(t, "sg_vpd --force --page=0x83"); !strings.Contains(out, "vendor id: INVENTED") {
		t.Errorf("sg_vpd printed %s; want the T10 vendor INVENTED", out)
	}
}

// sgUtils runs programs of sg3_utils with testdata/sgio.c in the drive's place.
type sgUtils struct{ library, answers string }

func newSGUtils(t *testing.T) sgUtils {
	t.Helper()
	tool(t, "sg_inq", "sg3-utils")
	s := sgUtils{filepath.Join(t.TempDir(), "sgio.so"), t.TempDir()}
	compile(t, "testdata/sgio.c", "-shared", "-fPIC", "-ldl", "-o", s.library)
	return s
}

func (s sgUtils) answer(t *testing.T, op Op, response []byte) {
	t.Helper()
	name := strings.ToUpper(hex.EncodeToString([]byte{byte(op)}))
	if err := os.WriteFile(filepath.Join(s.answers, name), response, 0o600); err != nil {
		t.Fatal(err)
	}
}

// run is what the program printed, and the stand-in's lines.
func (s sgUtils) run(t *testing.T, line string) (printed, lines string) {
	t.Helper()
	args := append(strings.Fields(line), "/dev/null")
	cmd := exec.Command(tool(t, args[0], "sg3-utils"), args[1:]...)
	cmd.Env = append(os.Environ(), "LD_PRELOAD="+s.library, "SGIO_ANSWERS="+s.answers)
	var out, errs strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run() // some end with an error where nothing answers them
	for l := range strings.Lines(errs.String()) {
		if strings.HasPrefix(l, "BLOCK ") || strings.HasPrefix(l, "DATA ") {
			lines += l
		}
	}
	if lines == "" {
		t.Fatalf("%s sent nothing: %v\n%s", line, err, errs.String())
	}
	return out.String(), lines
}

func compile(t *testing.T, source string, args ...string) {
	t.Helper()
	if out, err := exec.Command(tool(t, "cc", "gcc"), append([]string{source}, args...)...).CombinedOutput(); err != nil {
		t.Fatalf("cc %s: %v\n%s", source, err, out)
	}
}

// commas is bytes as sg_wr_mode takes them.
func commas(b []byte) string {
	var parts []string
	for _, v := range b {
		parts = append(parts, hex.EncodeToString([]byte{v}))
	}
	return strings.Join(parts, ",")
}
