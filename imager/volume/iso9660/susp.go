package iso9660

import (
	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Bounds of the continuation areas of one record. Writers make one, of less than
// a sector.
const (
	mostContinuations = 32
	mostContinued     = 8 << 10 // bytes
)

// entries goes through the system use entries of a record and of the areas in
// which it continues. It returns false when a part of them is missing or too much,
// and the sector of that part.
func (w *walk) entries(use []byte, each func(signature string, body []byte)) (cut sector.LBA, ok bool) {
	for range mostContinuations {
		var next []byte
		for len(use) >= 4 {
			n := int(use[2])
			if n < 4 || n > len(use) {
				break
			}
			signature, body := string(use[:2]), use[4:n]
			use = use[n:]
			if signature == "ST" {
				break
			}
			if signature == "CE" && len(body) >= 24 {
				next = body
				continue
			}
			each(signature, body)
		}
		if next == nil {
			return 0, true
		}
		block, _ := both32(next)
		offset, _ := both32(next[8:])
		length, _ := both32(next[16:])
		if length > mostContinued || int64(offset) > w.s.Sectors()*sector.Size {
			return 0, false
		}
		at := int64(block)*w.d.block + int64(offset)
		if use = w.bytes(at, int(length), tree.Directory); use == nil {
			return sector.LBA(at / sector.Size), false
		}
	}
	return 0, false
}

// skip is the bytes to pass over in each record, from the SP entry of the root's
// own record; false where it has none (SUSP 5.3).
func (w *walk) skip(use []byte) (int, bool) {
	for at := 0; at+7 <= len(use); at += 14 { // CD-ROM XA puts 14 bytes of its own first [memory]
		if e := use[at:]; e[0] == 'S' && e[1] == 'P' && e[4] == 0xBE && e[5] == 0xEF {
			return int(e[6]), true
		}
	}
	return 0, false
}
