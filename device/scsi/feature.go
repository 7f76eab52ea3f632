package scsi

import "fmt"

// FeatureCode is the number of a feature (ntddmmc.h of mingw-w64).
type FeatureCode uint16

const (
	FeatureProfileList    FeatureCode = 0x0000
	FeatureCore           FeatureCode = 0x0001
	FeatureMorphing       FeatureCode = 0x0002
	FeatureRemovable      FeatureCode = 0x0003
	FeatureRandomReadable FeatureCode = 0x0010
	FeatureMultiRead      FeatureCode = 0x001D
	FeatureCDRead         FeatureCode = 0x001E
	FeatureDVDRead        FeatureCode = 0x001F
	FeatureBDRead         FeatureCode = 0x0040
	FeaturePower          FeatureCode = 0x0100
	FeatureTimeout        FeatureCode = 0x0105
	FeatureDVDCSS         FeatureCode = 0x0106
	FeatureRealTimeStream FeatureCode = 0x0107
	FeatureSerialNumber   FeatureCode = 0x0108
	FeatureFirmwareDate   FeatureCode = 0x010C
)

var featureNames = map[FeatureCode]string{
	FeatureProfileList: "profile list", FeatureCore: "core", FeatureMorphing: "morphing",
	FeatureRemovable: "removable medium", FeatureRandomReadable: "random readable",
	FeatureMultiRead: "multi-read", FeatureCDRead: "CD read", FeatureDVDRead: "DVD read",
	FeatureBDRead: "BD read", FeaturePower: "power management", FeatureTimeout: "timeout",
	FeatureDVDCSS: "DVD CSS", FeatureRealTimeStream: "real-time streaming",
	FeatureSerialNumber: "logical unit serial number", FeatureFirmwareDate: "firmware information",
}

// String is the feature's name.
func (f FeatureCode) String() string {
	if s, ok := featureNames[f]; ok {
		return s
	}
	return fmt.Sprintf("feature %04Xh", uint16(f))
}

// ListedProfile is one profile that a drive knows.
type ListedProfile struct {
	Profile Profile
	Current bool
}

// Profiles is what the drive can read or write, from the feature 0000h; nil where
// there is none.
func (c Configuration) Profiles() []ListedProfile {
	f, _ := c.Feature(FeatureProfileList)
	var list []ListedProfile
	for d := f.Data; len(d) >= 4; d = d[4:] {
		list = append(list, ListedProfile{Profile(be.Uint16(d)), has(d[2], 0)})
	}
	return list
}

// ProfileList is feature 0000h; of profiles no more than 63.
func ProfileList(list ...ListedProfile) Feature {
	f := Feature{Code: FeatureProfileList, Persistent: true, Current: true}
	for _, p := range list[:min(len(list), 63)] {
		f.Data = append(be.AppendUint16(f.Data, uint16(p.Profile)), flag(p.Current, 0), 0)
	}
	return f
}

// RandomReadable is feature 0010h.
type RandomReadable struct {
	BlockLen uint32
	Blocking uint16 // blocks that are read together: 16 on DVD, 32 on BD, 1 on CD
	Recovery bool   // PP: mode page 01h is there
}

// RandomReadable is the feature 0010h; false where the drive does not say it.
func (c Configuration) RandomReadable() (RandomReadable, bool) {
	f, ok := c.Feature(FeatureRandomReadable)
	if !ok || len(f.Data) < 7 {
		return RandomReadable{}, false
	}
	return RandomReadable{be.Uint32(f.Data), be.Uint16(f.Data[4:]), has(f.Data[6], 0)}, true
}

// Feature is the feature 0010h.
func (r RandomReadable) Feature(current bool) Feature {
	d := be.AppendUint16(be.AppendUint32(nil, r.BlockLen), r.Blocking)
	return Feature{Code: FeatureRandomReadable, Current: current, Data: append(d, flag(r.Recovery, 0), 0)}
}

// CDRead is feature 001Eh [bits: memory; sg_get_config reads them so].
type CDRead struct {
	DAP    bool // READ CD takes DAP
	C2     bool // READ CD brings C2 flags
	CDText bool
}

// CDRead is the feature 001Eh; false where the drive does not say it.
func (c Configuration) CDRead() (CDRead, bool) {
	f, ok := c.Feature(FeatureCDRead)
	if !ok {
		return CDRead{}, false
	}
	if len(f.Data) < 1 {
		return CDRead{}, true
	}
	return CDRead{DAP: has(f.Data[0], 7), C2: has(f.Data[0], 1), CDText: has(f.Data[0], 0)}, true
}

// Feature is the feature 001Eh.
func (r CDRead) Feature(current bool) Feature {
	return Feature{Code: FeatureCDRead, Version: 2, Current: current,
		Data: []byte{flag(r.DAP, 7) | flag(r.C2, 1) | flag(r.CDText, 0), 0, 0, 0}}
}

// Streaming is feature 0107h [bits: memory; sg_get_config reads them so]. That it
// is there says that the drive takes SET STREAMING and READ(12) with Streaming.
type Streaming struct {
	SetCDSpeed bool // SCS: SET CD SPEED is there
	Mode2A     bool // MP2A: mode page 2Ah lists speeds
}

// Streaming is the feature 0107h; false where the drive does not say it.
func (c Configuration) Streaming() (Streaming, bool) {
	f, ok := c.Feature(FeatureRealTimeStream)
	if !ok {
		return Streaming{}, false
	}
	if len(f.Data) < 1 {
		return Streaming{}, true
	}
	return Streaming{SetCDSpeed: has(f.Data[0], 3), Mode2A: has(f.Data[0], 2)}, true
}

// Feature is the feature 0107h.
func (s Streaming) Feature(current bool) Feature {
	return Feature{Code: FeatureRealTimeStream, Version: 4, Current: current,
		Data: []byte{flag(s.SetCDSpeed, 3) | flag(s.Mode2A, 2), 0, 0, 0}}
}

// RemovableMedium is feature 0003h (linux/cdrom.h, rm_feature_desc).
type RemovableMedium struct {
	Loading uint8 // 3 bits: 0 caddy, 1 tray, 2 pop-up, 4 and 5 changer
	Load    bool  // START STOP UNIT can load
	Eject   bool  // START STOP UNIT can eject
	Lock    bool  // PREVENT ALLOW MEDIUM REMOVAL locks
}

// RemovableMedium is the feature 0003h; false where the drive does not say it.
func (c Configuration) RemovableMedium() (RemovableMedium, bool) {
	f, ok := c.Feature(FeatureRemovable)
	if !ok || len(f.Data) < 1 {
		return RemovableMedium{}, false
	}
	d := f.Data[0]
	return RemovableMedium{Loading: d >> 5, Load: has(d, 4), Eject: has(d, 3), Lock: has(d, 0)}, true
}

// Feature is the feature 0003h.
func (r RemovableMedium) Feature() Feature {
	return Feature{Code: FeatureRemovable, Version: 2, Persistent: true, Current: true,
		Data: []byte{r.Loading<<5 | flag(r.Load, 4) | flag(r.Eject, 3) | flag(r.Lock, 0), 0, 0, 0}}
}

// Serial is the drive's serial number, from feature 0108h; "" where there is none.
func (c Configuration) Serial() string {
	f, _ := c.Feature(FeatureSerialNumber)
	return text(f.Data)
}

// SerialFeature is feature 0108h; its data has a multiple of four bytes.
func SerialFeature(serial string) Feature {
	d := make([]byte, min((len(serial)+3)/4*4, 252))
	putText(d, serial)
	return Feature{Code: FeatureSerialNumber, Persistent: true, Current: true, Data: d}
}

// Firmware is the date of the drive's firmware as it gives it, "YYYYMMDDhhmmss",
// from feature 010Ch; "" where there is none. [digits as characters: memory]
func (c Configuration) Firmware() string {
	f, _ := c.Feature(FeatureFirmwareDate)
	return text(f.Data)
}

// FirmwareFeature is feature 010Ch, of a date of 14 digits.
func FirmwareFeature(date string) Feature {
	d := make([]byte, 16)
	putText(d[:14], date)
	return Feature{Code: FeatureFirmwareDate, Persistent: true, Current: true, Data: d}
}
