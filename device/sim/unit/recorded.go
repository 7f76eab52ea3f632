package unit

import (
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// control is a track's as the table of contents has it: bit 2 is a track of data.
func (k TrackKind) control() uint8 {
	if k == Sound {
		return 0
	}
	return 4
}

// formed tells whether tracks are of mode 2, in forms: on a disc that has one of
// form 2, or says so.
func (m *Medium) formed() bool {
	if m.xa {
		return true
	}
	for _, t := range m.Tracks {
		if t.Kind == FormTwo {
			return true
		}
	}
	return false
}

// sessions is the number of sessions, and the first track of the last one.
func (m *Medium) sessions() (n uint16, first int) {
	first = 1
	for i, t := range m.Tracks {
		if t.Session > n {
			n, first = t.Session, i+1
		}
	}
	return n, first
}

// lastSession is how far the last session is recorded.
func (m *Medium) lastSession() scsi.SessionState {
	n, _ := m.sessions()
	state := scsi.EmptySession
	for _, t := range m.Tracks {
		if t.Session == n && t.Recorded > 0 {
			state = scsi.IncompleteSession
		}
	}
	if m.State == scsi.Finalized {
		return scsi.CompleteSession
	}
	return state
}

// discInformation is READ DISC INFORMATION, standard data.
func (u *Unit) discInformation(r scsi.ReadDiscInformation) ([]byte, *scsi.Sense) {
	if r.Type != 0 {
		return nil, u.field(1)
	}
	m := u.medium
	n, first := m.sessions()
	d := scsi.DiscInformation{Disc: m.State, LastSession: m.lastSession(), FirstTrack: 1, Sessions: n,
		LastFirst: uint16(first), LastLast: uint16(len(m.Tracks)), Unrestrict: true}
	switch m.Profile {
	case scsi.CDRW, scsi.DVDRAM, scsi.DVDRWRestrict, scsi.DVDRWSeq, scsi.DVDPlusRW, scsi.BDRE:
		d.Erasable = true
	}
	if m.formed() {
		d.DiscType = 0x20 // CD-ROM XA [memory]
	}
	return d.Append(nil), nil
}

// trackInformation is READ TRACK INFORMATION, by address, number or session.
func (u *Unit) trackInformation(r scsi.ReadTrackInformation) ([]byte, *scsi.Sense) {
	m, number := u.medium, 0
	switch r.By {
	case scsi.ByLBA:
		if number, _ = m.track(sector.LBA(r.Number)); number == 0 {
			return nil, u.says(scsi.IllegalRequest, 0x21, 0)
		}
	case scsi.ByTrack:
		number = int(min(r.Number, 1<<16))
		if last := len(m.Tracks); r.Number == scsi.InvisibleTrack && last > 0 && m.Tracks[last-1].Recorded < m.Tracks[last-1].Range.Count() {
			number = last
		}
	case scsi.BySession:
		for i, t := range m.Tracks {
			if number == 0 && uint32(t.Session) == r.Number {
				number = i + 1
			}
		}
	default:
		return nil, u.field(1)
	}
	if number < 1 || number > len(m.Tracks) {
		return nil, u.field(2)
	}
	return m.information(number).Append(nil), nil
}

// information is what is told of a track.
func (m *Medium) information(number int) scsi.TrackInformation {
	t := m.Tracks[number-1]
	i := scsi.TrackInformation{Track: uint16(number), Session: t.Session, TrackMode: t.Kind.control(), DataMode: 1,
		Start: uint32(t.Range.First), Size: uint32(t.Range.Count())}
	switch {
	case t.Kind == Sound:
		i.DataMode = 15
	case m.formed():
		i.DataMode = 2
	}
	if free := t.Range.Count() - t.Recorded; free > 0 && m.State != scsi.Finalized {
		i.Blank = t.Recorded == 0
		i.NextWritableValid, i.NextWritable, i.Free = true, uint32(t.Range.First)+uint32(t.Recorded), uint32(free)
	}
	if t.Recorded > 0 {
		i.LastRecordedValid, i.LastRecorded = true, uint32(t.Range.First)+uint32(t.Recorded)-1
	}
	return i
}

// contents is READ TOC/PMA/ATIP. On a DVD or BD a drive makes the tables of format 0
// and 1 up, and has no other (MMC-5, 6.26.3.2.4). A blank disc has none.
func (u *Unit) contents(r scsi.ReadTOC) ([]byte, *scsi.Sense) {
	m := u.medium
	address := func(a sector.LBA) uint32 {
		if r.MSF {
			return scsi.MSFOf(int32(a)).Address()
		}
		return uint32(a)
	}
	var recorded []scsi.TOCTrack
	last := scsi.SessionInfo{First: 1}
	for i, t := range m.Tracks {
		if t.Recorded == 0 {
			continue
		}
		e := scsi.TOCTrack{ADR: 1, Control: t.Kind.control(), Number: uint8(i + 1), Address: address(t.Range.First)}
		recorded = append(recorded, e)
		if uint8(t.Session) > last.Last {
			last.Last, last.Track = uint8(t.Session), e
		}
	}
	if len(recorded) == 0 {
		return nil, u.says(scsi.MediumError, 0x57, 0)
	}
	first, end := recorded[0].Number, recorded[len(recorded)-1].Number
	switch r.Format {
	case scsi.Tracks:
		if r.Number > end && r.Number != scsi.LeadOutTrack {
			return nil, u.field(6)
		}
		t := scsi.TOC{First: first, Last: end}
		for _, e := range recorded {
			if e.Number >= r.Number {
				t.Tracks = append(t.Tracks, e)
			}
		}
		out := scsi.TOCTrack{ADR: 1, Control: recorded[len(recorded)-1].Control, Number: scsi.LeadOutTrack, Address: address(m.end())}
		t.Tracks = append(t.Tracks, out)
		return t.Append(nil), nil
	case scsi.Sessions:
		return last.Append(nil), nil
	case scsi.FullTOC:
		if m.Profile.Family() == scsi.CD {
			return m.fullTable(r.Number).Append(nil), nil
		}
	}
	return nil, u.field(2)
}

// fullTable is what stands in the lead-ins from a session on: first track, last track
// and lead-out of each, then its tracks.
func (m *Medium) fullTable(from uint8) scsi.FullTable {
	n, _ := m.sessions()
	f := scsi.FullTable{First: 1}
	for s := uint16(1); s <= n; s++ {
		var tracks []scsi.TOCPoint
		var out sector.LBA
		for i, t := range m.Tracks {
			if t.Session == s && t.Recorded > 0 {
				tracks = append(tracks, scsi.TOCPoint{Session: uint8(s), ADR: 1, Control: t.Kind.control(), Point: uint8(i + 1), P: scsi.MSFOf(int32(t.Range.First))})
				out = t.Range.First + sector.LBA(t.Recorded)
			}
		}
		if len(tracks) == 0 {
			continue
		}
		f.Last = uint8(s)
		if s < uint16(from) {
			continue
		}
		first, last := tracks[0], tracks[len(tracks)-1]
		point := func(at scsi.TOCPoint, number uint8, p scsi.MSF) scsi.TOCPoint {
			return scsi.TOCPoint{Session: uint8(s), ADR: 1, Control: at.Control, Point: number, P: p}
		}
		f.Points = append(f.Points, point(first, 0xA0, scsi.MSF{M: first.Point}), point(last, 0xA1, scsi.MSF{M: last.Point}),
			point(last, 0xA2, scsi.MSFOf(int32(out))))
		f.Points = append(f.Points, tracks...)
	}
	return f
}
