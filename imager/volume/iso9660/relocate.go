package iso9660

import (
	"slices"
	"strings"

	"turnstone/imager/volume/tree"
)

// Rock Ridge nests deeper than ISO 9660 allows (RRIP 4.1.5): a directory is kept
// below one of the root's, and the record in its true place stands for it (CL). It
// is marked as kept (RE) by most writers, not by all.

// isKeep tells whether a directory of the root's is where others are kept; the name
// is common practice.
func isKeep(name string) bool {
	return strings.EqualFold(strings.TrimPrefix(name, "."), "rr_moved")
}

// claim moves a directory that was read where it is kept to the record that stands
// for it. False where it was not read yet, or is no kept one.
func (l *listing) claim(n *tree.Node, at int64) bool {
	was := l.w.folders[at]
	if was == nil || was.parent == nil || was.parent.parent != l.w.root || !isKeep(was.parent.node.Name) {
		return false
	}
	depth := 1
	for f := l.f; f != nil; f = f.parent {
		if depth++; f == was || depth > maxDepth {
			return false
		}
	}
	kept := was.parent.node
	if !l.w.s.Charge(8) || !l.w.s.Work(1+len(kept.Children)/16) {
		return false
	}
	if i := slices.Index(kept.Children, was.node); i >= 0 {
		kept.Children = slices.Delete(kept.Children, i, i+1)
	}
	was.node.Name, was.node.Record = n.Name, n.Record
	was.parent, was.depth = l.f, depth-1
	l.f.node.Children = append(l.f.node.Children, was.node)
	l.w.claimed = true
	return true
}

// prune cuts off what claims have nested too deep.
func (w *walk) prune() {
	level := []*tree.Node{w.root.node}
	for range 2 * maxDepth {
		var next []*tree.Node
		for _, n := range level {
			next = append(next, n.Children...)
		}
		level = next
	}
	for _, n := range level {
		if len(n.Children) > 0 {
			n.Children, n.Lost, n.Doubt = nil, true, "it is nested too deep"
		}
	}
}

// move keeps a directory that another record stands for.
func (w *walk) move(f *folder) {
	if w.s.Charge(128) {
		w.moved, w.movedAt[f.at] = append(w.moved, f), true
	}
}

// unclaimed lists moved directories where they are kept, unless the record that
// stands for them was found.
func (w *walk) unclaimed() {
	for len(w.moved) > 0 && w.s.Err() == nil {
		f := w.moved[0]
		w.moved = w.moved[1:]
		if w.folders[f.at] == nil && w.attach(f.parent, f.node) && w.enter(f) != nil {
			w.run()
		}
	}
}

// hideKeep takes the directory where others were kept out of the tree: it is none of
// the customer's.
func (w *walk) hideKeep() {
	root := w.root.node
	root.Children = slices.DeleteFunc(root.Children, func(n *tree.Node) bool {
		return w.rock == rockYes && n.Kind == tree.Folder && isKeep(n.Name) && len(n.Children) == 0 && !n.Lost
	})
}
