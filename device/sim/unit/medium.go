package unit

import (
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
)

// Medium is a disc as it can be put into a drive: what lies on it, and what a drive
// tells of it. It must not be changed once it was put in.
type Medium struct {
	Disc  *sim.Disc
	Round int    // whose surface it has
	Pass  uint32 // as in sim.Opening

	Profile scsi.Profile
	State   scsi.DiscState
	Tracks  []Track // in order of address, numbered from 1

	Claims    *scsi.Capacity // what READ CAPACITY says instead of what is so
	Unique    []byte         // unique disc identifier, of -R and -RW
	Maker     scsi.Maker     // of recordable discs
	Copyright scsi.Copyright

	xa bool // its data is of mode 2
}

// Track is a track of a CD, or what stands for one on other discs: a border, a
// session, an RZone.
type Track struct {
	Session  uint16
	Range    sector.Range // that is reserved for it
	Recorded int64        // sectors from its first on
	Kind     TrackKind
}

// TrackKind is what is recorded in a track.
type TrackKind uint8

const (
	Data    TrackKind = iota // sectors of 2048 bytes
	Sound                    // of a CD
	FormTwo                  // of a CD: sectors of 2324 bytes, which a READ does not bring
)

// Pressed is a DVD-ROM.
func Pressed(d *sim.Disc, round int) *Medium {
	all := sector.Span(0, d.Scenario().Sectors)
	return &Medium{Disc: d, Round: round, Profile: scsi.DVDROM, State: scsi.Finalized,
		Tracks: []Track{{Session: 1, Range: all, Recorded: all.Count()}}}
}

// Recorded is a disc that was written in sittings, one track a session: so many
// sectors each, one behind the other. What is left is a last, empty track where the
// disc is not finalised.
func Recorded(d *sim.Disc, p scsi.Profile, state scsi.DiscState, sectors ...int64) *Medium {
	m := &Medium{Disc: d, Profile: p, State: state}
	end := sector.LBA(0)
	for i, n := range sectors {
		m.Tracks = append(m.Tracks, Track{Session: uint16(i + 1), Range: sector.Span(end, n), Recorded: n})
		end += sector.LBA(n)
	}
	if rest := (sector.Range{First: end, End: sector.LBA(d.Scenario().Sectors)}); state != scsi.Finalized && !rest.Empty() {
		m.Tracks = append(m.Tracks, Track{Session: uint16(len(sectors) + 1), Range: rest})
	}
	return m
}

// end is where the last track ends that has anything in it.
func (m *Medium) end() sector.LBA {
	end := sector.LBA(0)
	for _, t := range m.Tracks {
		if t.Recorded > 0 {
			end = max(end, t.Range.First+sector.LBA(t.Recorded))
		}
	}
	return end
}

// track is the number and the track that a sector lies in; 0 where it lies in none.
func (m *Medium) track(a sector.LBA) (number int, t Track) {
	for i, t := range m.Tracks {
		if t.Range.Contains(a) {
			return i + 1, t
		}
	}
	return 0, Track{}
}

// recorded is the part of r, from its first sector on, that is recorded.
func (m *Medium) recorded(r sector.Range) sector.Range {
	at := r.First
	for at < r.End {
		_, t := m.track(at)
		end := t.Range.First + sector.LBA(t.Recorded)
		if at >= end {
			break
		}
		at = min(end, r.End)
	}
	return sector.Range{First: r.First, End: at}
}

// capacity is what READ CAPACITY says: up to the end of what is recorded. Of a blank
// disc that is nothing, which the field can't say [memory].
func (m *Medium) capacity() scsi.Capacity {
	if m.Claims != nil {
		return *m.Claims
	}
	return scsi.Capacity{Last: uint32(max(m.end(), 1) - 1), BlockLen: scsi.BlockLen}
}
