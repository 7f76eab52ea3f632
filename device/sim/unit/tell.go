package unit

import (
	"slices"

	"turnstone/device/scsi"
	"turnstone/device/sim"
)

// product and revision are what the drive calls itself, beside sim.Vendor and its
// name in the scenario, which is its serial number. All of it is invented.
const (
	product  = "drive"
	revision = "1.00"
	firmware = "20200101000000"
)

// inquiry is INQUIRY: standard data, the serial number (80h), and the list of pages
// (00h).
func (u *Unit) inquiry(r scsi.Inquiry) ([]byte, *scsi.Sense) {
	const pages = 0x00 // SPC: supported VPD pages
	switch {
	case !r.EVPD && r.Page != 0:
		return nil, u.field(2)
	case !r.EVPD:
		return scsi.InquiryData{Type: scsi.TypeCDDVD, Removable: true, Version: 5, Format: 2,
			Vendor: sim.Vendor, Product: product, Revision: revision}.Append(nil), nil
	case r.Page == pages:
		return scsi.AppendVPD(nil, pages, []byte{pages, scsi.VPDSerial}), nil
	case r.Page == scsi.VPDSerial:
		return scsi.AppendVPD(nil, scsi.VPDSerial, []byte(u.name)), nil
	}
	return nil, u.field(2)
}

// reads is the profiles that every drive here reads, the newest first.
var reads = []scsi.Profile{
	scsi.BDRE, scsi.BDRSeq, scsi.BDROM, scsi.DVDPlusRDL, scsi.DVDPlusR, scsi.DVDPlusRW, scsi.DVDRDLSeq, scsi.DVDRWSeq,
	scsi.DVDRWRestrict, scsi.DVDRAM, scsi.DVDRSeq, scsi.DVDROM, scsi.CDRW, scsi.CDR, scsi.CDROM,
}

// pointers tells whether the drive says that it has C2 pointers: where a disc lies in
// it that is simulated so far, and its habit does not stand against it.
func (u *Unit) pointers() bool {
	return u.medium != nil && u.medium.Disc.Scenario().CD() && u.make.Raw != NoPointers
}

// configuration is GET CONFIGURATION.
func (u *Unit) configuration(r scsi.GetConfiguration) ([]byte, *scsi.Sense) {
	if r.RT > scsi.OneFeature {
		return nil, u.field(1)
	}
	profile, readable := scsi.NoProfile, false
	if u.notReady() == nil {
		profile = u.medium.Profile
		readable = u.medium.State != scsi.Blank
	}
	var list []scsi.ListedProfile
	for _, p := range reads {
		list = append(list, scsi.ListedProfile{Profile: p, Current: p == profile})
	}
	family := profile.Family()
	blocking := map[scsi.Family]uint16{scsi.CD: 1, scsi.DVD: 16, scsi.BD: 32}[family]
	current := func(code scsi.FeatureCode, f scsi.Family) scsi.Feature {
		return scsi.Feature{Code: code, Current: family == f, Data: []byte{0, 0, 0, 0}}
	}
	c := scsi.Configuration{Current: profile, Features: []scsi.Feature{
		scsi.ProfileList(list...),
		{Code: scsi.FeatureCore, Version: 2, Persistent: true, Current: true, Data: []byte{0, 0, 0, 1, 0, 0, 0, 0}}, // interface 1: SCSI family [memory]
		scsi.RemovableMedium{Loading: 1, Load: true, Eject: true, Lock: true}.Feature(),
		scsi.RandomReadable{BlockLen: scsi.BlockLen, Blocking: max(blocking, 1), Recovery: true}.Feature(readable),
		scsi.CDRead{C2: u.pointers()}.Feature(family == scsi.CD),
		current(scsi.FeatureDVDRead, scsi.DVD),
		current(scsi.FeatureBDRead, scsi.BD),
		{Code: scsi.FeaturePower, Persistent: true, Current: true},
		{Code: scsi.FeatureTimeout, Persistent: true, Current: true},
		scsi.Streaming{SetCDSpeed: true, Mode2A: true}.Feature(true),
		scsi.SerialFeature(u.name),
		scsi.FirmwareFeature(firmware),
	}}
	c.Features = slices.DeleteFunc(c.Features, func(f scsi.Feature) bool {
		return f.Code == scsi.FeatureRealTimeStream && u.lacks(scsi.OpSetStreaming)
	})
	return c.Select(r).Append(nil), nil
}
