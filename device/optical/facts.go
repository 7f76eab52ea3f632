package optical

import (
	"reflect"

	"turnstone/device"
	"turnstone/device/scsi"
)

// facts are what a drive tells of itself and of the disc in it. What it does not
// tell, or tells in a way that makes no sense, is missing. They are compared to see
// whether a disc is still the same.
type facts struct {
	Profile  scsi.Profile // NoProfile where the drive does not say
	Capacity *scsi.Capacity
	Disc     *scsi.DiscInformation
	Tracks   []scsi.TrackInformation
	TOC      *scsi.TOC
	Physical []scsi.PhysicalFormat // of layer 0, and of layer 1 where both are parallel
	Unique   string                // unique disc identifier
	Maker    scsi.Maker
	Guarded  uint8 // protection: see scsi.Copyright

	// refusal is why the drive could not say how large the disc is.
	refusal *fault
}

const (
	configurationRoom = 4096
	tocRoom           = 4 + 8*100 // 99 tracks and the lead-out
	structureRoom     = 4 + scsi.PhysicalFormatLen
	bdStructureRoom   = 4 + 4096
	// mostTracks bounds how many tracks are asked about. A CD has 99; of recordable
	// DVDs and BDs some have more, where each sitting made a few.
	mostTracks = 512
)

// configuration is the drive's features and the disc's profile.
func (u *unit) configuration() (scsi.Configuration, *fault) {
	b, f := u.ask(scsi.GetConfiguration{Alloc: configurationRoom}.Command())
	if f != nil {
		return scsi.Configuration{}, f
	}
	c, err := scsi.ParseConfiguration(b)
	if !usable(err) {
		return scsi.Configuration{}, nil
	}
	return c, nil
}

// facts asks for all that is told of a disc without reading sectors. A fault says
// that the drive has gone or does not answer.
func (u *unit) facts() (d facts, f *fault) {
	c, f := u.configuration()
	if lost(f) {
		return d, f
	}
	d.Profile = c.Current
	for _, step := range []func(*facts) *fault{
		u.askCapacity, u.askDisc, u.askTracks, u.askTOC, u.askPhysical, u.askIdentity,
	} {
		if f := step(&d); lost(f) {
			return d, f
		}
		if d.refusal.is(scsi.Unrecognised) {
			return d, nil // each further question may cost the drive another try
		}
	}
	return d, nil
}

// same tells whether two drives' words are of one disc, or can't be told from that.
func (d facts) same(e facts) bool {
	d.refusal, e.refusal = nil, nil
	return reflect.DeepEqual(d, e)
}

// lost tells whether a fault stands against asking on.
func lost(f *fault) bool {
	return f != nil && (f.lost == device.Stalled || f.lost == device.Gone || f.is(scsi.NoMedium) || f.is(scsi.NotReady))
}

func (u *unit) askCapacity(d *facts) *fault {
	b, f := u.ask(scsi.ReadCapacity{}.Command())
	if f != nil {
		d.refusal = f
		return f
	}
	if c, err := scsi.ParseCapacity(b); usable(err) {
		d.Capacity = &c
	}
	return nil
}

func (u *unit) askDisc(d *facts) *fault {
	b, f := u.ask(scsi.ReadDiscInformation{Alloc: scsi.DiscInformationLen}.Command())
	if f != nil {
		return f
	}
	if i, err := scsi.ParseDiscInformation(b); usable(err) {
		d.Disc = &i
	}
	return nil
}

// askTracks asks about each track that the disc information names.
func (u *unit) askTracks(d *facts) *fault {
	if d.Disc == nil {
		return nil
	}
	first, last := uint32(d.Disc.FirstTrack), uint32(d.Disc.LastLast)
	if first == 0 || last < first || last-first >= mostTracks {
		return nil
	}
	for n := first; n <= last; n++ {
		b, f := u.ask(scsi.ReadTrackInformation{By: scsi.ByTrack, Number: n, Alloc: scsi.TrackInformationLen}.Command())
		if f != nil {
			d.Tracks = nil // a list with a hole would pass something recorded over
			return f
		}
		t, err := scsi.ParseTrackInformation(b)
		if !usable(err) {
			d.Tracks = nil
			return nil
		}
		d.Tracks = append(d.Tracks, t)
	}
	return nil
}

func (u *unit) askTOC(d *facts) *fault {
	b, f := u.ask(scsi.ReadTOC{Format: scsi.Tracks, Alloc: tocRoom}.Command())
	if f != nil {
		return f
	}
	if t, err := scsi.ParseTOC(b); usable(err) && len(t.Tracks) > 0 {
		d.TOC = &t
	}
	return nil
}

// structure asks for a structure of the disc; nil where the drive has none.
func (u *unit) structure(r scsi.ReadDiscStructure) ([]byte, *fault) {
	b, f := u.ask(r.Command())
	if f != nil {
		return nil, f
	}
	s, err := scsi.ParseStructure(b)
	if !usable(err) {
		return nil, nil
	}
	return s, nil
}

func (u *unit) askPhysical(d *facts) *fault {
	if d.Profile.Family() != scsi.DVD {
		return nil
	}
	for layer := range uint8(2) {
		s, f := u.structure(scsi.ReadDiscStructure{Layer: layer, Format: scsi.StructPhysical, Alloc: structureRoom})
		if f != nil {
			return f
		}
		p, err := scsi.ParsePhysicalFormat(s)
		if err != nil {
			return nil
		}
		d.Physical = append(d.Physical, p)
		if p.Layers != 2 || p.Opposite {
			return nil
		}
	}
	return nil
}

// askIdentity asks for what tells one disc from another, and for protection.
func (u *unit) askIdentity(d *facts) *fault {
	type question struct {
		scsi.ReadDiscStructure
		take func(s []byte)
	}
	dvd := func(format scsi.StructureFormat, take func(s []byte)) question {
		return question{scsi.ReadDiscStructure{Format: format, Alloc: structureRoom}, take}
	}
	var list []question
	switch d.Profile.Family() {
	case scsi.DVD:
		list = append(list, dvd(scsi.StructCopyright, func(s []byte) {
			if c, err := scsi.ParseCopyright(s); err == nil {
				d.Guarded = c.Protection
			}
		}))
	case scsi.BD:
		list = append(list, question{
			scsi.ReadDiscStructure{Media: scsi.MediaBD, Format: scsi.StructPhysical, Alloc: bdStructureRoom},
			func(s []byte) { d.Maker, _ = scsi.ParseBDInformation(s) },
		})
	}
	switch d.Profile {
	case scsi.DVDPlusR, scsi.DVDPlusRW, scsi.DVDPlusRDL, scsi.DVDPlusRWDL:
		list = append(list, dvd(scsi.StructADIP, func(s []byte) { d.Maker, _ = scsi.ParseADIP(s) }))
	case scsi.DVDRSeq, scsi.DVDRWRestrict, scsi.DVDRWSeq, scsi.DVDRDLSeq, scsi.DVDRDLJump:
		list = append(list,
			dvd(scsi.StructPreRecorded, func(s []byte) { d.Maker, _ = scsi.ParsePreRecorded(s) }),
			dvd(scsi.StructUniqueID, func(s []byte) { d.Unique = peculiar(s) }))
	}
	for _, q := range list {
		s, f := u.structure(q.ReadDiscStructure)
		if lost(f) {
			return f
		}
		if len(s) > 0 {
			q.take(s)
		}
	}
	return nil
}
