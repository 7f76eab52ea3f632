package iso9660

import (
	"encoding/binary"
	"strings"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Kinds of volume descriptors (8.1.1).
const (
	kindPrimary       = 1
	kindSupplementary = 2
	kindEnd           = 255
)

// firstDescriptor is where they begin in a session (6.2.1), and mostDescriptors
// bounds those that are looked at; writers make up to five.
const (
	firstDescriptor = 16
	mostDescriptors = 24
)

// descriptor is what a primary, supplementary or enhanced volume descriptor says.
type descriptor struct {
	at                sector.LBA
	joliet, enhanced  bool
	label             string
	created           time.Time
	block             int64 // bytes
	space             int64 // size of the volume, bytes
	pathSize          uint32
	pathL, pathLCopy  uint32
	pathM, pathMCopy  uint32
	volumes, sequence uint16
	root              record
}

// parseDescriptor reads a primary or supplementary descriptor. The word says what
// is wrong with it, and is empty where it can be used.
func parseDescriptor(b []byte, at sector.LBA) (*descriptor, string) {
	d := &descriptor{at: at, created: longTime(b[813:830]),
		pathL: binary.LittleEndian.Uint32(b[140:]), pathLCopy: binary.LittleEndian.Uint32(b[144:]),
		pathM: binary.BigEndian.Uint32(b[148:]), pathMCopy: binary.BigEndian.Uint32(b[152:])}
	if b[0] == kindSupplementary {
		escape := string(b[88:91])
		d.joliet = escape == "%/@" || escape == "%/C" || escape == "%/E"
		d.enhanced = b[6] == 2
		if !d.joliet && !d.enhanced {
			return nil, "a supplementary descriptor with characters of unknown kind is not read"
		}
	}
	d.label = strings.TrimRight(d.text(b[40:72]), " \x00")
	size, _ := both16(b[128:])
	switch size {
	case 512, 1024, 2048:
		d.block = int64(size)
	default:
		return nil, "a volume descriptor with blocks of no known size"
	}
	space, _ := both32(b[80:])
	d.space = int64(space) * d.block
	d.volumes, _ = both16(b[120:])
	d.sequence, _ = both16(b[124:])
	d.pathSize, _ = both32(b[132:])
	root, ok := parseRecord(b[156:190])
	if !ok || !root.folder() || root.size == 0 {
		return nil, "a volume descriptor without a root directory"
	}
	d.root = root
	return d, ""
}

// found is the descriptors of a session.
type found struct {
	primary, joliet *descriptor
	others          []*descriptor // enhanced ones with another root than the primary's
	any             bool          // some descriptor of this standard is there
	holes           []sector.LBA  // where one may be missing
	ended           bool          // the end was seen
}

// descriptors reads those of the session.
func descriptors(s *tree.Scan, session sector.LBA) found {
	var f found
	var enhanced []*descriptor
	for a := session + firstDescriptor; a < session+firstDescriptor+mostDescriptors && s.OnDisc(a); a++ {
		b := s.Read(a, tree.Descriptor)
		if b == nil {
			if s.Err() != nil {
				break
			}
			f.holes = append(f.holes, a)
			continue
		}
		if string(b[1:6]) != "CD001" {
			if string(b[9:14]) == "CDROM" {
				s.Wrong(a, "a High Sierra volume, older than ISO 9660, is not read")
			}
			if isRecognition(b) {
				continue
			}
			f.ended = true
			break
		}
		f.any = true
		if b[0] == kindEnd {
			f.ended = true
			break
		}
		if b[0] != kindPrimary && b[0] != kindSupplementary {
			continue
		}
		d, wrong := parseDescriptor(b, a)
		switch {
		case wrong != "":
			s.Wrong(a, "%s", wrong)
		case d.enhanced:
			enhanced = append(enhanced, d)
		case d.joliet && f.joliet == nil:
			f.joliet = d
		case !d.joliet && f.primary == nil:
			f.primary = d
		}
	}
	for _, d := range enhanced {
		switch {
		case f.primary == nil:
			f.primary = d
		case f.primary.root.block != d.root.block:
			f.others = append(f.others, d)
		}
	}
	if !f.any && s.Has(session+firstDescriptor) {
		f.holes = nil // another file system's disc: where this one is, it comes first
	}
	return f
}

// isRecognition tells whether b is a descriptor of the volume recognition
// sequence that is not this standard's (ECMA-167 2/9).
func isRecognition(b []byte) bool {
	switch string(b[1:6]) {
	case "BEA01", "NSR02", "NSR03", "TEA01", "BOOT2", "CDW02":
		return true
	}
	return false
}
