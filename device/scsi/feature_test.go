package scsi

import (
	"reflect"
	"strings"
	"testing"
)

// The features' views, as sg_get_config reads them.
func TestFeatureViews(t *testing.T) {
	c := Configuration{Features: []Feature{
		ProfileList(ListedProfile{DVDROM, true}, ListedProfile{CDROM, false}),
		RemovableMedium{1, true, false, true}.Feature(),
		RandomReadable{2048, 16, true}.Feature(true), CDRead{true, true, true}.Feature(false),
		Streaming{true, true}.Feature(true), SerialFeature("SN00017"), FirmwareFeature("20260131235958"),
	}}
	removable, ok1 := c.RemovableMedium()
	random, ok2 := c.RandomReadable()
	cd, ok3 := c.CDRead()
	streaming, ok4 := c.Streaming()
	if !ok1 || !ok2 || !ok3 || !ok4 || removable != (RemovableMedium{1, true, false, true}) || random != (RandomReadable{2048, 16, true}) ||
		cd != (CDRead{true, true, true}) || streaming != (Streaming{true, true}) ||
		c.Serial() != "SN00017" || c.Firmware() != "20260131235958" ||
		!reflect.DeepEqual(c.Profiles(), []ListedProfile{{DVDROM, true}, {CDROM, false}}) {
		t.Errorf("views = %+v %+v %+v %+v %q %q %v; want what was set", removable, random, cd, streaming, c.Serial(), c.Firmware(), c.Profiles())
	}
	for _, want := range []CDRead{{DAP: true}, {C2: true}, {CDText: true}} {
		c := Configuration{Features: []Feature{want.Feature(true)}}
		if got, ok := c.CDRead(); !ok || got != want {
			t.Errorf("CDRead() = %+v, %v; want %+v", got, ok, want)
		}
	}
	for _, want := range []Streaming{{SetCDSpeed: true}, {Mode2A: true}} {
		c := Configuration{Features: []Feature{want.Feature(true)}}
		if got, ok := c.Streaming(); !ok || got != want {
			t.Errorf("Streaming() = %+v, %v; want %+v", got, ok, want)
		}
	}
	for _, want := range []RemovableMedium{{Loading: 7}, {Load: true}, {Eject: true}, {Lock: true}} {
		c := Configuration{Features: []Feature{want.Feature()}}
		if got, ok := c.RemovableMedium(); !ok || got != want {
			t.Errorf("RemovableMedium() = %+v, %v; want %+v", got, ok, want)
		}
	}
	// Features cut to what is read of them.
	cut := Configuration{Features: []Feature{{Code: 0x10, Data: []byte{0, 0, 8, 0, 0, 16, 1}}, {Code: 0x1E, Data: []byte{2}},
		{Code: 0x107, Data: []byte{8}}, {Code: 3, Data: []byte{1}}}}
	random, ok1 = cut.RandomReadable()
	cd, ok2 = cut.CDRead()
	streaming, ok3 = cut.Streaming()
	removable, ok4 = cut.RemovableMedium()
	if !ok1 || !ok2 || !ok3 || !ok4 || random != (RandomReadable{2048, 16, true}) || cd != (CDRead{C2: true}) ||
		streaming != (Streaming{SetCDSpeed: true}) || removable != (RemovableMedium{Lock: true}) {
		t.Errorf("views of cut features = %+v %+v %+v %+v; want what is there", random, cd, streaming, removable)
	}
	// Features without their data, and none at all.
	bare := Configuration{Features: []Feature{{Code: FeatureRemovable}, {Code: FeatureRandomReadable}, {Code: FeatureCDRead}, {Code: FeatureRealTimeStream}}}
	_, ok1 = bare.RemovableMedium()
	_, ok2 = bare.RandomReadable()
	cd, ok3 = bare.CDRead()
	streaming, ok4 = bare.Streaming()
	if ok1 || ok2 || !ok3 || !ok4 || cd != (CDRead{}) || streaming != (Streaming{}) {
		t.Errorf("views of bare features = %v %v %v %v; want the last two, and nothing in them", ok1, ok2, ok3, ok4)
	}
	none := Configuration{}
	_, ok1 = none.RemovableMedium()
	_, ok2 = none.RandomReadable()
	_, ok3 = none.CDRead()
	_, ok4 = none.Streaming()
	if ok1 || ok2 || ok3 || ok4 || none.Serial() != "" || none.Firmware() != "" || none.Profiles() != nil {
		t.Errorf("views of no feature = %v %v %v %v; want none", ok1, ok2, ok3, ok4)
	}
}

// The codes are ntddmmc.h's. A serial number takes a multiple of four bytes.
func TestFeatureCodes(t *testing.T) {
	got := []FeatureCode{FeatureProfileList, FeatureCore, FeatureMorphing, FeatureRemovable, FeatureRandomReadable, FeatureMultiRead,
		FeatureCDRead, FeatureDVDRead, FeatureBDRead, FeaturePower, FeatureTimeout, FeatureDVDCSS, FeatureRealTimeStream, FeatureSerialNumber, FeatureFirmwareDate}
	want := []FeatureCode{0, 1, 2, 3, 0x10, 0x1D, 0x1E, 0x1F, 0x40, 0x100, 0x105, 0x106, 0x107, 0x108, 0x10C}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("feature codes = %v; want %v", got, want)
	}
	for n, want := range map[int]int{0: 0, 1: 4, 4: 4, 5: 8, 8: 8, 252: 252, 300: 252} {
		if got := len(SerialFeature(strings.Repeat("7", n)).Data); got != want {
			t.Errorf("feature of a serial number of %d = %d bytes; want %d", n, got, want)
		}
	}
}

func TestSelectFeatures(t *testing.T) {
	c := Configuration{DVDROM, []Feature{{Code: 0, Current: true}, {Code: 0x10}, {Code: 0x1F, Current: true}, {Code: 0x107}}}
	for _, v := range []struct {
		r    GetConfiguration
		want []FeatureCode
	}{
		{GetConfiguration{RT: 0}, []FeatureCode{0, 0x10, 0x1F, 0x107}},
		{GetConfiguration{RT: AllFeatures, Start: 0x10}, []FeatureCode{0x10, 0x1F, 0x107}},
		{GetConfiguration{RT: CurrentFeatures}, []FeatureCode{0, 0x1F}},
		{GetConfiguration{RT: CurrentFeatures, Start: 1}, []FeatureCode{0x1F}},
		{GetConfiguration{RT: OneFeature, Start: 0x10}, []FeatureCode{0x10}},
		{GetConfiguration{RT: OneFeature, Start: 0x11}, nil},
	} {
		var got []FeatureCode
		for _, f := range c.Select(v.r).Features {
			got = append(got, f.Code)
		}
		if !reflect.DeepEqual(got, v.want) || c.Select(v.r).Current != DVDROM {
			t.Errorf("Select(%+v) = %v; want %v", v.r, got, v.want)
		}
	}
}

// The codes are MMC-5's, table 89, as libburn and ntddmmc.h have them.
func TestProfiles(t *testing.T) {
	for _, v := range []struct {
		code   uint16
		name   string
		family Family
	}{
		{0x0000, "no disc", OtherFamily}, {0x0002, "removable disk", OtherFamily}, {0x0008, "CD-ROM", CD}, {0x0009, "CD-R", CD}, {0x000A, "CD-RW", CD},
		{0x0010, "DVD-ROM", DVD}, {0x0011, "DVD-R sequential", DVD}, {0x0012, "DVD-RAM", DVD}, {0x0013, "DVD-RW restricted overwrite", DVD},
		{0x0014, "DVD-RW sequential", DVD}, {0x0015, "DVD-R DL sequential", DVD}, {0x0016, "DVD-R DL layer jump", DVD},
		{0x001A, "DVD+RW", DVD}, {0x001B, "DVD+R", DVD}, {0x0020, "DDCD-ROM", OtherFamily}, {0x002A, "DVD+RW DL", DVD}, {0x002B, "DVD+R DL", DVD},
		{0x0040, "BD-ROM", BD}, {0x0041, "BD-R sequential", BD}, {0x0042, "BD-R random", BD}, {0x0043, "BD-RE", BD},
		{0x0050, "HD DVD-ROM", OtherFamily}, {0x1234, "profile 1234h", OtherFamily}, {0xFFFF, "non-standard", OtherFamily},
	} {
		if p := Profile(v.code); p.String() != v.name || p.Family() != v.family {
			t.Errorf("profile %04X = %v, family %d; want %s, %d", v.code, p, p.Family(), v.name, v.family)
		}
	}
}
