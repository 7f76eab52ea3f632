package iso9660

import (
	"slices"
	"strconv"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

func itoa(n int) string { return strconv.Itoa(n) }

// stray is a directory as its own first sector tells of it.
type stray struct {
	at, size, parent int64
}

// ownRecords is the two records with which a directory begins: its own and its
// parent's. False where b begins with none.
func ownRecords(b []byte) (own, parent record, ok bool) {
	// Cheap first: the length of a record without system use, or more; a name of
	// one byte, 00; the flag of a directory.
	if len(b) < 70 || b[0] < 34 || b[32] != 1 || b[33] != 0 || b[25]&flagFolder == 0 {
		return own, parent, false
	}
	own, ok = parseRecord(b)
	if !ok || !own.own() || !own.agree || own.size == 0 || int(b[0]) == len(b) || b[b[0]] == 0 {
		return own, parent, false
	}
	parent, ok = parseRecord(b[b[0]:])
	return own, parent, ok && parent.agree && string(parent.name) == parentName && parent.folder()
}

// search finds the directories that begin in window and say so themselves.
func search(s *tree.Scan, window sector.Range, block int64) []stray {
	var all []stray
	for a := window.First; a < window.End && s.Err() == nil; a++ {
		b := s.Peek(a)
		if b == nil {
			continue
		}
		own, parent, ok := ownRecords(b)
		if !ok || int64(own.block)*block != a.Offset() || !s.Charge(32) {
			continue
		}
		all = append(all, stray{a.Offset(), int64(own.size), int64(parent.block) * block})
	}
	return all
}

// fromOwnRecords finds directories whose records are missing, and that no path
// table tells of either, by what they say of themselves.
func (w *walk) fromOwnRecords(all []stray) {
	for again := true; again && w.s.Err() == nil; {
		again = false
		for _, d := range all {
			parent := w.folders[d.parent]
			if parent == nil || !parent.node.Lost || w.folders[d.at] != nil || w.movedAt[d.at] {
				continue
			}
			a := sector.LBA(d.at / sector.Size)
			n := &tree.Node{Name: "directory at sector " + itoa(int(a)), Kind: tree.Folder, Found: tree.OwnRecord, Record: a}
			if w.attach(parent, n) && w.enter(&folder{node: n, parent: parent, at: d.at, size: d.size, depth: parent.depth + 1}) != nil {
				w.run()
				again = true
			}
		}
	}
}

// roots is those of the strays that are their own parents, and that no other lists:
// xorriso makes every directory of a Joliet tree its own parent [seen].
func roots(s *tree.Scan, all []stray) []stray {
	listed := map[int64]bool{}
	for _, d := range all {
		for a := sector.LBA(d.at / sector.Size); a < sector.LBA((d.at+d.size)/sector.Size); a++ {
			for b := s.Peek(a); len(b) > 0 && b[0] != 0; b = b[b[0]:] {
				r, ok := parseRecord(b)
				if !ok {
					break
				}
				if at := int64(r.block) * sector.Size; r.folder() && at != d.at && string(r.name) != parentName && s.Charge(16) {
					listed[at] = true
				}
			}
			if !s.Has(a) || s.Err() != nil {
				break
			}
		}
	}
	return slices.DeleteFunc(slices.Clone(all), func(d stray) bool { return d.at != d.parent || listed[d.at] })
}

// wideAt tells whether the directory at d has Joliet's names.
func wideAt(s *tree.Scan, d stray) bool {
	b := s.Peek(sector.LBA(d.at / sector.Size))
	var names [][]byte
	for len(b) > 0 && b[0] != 0 {
		r, ok := parseRecord(b)
		if !ok {
			break
		}
		if string(r.name) != ownName && string(r.name) != parentName {
			names = append(names, r.name)
		}
		b = b[b[0]:]
	}
	return len(names) > 0 && looksWide(names)
}
