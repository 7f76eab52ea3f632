package unit

import (
	"turnstone/device/scsi"
)

// firstPSN is the physical sector number of a DVD's sector 0 (ECMA-267, clause 16
// [memory]).
const firstPSN = 0x30000

// structure is READ DISC STRUCTURE.
func (u *Unit) structure(r scsi.ReadDiscStructure) ([]byte, *scsi.Sense) {
	m, layers := u.medium, u.drive.Info().Layers
	family := m.Profile.Family()
	switch {
	case r.Media > scsi.MediaBD:
		return nil, u.field(1)
	case family != scsi.DVD && family != scsi.BD, (r.Media == scsi.MediaBD) != (family == scsi.BD):
		return nil, u.says(scsi.IllegalRequest, 0x30, 0x02)
	case int(r.Layer) >= max(len(layers), 1):
		return nil, u.field(6)
	}
	list := m.structures(layers, u.drive.Info().Parallel, r.Layer)
	if r.Format == scsi.StructList {
		var all []scsi.StructureEntry
		for _, s := range list {
			all = append(all, scsi.StructureEntry{Format: s.format, Readable: true, Length: uint16(4 + len(s.bytes))})
		}
		return scsi.AppendStructure(nil, scsi.AppendStructureList(nil, all)), nil
	}
	for _, s := range list {
		if s.format == r.Format {
			return scsi.AppendStructure(nil, s.bytes), nil
		}
	}
	return nil, u.field(7)
}

// inLeadIn is one structure.
type inLeadIn struct {
	format scsi.StructureFormat
	bytes  []byte
}

// structures are those that a disc of its kind has, in order of format.
func (m *Medium) structures(layers []int64, parallel bool, layer uint8) []inLeadIn {
	if m.Profile.Family() == scsi.BD {
		return []inLeadIn{{scsi.StructPhysical, scsi.AppendBDInformation(nil, m.Maker)}}
	}
	physical := m.physical(layers, parallel, layer).Append(nil)
	list := []inLeadIn{
		{scsi.StructPhysical, physical},
		{scsi.StructCopyright, m.Copyright.Append(nil)},
		{scsi.StructManufacturing, make([]byte, 2048)},
	}
	switch m.Profile {
	case scsi.DVDRSeq, scsi.DVDRWRestrict, scsi.DVDRWSeq, scsi.DVDRDLSeq, scsi.DVDRDLJump:
		list = append(list, inLeadIn{scsi.StructPreRecorded, scsi.AppendPreRecorded(nil, m.Maker)})
		if m.Unique != nil {
			list = append(list, inLeadIn{scsi.StructUniqueID, m.Unique})
		}
	}
	list = append(list, inLeadIn{scsi.StructLeadIn, physical})
	switch m.Profile {
	case scsi.DVDPlusR, scsi.DVDPlusRW, scsi.DVDPlusRDL, scsi.DVDPlusRWDL:
		list = append(list, inLeadIn{scsi.StructADIP, scsi.AppendADIP(nil, m.Maker)})
	}
	return list
}

// books is which book of the standards each kind of DVD follows.
var books = map[scsi.Profile]scsi.BookType{
	scsi.DVDROM: scsi.BookROM, scsi.DVDRAM: scsi.BookRAM, scsi.DVDRSeq: scsi.BookR, scsi.DVDRDLSeq: scsi.BookR, scsi.DVDRDLJump: scsi.BookR,
	scsi.DVDRWRestrict: scsi.BookRW, scsi.DVDRWSeq: scsi.BookRW, scsi.DVDPlusRW: scsi.BookPlusRW, scsi.DVDPlusR: scsi.BookPlusR,
	scsi.DVDPlusRWDL: scsi.BookPlusRWD, scsi.DVDPlusRDL: scsi.BookPlusRD,
}

// physical is the physical format information: of two layers on an opposite track the
// numbers on layer 1 are complements of those on layer 0 [memory].
func (m *Medium) physical(layers []int64, parallel bool, layer uint8) scsi.PhysicalFormat {
	p := scsi.PhysicalFormat{Book: books[m.Profile], Version: 1, MaxRate: 2, Layers: uint8(len(layers)), Start: firstPSN,
		Embossed: m.Profile == scsi.DVDROM, Recordable: m.Profile != scsi.DVDROM}
	first, recorded := uint32(layers[0]), uint32(m.end())
	if recorded == 0 {
		recorded = first
	}
	switch {
	case len(layers) == 1:
		p.End = firstPSN + recorded - 1
	case parallel:
		p.End = firstPSN + uint32(layers[layer]) - 1
	default:
		p.Opposite, p.EndLayer0 = true, firstPSN+first-1
		p.End = ^p.EndLayer0&0xFFFFFF + uint32(layers[1]) - 1
	}
	if len(layers) == 2 {
		p.LinearCode = 1 // 0.293 µm a bit
	}
	return p
}
