package udf

import (
	"fmt"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// parentOf is the parent that a directory names in its first identifier.
func (v *volume) parentOf(e *entry) (parent address, ok bool) {
	v.contents(e, nil, tree.Directory, func(b []byte, _ int, _ sector.LBA) bool {
		if len(b) < identifierHead || le.Uint16(b) != tagFID || b[18]&flagParent == 0 {
			return false
		}
		n := (identifierHead + int(b[19]) + int(le.Uint16(b[36:])) + 3) &^ 3
		if n <= len(b) && tagged(b[:n], anywhere) == tagFID {
			parent, ok = readLong(b[20:]).at, true
		}
		return false
	})
	return parent, ok
}

// eachFolder goes through the directories whose entries are in the first blocks of
// a partition.
func (v *volume) eachFolder(part uint16, yield func(a address, e *entry) bool) {
	p := v.part(part)
	if p == nil {
		return
	}
	blocks := v.window
	if t, ok := p.(virtual); ok {
		blocks = int64(len(t.table))
	}
	for block := range min(blocks, v.s.Sectors()) {
		if v.s.Err() != nil {
			return
		}
		at, copy, _, ok := p.place(block)
		if !ok {
			continue
		}
		for _, at := range []sector.LBA{at, copy} {
			b := v.s.Peek(at)
			if b == nil {
				continue
			}
			if kind := le.Uint16(b); kind != tagFE && kind != tagEFE || b[27] != kindFolder {
				break
			}
			v.s.Work(8)
			e, wrong := v.parseEntry(b, at, block)
			if wrong != "" || e.links == 0 {
				break
			}
			e.part = part
			if !yield(address{uint32(block), part}, e) {
				return
			}
			break
		}
	}
}

// searchRoot finds the root without the descriptors that tell of it: in the
// partitions as far as they are known, else in the one that the tags of file set
// descriptors and entries vouch for.
func (v *volume) searchRoot(session sector.LBA) (address, bool) {
	parts := len(v.parts)
	if v.known() == 0 {
		start, ok := v.vote(session)
		if !ok {
			return address{}, false
		}
		v.only, parts = plain{start}, 1
		v.spare = true
		v.doubt("the descriptors of its volume are missing: where its files are is only supposed")
	}
	var root address
	found := false
	for i := range parts {
		v.eachFolder(uint16(i), func(a address, e *entry) bool {
			if parent, ok := v.parentOf(e); ok && parent.block == a.block {
				root, found = a, true
			}
			return !found
		})
		if found {
			v.s.Report(tree.Problem{What: "the way to the root directory is missing",
				By: fmt.Sprintf("the one found at block %d of the partition serves", root.block)})
			return root, true
		}
	}
	return root, false
}

// known is the number of partitions that are known.
func (v *volume) known() int {
	n := 0
	for _, p := range v.parts {
		if p != nil {
			n++
		}
	}
	return n
}

// vote finds where the partition begins: an entry's sector less its tag's location
// is the same for all entries of a plain partition.
func (v *volume) vote(session sector.LBA) (sector.LBA, bool) {
	votes := map[sector.LBA]int{}
	for a := session + sequenceFrom; a < session+sector.LBA(v.window) && v.s.OnDisc(a) && v.s.Err() == nil; a++ {
		b := v.s.Peek(a)
		if b == nil {
			continue
		}
		switch kind := le.Uint16(b); kind {
		case tagFSD, tagFE, tagEFE:
			v.s.Work(8)
			if start := a - sector.LBA(le.Uint32(b[12:])); start > session && tagged(b, anywhere) == int(kind) && len(votes) < 1000 {
				votes[start]++
			}
		}
	}
	best, start := 1, sector.LBA(0) // one vote is none
	for s, n := range votes {
		if n > best || n == best && n > 1 && s < start {
			best, start = n, s
		}
	}
	return start, best > 1
}

// strays finds directories whose identifiers or whose parents' entries are missing:
// by their own entries and the parents that they name.
func (w *walk) strays(root address) {
	type stray struct {
		at, parent address
		entry      *entry
	}
	var all []stray
	w.v.eachFolder(root.part, func(a address, e *entry) bool {
		if w.folders[a] == nil {
			if parent, ok := w.v.parentOf(e); ok && w.v.s.Charge(256+len(e.desc)) {
				all = append(all, stray{a, parent, e})
			}
		}
		return true
	})
	for again := true; again && w.v.s.Err() == nil; {
		again = false
		for _, d := range all {
			parent := w.folders[d.parent]
			if parent == nil || !parent.node.Lost || w.folders[d.at] != nil || !w.v.s.Charge(tree.NodeCost) {
				continue
			}
			n := &tree.Node{Name: fmt.Sprintf("directory at sector %d", d.entry.at), Kind: tree.Folder, Found: tree.OwnRecord,
				Record: d.entry.at, At: d.entry.at, Modified: d.entry.modified}
			parent.node.Children = append(parent.node.Children, n)
			doubt := "its directory was found by itself, and may have been deleted"
			if w.enter(d.at, &folder{node: n, entry: d.entry, depth: parent.depth + 1, doubt: doubt}) {
				w.run()
				again = true
			}
		}
	}
}
