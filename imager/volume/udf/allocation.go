package udf

import (
	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Kinds of extents, the upper two bits of their lengths (4/14.14.1.1).
const (
	extentRecorded = 0
	extentGoesOn   = 3
)

const (
	aedHead      = 24
	mostPieces   = 1 << 20 // of one file
	mostContinue = 1 << 16 // continuations of one file
)

// piece is an extent as an allocation descriptor tells it.
type piece struct {
	at     address
	length int64
	place  tree.Place // Unplaced for what the missing rest of the descriptors would tell
}

// pieces goes through the extents of a file, up to its size. It gives the sectors
// with descriptors that are missing, and what is wrong with them.
func (v *volume) pieces(e *entry, yield func(piece) bool) (lacks []sector.LBA, wrong string) {
	size := map[uint8]int{formShort: 8, formLong: 16, formExtended: 20}[e.form]
	if size == 0 {
		return nil, "its allocation descriptors are of an unknown kind"
	}
	met := map[address]bool{}
	left, desc := e.size, e.desc
	for n := 0; left > 0; n++ {
		if len(desc) < size {
			wrong = "its extents are shorter than it is"
			break
		}
		d := desc[:size]
		desc = desc[size:]
		ad := longAd{length: le.Uint32(d) & (1<<30 - 1), kind: uint8(le.Uint32(d) >> 30)}
		switch e.form {
		case formShort:
			ad.at = address{le.Uint32(d[4:]), e.part}
		case formLong:
			ad.at = readLong(d).at
		case formExtended:
			if le.Uint32(d[4:]) != le.Uint32(d[8:]) {
				return nil, "it is recorded compressed, which is not read"
			}
			ad.at = address{le.Uint32(d[12:]), le.Uint16(d[16:])}
		}
		if ad.length == 0 {
			wrong = "its extents are shorter than it is"
			break
		}
		if n > mostPieces || !v.s.Work(1) {
			wrong = "it has too many extents"
			break
		}
		if ad.kind != extentGoesOn {
			p := piece{ad.at, min(left, int64(ad.length)), tree.Zeros}
			if ad.kind == extentRecorded {
				p.place = tree.Recorded
			}
			left -= p.length
			if !yield(p) {
				return nil, ""
			}
			continue
		}
		if met[ad.at] || len(met) > mostContinue {
			wrong = "its allocation descriptors go round in a ring"
			break
		}
		met[ad.at] = true
		if desc, lacks, wrong = v.further(ad); desc == nil {
			break
		}
	}
	if left > 0 {
		yield(piece{length: left, place: tree.Unplaced})
	}
	return lacks, wrong
}

// further reads the descriptors in the extent where they go on (4/14.5).
func (v *volume) further(ad longAd) (desc []byte, lacks []sector.LBA, wrong string) {
	wrong = "its allocation descriptors go on where nothing is"
	b, _, lacks := v.read(ad.at, tree.Directory, func(b []byte, _ sector.LBA) bool {
		return tagged(b, int64(ad.at.block)) == tagAED
	})
	if b == nil {
		if len(lacks) > 0 {
			wrong = "a part of its allocation descriptors is missing"
		}
		return nil, lacks, wrong
	}
	n := int64(le.Uint32(b[20:]))
	if aedHead+n > int64(ad.length) || n > 64*sector.Size {
		return nil, nil, "a part of its allocation descriptors is longer than its place"
	}
	desc = append([]byte{}, b[aedHead:min(int64(len(b)), aedHead+n)]...)
	for int64(len(desc)) < n {
		ad.at.block++
		b, _, lacks := v.read(ad.at, tree.Directory, nil)
		if b == nil {
			return nil, lacks, "a part of its allocation descriptors is missing"
		}
		desc = append(desc, b[:min(int64(len(b)), n-int64(len(desc)))]...)
	}
	return desc, nil, ""
}

// extents gives n the extents of the file; under, where it is not nil, is the
// partition of them all.
func (v *volume) extents(n *tree.Node, e *entry, under part) {
	if e.form == formWithin {
		if e.size > int64(len(e.desc)) {
			n.Doubt = "it is longer than the file entry that it lies in"
			n.Append(tree.Extent{Length: e.size, Place: tree.Unplaced})
		} else if e.size > 0 {
			n.Append(tree.Extent{Length: e.size, At: e.descAt})
		}
		v.s.Charge(tree.ExtentCost)
		return
	}
	had := 0
	add := func(x tree.Extent) bool {
		n.Append(x)
		if len(n.Extents) > had {
			had = len(n.Extents)
			return v.s.Charge(tree.ExtentCost)
		}
		return v.s.Work(1)
	}
	lacks, wrong := v.pieces(e, func(p piece) bool {
		if p.place != tree.Recorded {
			return add(tree.Extent{Length: p.length, Place: p.place})
		}
		from := under
		if from == nil {
			from = v.part(p.at.part)
		}
		for block, left := int64(p.at.block), p.length; left > 0; {
			var x tree.Extent
			run := int64(far)
			x.Place = tree.Unplaced
			if from != nil {
				at, _, n, ok := from.place(block)
				if run = n; ok {
					x.Place, x.At = tree.Recorded, at.Offset()
				}
			}
			x.Length = min(left, run*sector.Size)
			left, block = left-x.Length, block+run
			if !add(x) {
				return false
			}
		}
		return true
	})
	for _, a := range lacks {
		n.Lack(a)
	}
	if wrong != "" {
		n.Doubt = wrong
	}
}

// contents goes through the bytes of a file that is read as a structure, block by
// block: the bytes, nil where they are missing; how many they are; the sector where
// they are or, missing, would be, -1 where nobody knows. Yield says whether to go
// on. Under is as for extents. The words tell what is wrong with the descriptors.
func (v *volume) contents(e *entry, under part, c tree.Class, yield func(b []byte, n int, at sector.LBA) bool) (lacks []sector.LBA, wrong string) {
	if e.form == formWithin {
		b := e.desc[:min(e.size, int64(len(e.desc)))]
		yield(b, len(b), e.at)
		if e.size > int64(len(b)) {
			return nil, "it is longer than the file entry that it lies in"
		}
		return nil, ""
	}
	return v.pieces(e, func(p piece) bool {
		if p.place != tree.Recorded {
			return yield(nil, int(min(p.length, 1<<30)), -1)
		}
		for i := int64(0); i < p.length && v.s.Work(1); i += sector.Size {
			n := int(min(sector.Size, p.length-i))
			a := address{p.at.block + uint32(i/sector.Size), p.at.part}
			var b []byte
			at := sector.LBA(-1)
			var lack []sector.LBA
			if under != nil {
				at, _, _, _ = under.place(int64(a.block))
				b = v.s.Read(at, c)
			} else if b, at, lack = v.read(a, c, nil); b == nil {
				if at = -1; len(lack) > 0 {
					at = lack[0]
				}
			}
			if b != nil {
				b = b[:n]
			}
			if v.s.Err() != nil || !yield(b, n, at) {
				return false
			}
		}
		return true
	})
}
