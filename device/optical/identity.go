package optical

import (
	"encoding/hex"
	"fmt"
	"strings"

	"turnstone/device"
	"turnstone/device/scsi"
)

// peculiar is a unique disc identifier (structure 0Fh) as text; "" for one that was
// never set: all of its bytes the same. What drives fill it up with is left out.
func peculiar(s []byte) string {
	const most = 64
	s = s[:min(len(s), most)]
	for len(s) > 0 && (s[len(s)-1] == 0 || s[len(s)-1] == 0xFF) {
		s = s[:len(s)-1]
	}
	same := true
	for _, b := range s {
		same = same && b == s[0]
	}
	if same {
		return ""
	}
	return hex.EncodeToString(s)
}

// identity is what the drive tells of the disc that is the same in every drive which
// tells it. What a drive makes up, and what depends on where it looks, is left out:
// the physical format of recordable discs comes from the lead-in or from the groove.
func (d facts) identity(kind string) map[string]string {
	id := map[string]string{}
	put := func(name, value string) {
		if value != "" {
			id[name] = value
		}
	}
	put(device.Unique, d.Unique)
	put("maker", strings.TrimSpace(d.Maker.ID+" "+d.Maker.Type))
	closed := d.Disc != nil && d.Disc.Disc == scsi.Finalized && d.Disc.Sessions == 1
	if kind == "cd" && closed && d.TOC != nil {
		put("table of contents", tocText(*d.TOC))
	}
	if d.Profile == scsi.DVDROM && len(d.Physical) > 0 && d.Physical[0].Embossed && d.Physical[0].Book == scsi.BookROM {
		p := d.Physical[0]
		if n, ok := p.Sectors(); ok {
			path := "one layer"
			if p.Layers == 2 {
				path = fmt.Sprintf("opposite track path, layer 0 ends at %d", int64(p.EndLayer0)-int64(p.Start))
			}
			put("physical format", fmt.Sprintf("%d sectors, %s", n, path))
		}
	}
	if len(id) == 0 {
		return nil
	}
	return id
}

// tocText is where each track begins and what it is: "1 data 0, 2 sound 12000, end
// 200000".
func tocText(t scsi.TOC) string {
	var out []string
	for _, e := range t.Tracks {
		switch {
		case e.Number == scsi.LeadOutTrack:
			out = append(out, fmt.Sprintf("end %d", e.Address))
		case e.Data():
			out = append(out, fmt.Sprintf("%d data %d", e.Number, e.Address))
		default:
			out = append(out, fmt.Sprintf("%d sound %d", e.Number, e.Address))
		}
	}
	return strings.Join(out, ", ")
}

// protections are the kinds of protection by their code in the copyright structure.
var protections = map[uint8]string{1: "CSS or CPPM", 2: "CPRM", 3: "AACS"}

// notes are sentences for the user about the disc.
func (d facts) notes(x extent) []string {
	var out []string
	if d.Guarded != 0 {
		by := ""
		if name := protections[d.Guarded]; name != "" {
			by = " by " + name
		}
		out = append(out, "Titles on this disc are protected"+by+": what is protected is left alone, this program breaks no protection.")
	}
	if len(x.sound) > 0 {
		out = append(out, fmt.Sprintf("%s with sound are left out: only data is read.", tracksInWords(x.sound)))
	}
	if len(x.formTwo) > 0 {
		out = append(out, fmt.Sprintf("%s: sectors of form 2, as a Video CD's streams have them. Their 2,324 bytes are read raw, and kept beside the image.", tracksInWords(x.formTwo)))
	}
	if d.Disc != nil && d.Disc.Disc == scsi.Appendable {
		out = append(out, "The disc was never finalised: what its tracks say is recorded is read.")
	}
	return out
}

// tracksInWords is "Track 2", "Tracks 2, 3" or "Tracks 2 to 9".
func tracksInWords(n []uint8) string {
	switch {
	case len(n) == 1:
		return fmt.Sprintf("Track %d", n[0])
	case len(n) == 2:
		return fmt.Sprintf("Tracks %d, %d", n[0], n[1])
	}
	return fmt.Sprintf("Tracks %d to %d", n[0], n[len(n)-1])
}
