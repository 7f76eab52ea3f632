package volume

import (
	"strings"

	"turnstone/imager/volume/tree"
)

// merger joins the trees of several file systems.
type merger struct {
	root *Entry
	// By where a file begins, the entries that have it; by the node of the tree that
	// is being added, the directory of the merged tree that it is.
	byPlace map[int64][]*Entry
	same    map[*tree.Node]*Entry
	joined  map[*Entry]bool // entries that have a node of that tree
	system  *tree.System
}

// merge joins trees, those believed most first; nil where there are none.
func merge(systems []*tree.System) *Entry {
	if len(systems) == 0 {
		return nil
	}
	m := merger{byPlace: map[int64][]*Entry{}}
	for i, t := range systems {
		m.system = t
		if i == 0 {
			m.root = m.entry(t.Root, nil)
			m.copyBelow(t.Root, m.root)
			continue
		}
		m.same, m.joined = map[*tree.Node]*Entry{t.Root: m.root}, map[*Entry]bool{}
		m.matchFolders(t.Root)
		m.add(t.Root)
	}
	return m.root
}

// entry is the entry of a node, not yet below its parent.
func (m *merger) entry(n *tree.Node, parent *Entry) *Entry {
	e := &Entry{Parent: parent, Name: n.Name, Kind: n.Kind, Found: n.Found, Size: n.Size, Modified: n.Modified,
		Extents: n.Extents, Target: n.Target, Why: n.Doubt, hearsay: n.Hearsay, lost: n.Lost, structs: n.Missing,
		From: m.system.Kind, Session: m.system.Session, In: 1 << m.system.Kind, at: n.At}
	if e.Why == "" && m.system.Doubt != "" && n.Kind == tree.Regular {
		e.Why, e.hearsay = m.system.Doubt, true
	}
	return e
}

// put makes e a child of its parent.
func (m *merger) put(e *Entry) {
	e.Parent.Children = append(e.Parent.Children, e)
	if at, ok := key(e.Extents); ok && e.Kind == tree.Regular {
		m.byPlace[at] = append(m.byPlace[at], e)
	}
}

// copyBelow puts all that is below n into the merged tree below e.
func (m *merger) copyBelow(n *tree.Node, e *Entry) {
	type pair struct {
		n *tree.Node
		e *Entry
	}
	stack := []pair{{n, e}}
	for len(stack) > 0 {
		p := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		for _, c := range p.n.Children {
			e := m.entry(c, p.e)
			m.put(e)
			if len(c.Children) > 0 {
				stack = append(stack, pair{c, e})
			}
		}
	}
}

// folders is the directories at and below n, each before those in it.
func folders(n *tree.Node) []*tree.Node {
	all := []*tree.Node{n}
	for i := 0; i < len(all); i++ {
		for _, c := range all[i].Children {
			if c.Kind == tree.Folder {
				all = append(all, c)
			}
		}
	}
	return all
}

// fold is a name as it is compared between trees: case and the version apart, which
// is all that the laxest of them agree in.
func fold(name string) string {
	if i := strings.LastIndexByte(name, ';'); i > 0 {
		name = name[:i]
	}
	return strings.ToLower(strings.TrimSuffix(name, "."))
}

// matchFolders finds which directories of the tree below root are which of the
// merged one. The files in a directory vote first, and the directories in it, from
// the deepest up; then names, from the root down.
func (m *merger) matchFolders(root *tree.Node) {
	all := folders(root)
	for i := len(all) - 1; i > 0; i-- {
		if e := m.elect(all[i]); e != nil {
			m.same[all[i]] = e
		}
	}
	taken := map[*Entry]bool{}
	for i, n := range all {
		e := m.same[n]
		if i > 0 && taken[e] {
			delete(m.same, n) // two that are one there: the first keeps it
			e = nil
		}
		if e == nil {
			continue
		}
		taken[e] = true
		var names map[string]*Entry
		for _, c := range n.Children {
			if c.Kind != tree.Folder || m.same[c] != nil {
				continue
			}
			if names == nil {
				names = map[string]*Entry{}
				for _, x := range e.Children {
					if x.Folder() {
						names[fold(x.Name)] = x
					}
				}
			}
			if x := names[fold(c.Name)]; x != nil && !taken[x] {
				m.same[c] = x
			}
		}
	}
}

// mostVotes bounds the votes that are counted of one directory, and those for one
// place: many files may begin there.
const mostVotes = 64

// elect is the directory for which what is in n speaks most; nil where nothing does.
func (m *merger) elect(n *tree.Node) *Entry {
	votes := map[*Entry]int{}
	left := mostVotes
	for _, c := range n.Children {
		if left == 0 {
			break
		}
		switch c.Kind {
		case tree.Folder:
			if e := m.same[c]; e != nil && e.Parent != nil {
				votes[e.Parent]++
				left--
			}
		case tree.Regular:
			if at, ok := key(c.Extents); ok {
				same := m.byPlace[at]
				for _, e := range same[:min(len(same), mostVotes)] {
					votes[e.Parent]++
				}
				if len(same) > 0 {
					left--
				}
			}
		}
	}
	name := fold(n.Name)
	better := func(a, b *Entry) bool { // of two with the same votes
		if is, was := fold(a.Name) == name, fold(b.Name) == name; is != was {
			return is
		}
		return a.at < b.at
	}
	var best *Entry
	for e, n := range votes {
		if e.Parent == nil {
			continue // the root is the root's only
		}
		if best == nil || n > votes[best] || n == votes[best] && better(e, best) {
			best = e
		}
	}
	return best
}
