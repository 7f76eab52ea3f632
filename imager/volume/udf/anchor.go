package udf

import (
	"slices"
	"strconv"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Where anchors are (3/8.4.2.1): two of 256, N-256 and N, the last sector. The
// other places are where the kernel looks as well, for discs whose size the drive
// tells wrong, and where writers of bridge discs put theirs.
const (
	firstAnchor = 256
	endAnchors  = 320 // sectors at the end that are looked through
)

// Where a sequence is looked for when there is no anchor: before the first place
// of an anchor writers begin it at 32, 48, 96 or 257 [common practice].
const (
	sequenceFrom = 17
	sequenceTo   = 640
)

// extent is sectors of the volume.
type extent = sector.Range

func readExtent(b []byte) extent {
	n := (int64(le.Uint32(b)&(1<<30-1)) + sector.Size - 1) / sector.Size
	return sector.Span(sector.LBA(le.Uint32(b[4:])), n)
}

// recognised tells whether the recognition sequence (ECMA-167 2/9) of the session
// names this file system; maybe, where a part of it is missing.
func recognised(s *tree.Scan, session sector.LBA) (yes, maybe bool) {
	for a := session + 16; a < session+16+48; a++ {
		if !s.OnDisc(a) {
			break
		}
		b := s.Read(a, tree.Descriptor)
		if b == nil {
			maybe = true
			continue
		}
		switch string(b[1:6]) {
		case "NSR02", "NSR03":
			return true, true
		case "CD001", "BEA01", "BOOT2", "CDW02":
		case "TEA01":
			return false, maybe
		default:
			return false, maybe
		}
	}
	return false, maybe
}

// anchors finds the first anchor that is there and gives the two sequences; false
// where there is none. What is missing before it is reported.
func (v *volume) anchors(session sector.LBA, named bool) (main, reserve extent, ok bool) {
	end := sector.LBA(v.s.Sectors())
	places := []sector.LBA{session + firstAnchor, end - 1 - firstAnchor, end - 1, end - firstAnchor, end - 2 - firstAnchor, session + 512}
	var missing []sector.LBA
	try := func(a sector.LBA, b []byte) bool {
		if tagged(b, int64(a)) != tagAnchor {
			return false
		}
		main, reserve = readExtent(b[16:]), readExtent(b[24:])
		return !main.Empty() || !reserve.Empty()
	}
	serves := func(a sector.LBA) {
		for _, m := range missing {
			v.s.Lacks(m, "what may be an anchor", "the anchor at sector "+strconv.FormatInt(int64(a), 10)+" serves")
		}
	}
	for i, a := range places {
		if !v.s.OnDisc(a) || slices.Contains(places[:i], a) {
			continue
		}
		if i >= 3 && !named {
			break // the further places only where the disc says that there is an anchor
		}
		b := v.s.Read(a, tree.Descriptor)
		if b == nil && i < 3 {
			missing = append(missing, a)
		}
		if try(a, b) {
			serves(a)
			return main, reserve, true
		}
	}
	if named || len(missing) > 0 {
		for a := end - 1; a >= max(0, end-endAnchors); a-- {
			if try(a, v.s.Peek(a)) {
				v.s.Read(a, tree.Descriptor)
				serves(a)
				return main, reserve, true
			}
		}
	}
	v.missing = missing
	return main, reserve, false
}
