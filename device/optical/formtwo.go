package optical

import (
	"slices"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// formTwo is what is said of CD sectors that no READ brings whole.
const formTwo = "CD sectors of form 2 carry 2,324 bytes, more than a READ brings; READ CD brings them whole"

// formTwoLooks is how many sectors of a track are looked at until one tells its form.
const formTwoLooks = 8

// leaveFormTwo takes the tracks out that hold sectors of form 2, as a Video CD's
// streams do. They lie behind another track of mode 2 in the same session; a look at
// the subheaders of their first sectors tells.
func (d *opened) leaveFormTwo(x *extent) *unfit {
	session, seen := uint16(0), false
	for _, t := range d.facts.Tracks {
		if t.DataMode != 2 || t.Blank || !d.facts.data(t) {
			continue
		}
		if t.Session != session || !seen {
			session, seen = t.Session, true
			continue
		}
		all := extentOf(t)
		if !d.isFormTwo(all) {
			continue
		}
		gone := sector.Of(all)
		written := sector.Of(x.written...)
		rest := written.Subtract(&gone)
		x.written = slices.Collect(rest.Runs())
		x.formTwo = append(x.formTwo, uint8(t.Track))
		x.formTwoAt = append(x.formTwoAt, all)
	}
	if len(x.formTwo) > 0 && len(x.written) == 0 {
		return &unfit{"it holds nothing but sectors of form 2, and none with files", "Is it a Video CD? Its first track, which says what is on it, was not found: try another drive."}
	}
	return nil
}

// isFormTwo tells whether a track's first sectors that can be read are of form 2.
func (d *opened) isFormTwo(track sector.Range) bool {
	for n := range min(track.Count(), formTwoLooks) {
		c := scsi.ReadCD{LBA: uint32(track.First) + uint32(n), Blocks: 1, Main: scsi.Subheader}.Command()
		b, f := d.ask(c)
		if lost(f) || f.is(scsi.Refused) {
			return false
		}
		if f == nil && len(b) >= 8 {
			return hasFormTwo(b)
		}
	}
	return false
}

// hasFormTwo tells whether a subheader, which comes twice, is one of form 2: bit 5 of
// the submode, its third byte (CD-ROM XA [memory]).
func hasFormTwo(subheader []byte) bool { return subheader[2]>>5&1 == 1 }

// ofForm makes of a refusal the disc's word where a sector of a CD's data track is not
// one that READ brings: it is missing from the image, and nothing is wrong with drive or
// request.
func (d *opened) ofForm(e *device.ReadError) {
	if d.info.Kind == "cd" && e.Class == device.Refused && e.Sense == (device.Sense{Key: uint8(scsi.IllegalRequest), ASC: 0x64}) {
		e.Class = device.Medium
	}
}
