package scsi

import "fmt"

// Profile is a kind of disc, as a drive names the one that it finds (MMC-5, table
// 89, as quoted in libburn; ntddmmc.h of mingw-w64 agrees).
type Profile uint16

const (
	NoProfile     Profile = 0x0000
	CDROM         Profile = 0x0008
	CDR           Profile = 0x0009
	CDRW          Profile = 0x000A
	DVDROM        Profile = 0x0010
	DVDRSeq       Profile = 0x0011
	DVDRAM        Profile = 0x0012
	DVDRWRestrict Profile = 0x0013
	DVDRWSeq      Profile = 0x0014
	DVDRDLSeq     Profile = 0x0015
	DVDRDLJump    Profile = 0x0016
	DVDPlusRW     Profile = 0x001A
	DVDPlusR      Profile = 0x001B
	DVDPlusRWDL   Profile = 0x002A
	DVDPlusRDL    Profile = 0x002B
	BDROM         Profile = 0x0040
	BDRSeq        Profile = 0x0041
	BDRRandom     Profile = 0x0042
	BDRE          Profile = 0x0043
)

var profileNames = map[Profile]string{
	NoProfile: "no disc", 1: "non-removable disk", 2: "removable disk",
	3: "MO erasable", 4: "MO write once", 5: "AS-MO",
	CDROM: "CD-ROM", CDR: "CD-R", CDRW: "CD-RW",
	DVDROM: "DVD-ROM", DVDRSeq: "DVD-R sequential", DVDRAM: "DVD-RAM",
	DVDRWRestrict: "DVD-RW restricted overwrite", DVDRWSeq: "DVD-RW sequential",
	DVDRDLSeq: "DVD-R DL sequential", DVDRDLJump: "DVD-R DL layer jump",
	DVDPlusRW: "DVD+RW", DVDPlusR: "DVD+R", 0x20: "DDCD-ROM", 0x21: "DDCD-R", 0x22: "DDCD-RW",
	DVDPlusRWDL: "DVD+RW DL", DVDPlusRDL: "DVD+R DL",
	BDROM: "BD-ROM", BDRSeq: "BD-R sequential", BDRRandom: "BD-R random", BDRE: "BD-RE",
	0x50: "HD DVD-ROM", 0x51: "HD DVD-R", 0x52: "HD DVD-RAM", 0x53: "HD DVD-RW",
	0x58: "HD DVD-R DL", 0x5A: "HD DVD-RW DL", 0xFFFF: "non-standard",
}

// String is the disc's name in the trade.
func (p Profile) String() string {
	if s, ok := profileNames[p]; ok {
		return s
	}
	return fmt.Sprintf("profile %04Xh", uint16(p))
}

// Family is what a disc is a kind of.
type Family uint8

const (
	OtherFamily Family = iota
	CD
	DVD
	BD
)

// Family is CD, DVD or BD by the ranges in which the codes lie.
func (p Profile) Family() Family {
	switch {
	case p >= 0x08 && p <= 0x0A:
		return CD
	case p >= 0x10 && p <= 0x1B || p == DVDPlusRWDL || p == DVDPlusRDL:
		return DVD
	case p >= 0x40 && p <= 0x43:
		return BD
	}
	return OtherFamily
}
