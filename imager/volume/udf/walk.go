package udf

import (
	"fmt"
	"strings"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// maxDepth bounds the nesting of directories; UDF's longest path holds 512 names.
const maxDepth = 512

// folder is a directory that is to be read.
type folder struct {
	node  *tree.Node
	entry *entry
	depth int
	doubt string // of all that is in it
}

// walk reads all directories from a root on.
type walk struct {
	v       *volume
	folders map[address]*folder // by where their entries are
	read    map[sector.LBA]bool // sectors with identifiers
	queue   []*folder
	lossy   bool
}

func (w *walk) run() {
	for len(w.queue) > 0 && w.v.s.Err() == nil {
		f := w.queue[0]
		w.queue = w.queue[1:]
		w.list(f)
		f.entry = nil
	}
	for _, f := range w.queue {
		f.node.Lost = true
	}
}

// enter has a directory read.
func (w *walk) enter(a address, f *folder) bool {
	n := f.node
	if was := w.folders[a]; was != nil {
		w.v.s.Wrong(n.Record, "directory %q is the directory %q again: not followed", n.Name, was.node.Name)
		n.Lost, n.Doubt = true, "it is a directory that has been listed elsewhere"
		return false
	}
	if f.depth > maxDepth {
		w.v.s.Wrong(n.Record, "directory %q is nested deeper than %d: not followed", n.Name, maxDepth)
		n.Lost, n.Doubt = true, "it is nested too deep"
		return false
	}
	if !w.v.s.Charge(128) {
		n.Lost = true
		return false
	}
	w.folders[a] = f
	w.queue = append(w.queue, f)
	return true
}

// list reads a directory's identifiers.
func (w *walk) list(f *folder) {
	lost := func() { f.node.Lost, w.lossy = true, true }
	c := identifiers{v: w.v, aligned: true,
		each: func(id identifier) { w.child(f, id) },
		wrong: func(at sector.LBA) {
			w.v.s.Wrong(at, "the directory %q holds something that is no identifier", f.node.Name)
			lost()
		}}
	gap := func(at sector.LBA) {
		lost()
		if w.v.s.OnDisc(at) && !w.v.s.Has(at) {
			f.node.Lack(at)
			w.v.s.Lacks(at, fmt.Sprintf("a part of the directory %q", f.node.Name), "")
		}
	}
	lacks, wrong := w.v.contents(f.entry, nil, tree.Directory, func(b []byte, n int, at sector.LBA) bool {
		if b == nil {
			gap(at)
		} else if f.entry.form != formWithin {
			if w.read[at] {
				w.v.s.Wrong(at, "directory %q overlaps another", f.node.Name)
				lost()
				return false
			}
			if !w.v.s.Charge(48) {
				return false
			}
			w.read[at] = true
		}
		c.put(b, at)
		return w.v.s.Err() == nil
	})
	c.end()
	for _, a := range lacks {
		gap(a)
	}
	if wrong != "" {
		w.v.s.Wrong(f.node.At, "the directory %q: %s", f.node.Name, wrong)
		lost()
	}
	if w.v.s.Err() != nil {
		lost()
	}
}

// notSpace is a hidden file in the root to which, up to 1.50, all belongs that can't
// be written to (UDF 2.3.13): no file of anyone's.
const notSpace = "Non-Allocatable Space"

// child takes an identifier of a directory, and the entry that it names.
func (w *walk) child(f *folder, id identifier) {
	if id.flags&(flagDeleted|flagParent) != 0 {
		return
	}
	name, ok := text(id.name)
	if !ok || name == "" {
		w.v.s.Wrong(id.record, "a name in the directory %q can't be read", f.node.Name)
		name = fmt.Sprintf("file at block %d", id.entry.at.block)
	}
	if name == notSpace && id.flags&flagHidden != 0 && f.depth == 0 {
		return
	}
	n := &tree.Node{Name: name, Record: id.record, Doubt: f.doubt}
	if id.flags&flagFolder != 0 {
		n.Kind = tree.Folder
	}
	if !w.v.s.Charge(tree.NodeCost + len(name)) {
		f.node.Lost, w.lossy = true, true
		return
	}
	f.node.Children = append(f.node.Children, n)
	e, lacks, why := w.v.entry(id.entry.at)
	w.v.s.Work(8)
	if e == nil || why != "" {
		n.Size, n.Doubt = tree.UnknownSize, why
		if n.Kind == tree.Folder {
			n.Lost, w.lossy = true, true
			if w.folders[id.entry.at] == nil && w.v.s.Charge(128) {
				w.folders[id.entry.at] = &folder{node: n, depth: f.depth + 1} // what is below may be found
			}
		}
		for _, a := range lacks {
			n.Lack(a)
			w.v.s.Lacks(a, fmt.Sprintf("the file entry of %q", name), "")
		}
		if len(lacks) == 0 {
			w.v.s.Wrong(id.record, "%q: %s", name, why)
		}
		return
	}
	w.fill(n, e)
	if n.Kind == tree.Folder {
		w.enter(id.entry.at, &folder{node: n, entry: e, depth: f.depth + 1, doubt: f.doubt})
	}
}

// fill takes from the entry what it says of its node.
func (w *walk) fill(n *tree.Node, e *entry) {
	n.Modified, n.At = e.modified, e.at
	switch e.kind {
	case kindFolder:
		n.Kind = tree.Folder
		return
	case kindUnspecified, kindRegular, kindStream:
		n.Kind = tree.Regular
	case kindLink:
		n.Kind = tree.Link
		n.Target = w.target(e)
		return
	default:
		n.Kind = tree.Other
		return
	}
	doubt := n.Doubt
	n.Size = e.size
	w.v.extents(n, e, nil)
	if n.Doubt != doubt {
		w.v.s.Wrong(e.at, "%q: %s", n.Name, n.Doubt)
	}
}

// Kinds of path components (4/14.16.1.1).
const (
	componentRoot   = 2
	componentParent = 3
	componentSelf   = 4
	componentName   = 5
)

// longestTarget bounds what a link's path takes.
const longestTarget = 4096

// target is a link's path; empty where it can't be read.
func (w *walk) target(e *entry) string {
	if e.size > longestTarget {
		return ""
	}
	var data []byte
	whole := true
	w.v.contents(e, nil, tree.Directory, func(b []byte, _ int, _ sector.LBA) bool {
		data = append(data, b...)
		whole = whole && b != nil
		return whole
	})
	if !whole {
		return ""
	}
	var parts []string
	for len(data) >= 4 && 4+int(data[1]) <= len(data) {
		switch data[0] {
		case 1, componentRoot:
			parts = append(parts[:0], "")
		case componentParent:
			parts = append(parts, "..")
		case componentSelf:
			parts = append(parts, ".")
		case componentName:
			s, _ := text(data[4 : 4+int(data[1])])
			parts = append(parts, s)
		}
		data = data[4+int(data[1]):]
	}
	s := strings.Join(parts, "/")
	if s == "" && len(parts) > 0 {
		return "/"
	}
	w.v.s.Charge(len(s))
	return s
}
