package optical

import (
	"fmt"
	"slices"

	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// extent is how far a disc goes and what of it is recorded with sectors of 2048
// bytes of data.
type extent struct {
	sectors   int64
	written   []sector.Range // in order; none: all of it
	sound     []uint8        // numbers of tracks with sound
	formTwo   []uint8        // and with sectors of 2324 bytes
	formTwoAt []sector.Range // where these lie
}

// unfit is why a disc can't be read.
type unfit struct{ what, cure string }

// capacityOf bounds the sectors of a kind of disc: 100 minutes of a CD, two layers
// of a DVD (2 × 2,298,496 in 030000h to FCFFFFh of physical numbers, with room), and
// four of a BD. What a drive says beyond that is nonsense. Common practice, no
// source.
func capacityOf(kind string) int64 {
	switch kind {
	case "cd":
		return 460_000
	case "dvd":
		return 4_800_000
	}
	return mostSectors
}

// recorded works out how far a disc goes. The drive's capacity counts where it makes
// sense; the tracks make it more (an appendable disc of which it names the closed
// part only), or stand for it.
//
//	track 1         track 2       track 3 (open)
//	├──────────┤    ├───────┤     ├──────┤·········┤
//	start   last      start+size      next writable  end
//	        recorded
//	└─ written ┘    └written┘     └writ.─┘
func (d facts) recorded(kind string) (extent, *unfit) {
	var x extent
	if d.Disc != nil && d.Disc.Disc == scsi.Blank {
		return x, &unfit{"the disc is blank: nothing is recorded on it", "Is it the right disc, and the right way up?"}
	}
	end := d.tracks(kind, &x)
	if kind == "cd" && len(x.sound) > 0 && len(x.written) == 0 && len(x.formTwo) == 0 {
		return x, &unfit{"it is an audio disc: it has tracks of sound and none of data", "Sound is not what this program reads: a program for audio CDs does."}
	}
	most := capacityOf(kind)
	switch c := d.Capacity; {
	case c != nil && c.BlockLen != scsi.BlockLen && !slices.Contains([]uint32{0, 2340, 2352}, c.BlockLen):
		// Those three mean 2048 (Linux, sr.c, get_sectorsize).
		return x, &unfit{fmt.Sprintf("its blocks have %d bytes; a sector of data has 2048", c.BlockLen),
			"Try another drive; this one is set up for something else than data discs."}
	case c != nil && c.Last > 0 && c.Blocks() <= most:
		x.sectors = max(c.Blocks(), end)
		if d.Disc != nil && d.Disc.Disc == scsi.Finalized && end > 0 && x.sectors-end > slack {
			x.settle(d.third(kind), end)
		}
	case end > 0:
		x.sectors = end
	case c == nil:
		return x, &unfit{"the drive does not say how large the disc is", assumeCure}
	default:
		return x, &unfit{fmt.Sprintf("the drive says that the disc has %d sectors, which can't be", c.Blocks()), assumeCure}
	}
	return x, nil
}

// slack is by how many sectors what a drive says of the end may differ from itself:
// capacities reach up to 75 beyond the last sector (Linux, sr.c).
const slack = 75

// third is the size by what neither the capacity nor the tracks are made of: a DVD's
// physical format, a CD's lead-out; 0 where there is none.
func (d facts) third(kind string) int64 {
	switch {
	case kind == "dvd" && len(d.Physical) > 0:
		if n, ok := d.Physical[0].Sectors(); ok {
			return n
		}
	case kind == "cd" && d.TOC != nil:
		for _, t := range d.TOC.Tracks {
			if t.Number == scsi.LeadOutTrack {
				return int64(t.Address)
			}
		}
	}
	return 0
}

// settle decides about a closed disc whose capacity reaches far beyond its tracks, by
// a third word. Without one that helps all is read: what is not there costs time, what
// is not read is lost.
func (x *extent) settle(third, end int64) {
	if d := third - end; third > 0 && max(d, -d) <= slack {
		x.sectors = end
		return
	}
	if len(x.sound)+len(x.formTwo) == 0 {
		x.written = nil
	}
}

const assumeCure = "Take the disc out, put it in again, and try another drive. Where its size is known: --assume-sectors N."

// tracks takes over what the tracks say, and returns where the last of them ends, 0
// where they say nothing that makes sense.
func (d facts) tracks(kind string, x *extent) (end int64) {
	most := capacityOf(kind)
	var set sector.Set
	for _, t := range d.Tracks {
		number := uint8(min(t.Track, 255))
		if kind == "cd" && !d.data(t) {
			x.sound = append(x.sound, number)
			continue
		}
		r := extentOf(t)
		if r.Empty() || int64(r.End) > most {
			continue
		}
		set.Add(r)
		end = max(end, int64(r.End))
	}
	if len(d.Tracks) == 0 && kind == "cd" && d.TOC != nil {
		end = d.contents(x, &set, most)
	}
	x.written = slices.Collect(set.Runs())
	return end
}

// extentOf is what is recorded of one track.
func extentOf(t scsi.TrackInformation) sector.Range {
	start := int64(t.Start)
	if t.Start > mostSectors { // CD addresses before 0
		return sector.Range{}
	}
	end := start + int64(t.Size)
	switch {
	case t.Blank:
		return sector.Range{}
	case t.LastRecordedValid && int64(t.LastRecorded) >= start && (t.Size == 0 || int64(t.LastRecorded) < end):
		end = int64(t.LastRecorded) + 1
	case t.NextWritableValid && int64(t.NextWritable) >= start && (t.Size == 0 || int64(t.NextWritable) <= end):
		end = int64(t.NextWritable)
	}
	return sector.Range{First: sector.LBA(start), End: sector.LBA(end)}
}

// data tells whether a CD's track is one of data. The table of contents is in the
// lead-in and so comes before what the drive makes of it.
func (d facts) data(t scsi.TrackInformation) bool {
	if d.TOC != nil {
		for _, e := range d.TOC.Tracks {
			if uint16(e.Number) == t.Track {
				return e.Data()
			}
		}
	}
	return t.TrackMode>>2&1 == 1
}

// contents is tracks by the table of contents alone, where the drive does not know
// READ TRACK INFORMATION.
func (d facts) contents(x *extent, set *sector.Set, most int64) (end int64) {
	for i, t := range d.TOC.Tracks {
		if t.Number == scsi.LeadOutTrack {
			continue
		}
		if !t.Data() {
			x.sound = append(x.sound, t.Number)
			continue
		}
		if i+1 >= len(d.TOC.Tracks) {
			continue
		}
		first, next := int64(t.Address), int64(d.TOC.Tracks[i+1].Address)
		if first >= next || next > most {
			continue
		}
		set.Add(sector.Range{First: sector.LBA(first), End: sector.LBA(next)})
		end = max(end, next)
	}
	return end
}

// sessions is where sessions begin, by the first track of data of each that has
// something recorded.
func (d facts) sessions(kind string, sectors int64) (starts []sector.LBA) {
	last := uint16(0)
	for _, t := range d.Tracks {
		r := extentOf(t)
		if r.Empty() || int64(r.First) >= sectors || t.Session == last || kind == "cd" && !d.data(t) {
			continue
		}
		last = t.Session
		starts = append(starts, r.First)
	}
	slices.Sort(starts)
	return slices.Compact(starts)
}

// kindOf is the kind of disc that a profile stands for; "" where it says nothing of
// it. Not ok says that the profile is of a disc that is not read.
func kindOf(p scsi.Profile) (kind string, ok bool) {
	switch p.Family() {
	case scsi.CD:
		return "cd", true
	case scsi.DVD:
		return "dvd", true
	case scsi.BD:
		return "bd", true
	}
	return "", p == scsi.NoProfile
}

// layers is how many sectors each layer holds, and whether both are read outwards;
// none where that is not known.
func (d facts) layers(kind string, sectors int64) (layers []int64, parallel bool) {
	// One layer of a BD holds 25.025 GB: 12,219,392 sectors [memory].
	const bdLayer = 12_219_392
	switch {
	case kind == "cd", kind == "bd" && sectors <= bdLayer:
		return []int64{sectors}, false
	case len(d.Physical) == 0 || kind != "dvd":
		return nil, false
	}
	p := d.Physical[0]
	switch {
	case p.Layers == 1:
		return []int64{sectors}, false
	case p.Layers != 2:
		return nil, false
	case !p.Opposite && len(d.Physical) < 2:
		return nil, true
	case !p.Opposite:
		p.EndLayer0 = p.End
	}
	first := int64(p.EndLayer0) - int64(p.Start) + 1
	if first <= 0 || first >= sectors {
		return nil, !p.Opposite
	}
	return []int64{first, sectors - first}, !p.Opposite
}
