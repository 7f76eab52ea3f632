package volume

import (
	"turnstone/imager/volume/tree"
)

// add brings the tree below root into the merged one: what agrees is noted, what is
// not there yet is put there.
func (m *merger) add(root *tree.Node) {
	fresh := map[*Entry]bool{}
	for _, n := range folders(root) {
		e := m.same[n]
		if e == nil {
			continue // not wanted, nor what is below
		}
		m.joinFolder(e, n)
		names := map[string]*Entry{}
		for _, c := range e.Children {
			if names[fold(c.Name)] == nil {
				names[fold(c.Name)] = c
			}
		}
		// A directory that this tree has brought takes all that it lists there.
		own := fresh[e]
		incomplete := e.lost || own
		stands := e.lost && !own || own && e.StandsIn
		// What agrees in name and place goes first: of two links to one file each is to
		// find its own.
		agreed := map[*tree.Node]bool{}
		for _, c := range n.Children {
			if old := names[fold(c.Name)]; old != nil && !m.joined[old] && c.Kind == tree.Regular && samePlace(old, c) {
				m.join(old, c)
				agreed[c] = true
			}
		}
		for _, c := range n.Children {
			if agreed[c] {
				continue
			}
			if c.Kind == tree.Folder {
				if m.same[c] == nil && m.wanted(c, incomplete) {
					m.same[c] = m.bring(c, e, stands)
					fresh[m.same[c]] = true
				}
				continue
			}
			if old := m.find(c, e, names); old != nil {
				m.join(old, c)
			} else if m.wanted(c, incomplete) {
				m.bring(c, e, stands)
			}
		}
		// What another tree lists in full is complete now, if under shorter names.
		if e.lost && !n.Lost && !m.system.Spare {
			e.lost = false
			e.short = e.short || m.system.Kind == tree.ISO9660
		}
	}
}

// samePlace tells whether a file of another tree begins where e does.
func samePlace(e *Entry, n *tree.Node) bool {
	at, ok := key(e.Extents)
	other, also := key(n.Extents)
	return ok && also && at == other
}

// bring puts a node into the merged tree that no tree before has listed.
func (m *merger) bring(n *tree.Node, parent *Entry, standsIn bool) *Entry {
	e := m.entry(n, parent)
	e.StandsIn = standsIn
	m.joined[e] = true
	m.put(e)
	return e
}

// wanted tells whether a node that no tree before lists belongs in the merged tree.
// Where the listings before are complete, another tree's own files count, as on
// discs for two systems. What has no place, such as an empty file, counts only from
// trees that keep names as they are: others may list it under another name.
func (m *merger) wanted(n *tree.Node, incomplete bool) bool {
	if incomplete {
		return true
	}
	if m.system.Spare {
		return false
	}
	if m.system.Kind == tree.UDF || m.system.Kind == tree.RockRidge {
		if _, placed := key(n.Extents); !placed {
			return true
		}
	}
	if n.Kind != tree.Folder {
		at, ok := key(n.Extents)
		return ok && len(m.byPlace[at]) == 0
	}
	for _, f := range folders(n) {
		for _, c := range f.Children {
			if c.Kind != tree.Folder && m.wanted(c, false) {
				return true
			}
		}
	}
	return false
}

// find is the entry that has the file of a node of another tree: one that begins at
// the same place, in the same directory if there is one, else one of the same name
// there. Two with the same name and different places are one where either has
// lost its place, or this tree is not to add any.
func (m *merger) find(n *tree.Node, parent *Entry, names map[string]*Entry) *Entry {
	named := names[fold(n.Name)]
	at, ok := key(n.Extents)
	if n.Kind == tree.Regular && ok {
		var here, elsewhere *Entry
		for i, e := range m.byPlace[at] {
			switch {
			case e.Parent == parent && here == nil && !m.joined[e]:
				here = e
			case elsewhere == nil && !m.joined[e]:
				elsewhere = e
			}
			if i > mostVotes {
				break
			}
		}
		if here != nil {
			return here
		}
		if elsewhere != nil && named == nil && !parent.lost {
			return elsewhere // a directory of another shape
		}
	}
	if named == nil || named.Folder() || m.joined[named] {
		return nil
	}
	if _, placed := key(named.Extents); !ok || !placed || m.system.Spare {
		return named
	}
	return nil
}

// join notes that n is e's file in another tree, and takes from it what e lacks.
func (m *merger) join(e *Entry, n *tree.Node) {
	e.In |= 1 << m.system.Kind
	m.joined[e] = true
	if n.Kind == tree.Link && e.Kind == tree.Regular && len(e.Extents) == 0 && e.Size == 0 {
		e.Kind, e.Target = n.Kind, n.Target // a tree without links had an empty file for it
		return
	}
	if e.Found != tree.Listed && n.Found < e.Found {
		e.Name, e.Found = n.Name, n.Found
	}
	if e.Kind != tree.Regular || n.Kind != tree.Regular {
		return
	}
	at, placed := key(e.Extents)
	newAt, newPlaced := key(n.Extents)
	sound := n.Doubt == "" && m.system.Doubt == ""
	cut := m.system.Kind == tree.UDF && placed && at == newAt && n.Size > e.Size && (n.Size-e.Size)%wrap == 0
	switch {
	case m.system.Spare && !cut:
	case cut, e.Size == tree.UnknownSize && n.Size != tree.UnknownSize, !placed && newPlaced && e.Why != "",
		unplaced(e.Extents) && !unplaced(n.Extents) && sound && n.Size == e.Size:
		// The entry that should tell is missing, in whole or in part, or its size is
		// one modulo 2^32.
		e.Size, e.Extents, e.From, e.Session, e.StandsIn = n.Size, n.Extents, m.system.Kind, m.system.Session, true
		e.Why, e.hearsay = n.Doubt, n.Hearsay
		if e.Why == "" && m.system.Doubt != "" {
			e.Why, e.hearsay = m.system.Doubt, true
		}
		if e.Modified.IsZero() {
			e.Modified = n.Modified
		}
		e.structs = append(e.structs, n.Missing...)
		if !placed && newPlaced {
			m.byPlace[newAt] = append(m.byPlace[newAt], e)
		}
	case e.Why != "" && e.hearsay && sound && placed && at == newAt && e.Size == n.Size:
		e.Why, e.hearsay = "", false
	}
}

// unplaced tells whether nobody knows where a part of a file is.
func unplaced(extents []tree.Extent) bool {
	for _, x := range extents {
		if x.Place == tree.Unplaced {
			return true
		}
	}
	return false
}

// joinFolder notes that n is the directory e in another tree, and takes the name
// from it where e's is a stand-in.
func (m *merger) joinFolder(e *Entry, n *tree.Node) {
	if e.Parent != nil && e.In&(1<<m.system.Kind) == 0 && e.Found != tree.Listed && n.Found < e.Found {
		e.Name, e.Found = n.Name, n.Found
	}
	e.In |= 1 << m.system.Kind
	e.structs = append(e.structs, n.Missing...)
	if e.Modified.IsZero() {
		e.Modified = n.Modified
	}
}
