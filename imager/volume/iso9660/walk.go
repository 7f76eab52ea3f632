package iso9660

import (
	"fmt"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// maxDepth bounds the nesting of directories. The standard allows 8, Rock Ridge
// what a path can hold.
const maxDepth = 256

// rockState is what is known of Rock Ridge in a tree.
type rockState uint8

const (
	rockUnknown rockState = iota // the root's own record is missing: each record tells for itself
	rockNo
	rockYes
)

// walk reads one descriptor's tree.
type walk struct {
	s        *tree.Scan
	d        *descriptor
	rock     rockState
	rockSkip int
	root     *folder
	folders  map[int64]*folder // by the byte of the image where they begin
	done     map[sector.LBA]bool
	queue    []*folder
	moved    []*folder // those that other records stand for (RE)
	movedAt  map[int64]bool
	paths    *pathTable // nil until it is needed
	lossy    bool       // some listing is not complete
	claimed  bool       // a directory was moved to where it belongs
}

// folder is a directory while it is read.
type folder struct {
	node   *tree.Node
	parent *folder
	at     int64 // its first byte in the image
	size   int64 // bytes; 0 where its own record must tell
	depth  int
}

func newWalk(s *tree.Scan, d *descriptor) *walk {
	w := &walk{s: s, d: d, folders: map[int64]*folder{}, movedAt: map[int64]bool{}, done: map[sector.LBA]bool{}}
	if d.joliet {
		w.rock = rockNo
	}
	at := w.place(&d.root)
	w.root = &folder{node: &tree.Node{Kind: tree.Folder, Record: d.at, At: sector.LBA(at / sector.Size)}, at: at, size: int64(d.root.size)}
	w.folders[at] = w.root
	w.queue = append(w.queue, w.root)
	return w
}

// place is the byte of the image where a record's extent begins, behind its
// extended attribute record.
func (w *walk) place(r *record) int64 { return (int64(r.block) + int64(r.xa)) * w.d.block }

// run reads all directories that are waiting, and those found in them.
func (w *walk) run() {
	for len(w.queue) > 0 && w.s.Err() == nil {
		f := w.queue[0]
		w.queue = w.queue[1:]
		w.list(f)
	}
	for _, f := range w.queue { // the reading came to its end
		f.node.Lost = true
	}
}

// enter puts a directory below its parent, to be read. It returns nil where that
// one is known already: a loop, or two that are one.
func (w *walk) enter(f *folder) *folder {
	if was := w.folders[f.at]; was != nil {
		w.s.Wrong(f.node.Record, "directory %q is the directory %q again, at sector %d: not followed", f.node.Name, was.node.Name, f.at/sector.Size)
		f.node.Lost, f.node.Doubt = true, "it is a directory that has been listed elsewhere"
		return nil
	}
	if f.depth > maxDepth {
		w.s.Wrong(f.node.Record, "directory %q is nested deeper than %d: not followed", f.node.Name, maxDepth)
		f.node.Lost, f.node.Doubt = true, "it is nested too deep"
		return nil
	}
	f.node.At = sector.LBA(f.at / sector.Size)
	w.folders[f.at] = f
	w.queue = append(w.queue, f)
	return f
}

// attach makes n a child of f.
func (w *walk) attach(f *folder, n *tree.Node) bool {
	if !w.s.Charge(tree.NodeCost + len(n.Name) + len(n.Target)) {
		f.node.Lost, w.lossy = true, true
		return false
	}
	f.node.Children = append(f.node.Children, n)
	return true
}

// bytes is n bytes of the image from byte off on; nil where some are missing.
func (w *walk) bytes(off int64, n int, c tree.Class) []byte {
	if n < 0 || off < 0 {
		return nil
	}
	out := make([]byte, 0, n)
	for len(out) < n {
		b := w.s.Read(sector.LBA(off/sector.Size), c)
		if b == nil {
			return nil
		}
		b = b[off%sector.Size:]
		b = b[:min(len(b), n-len(out))]
		out, off = append(out, b...), off+int64(len(b))
	}
	return out
}

// gap notes that a sector of f's listing can't be read.
func (w *walk) gap(f *folder, a sector.LBA) {
	f.node.Lost, w.lossy = true, true
	if w.s.Err() == nil && w.s.OnDisc(a) && !w.s.Has(a) {
		f.node.Lack(a)
		w.s.Lacks(a, fmt.Sprintf("a part of the directory %q", f.node.Name), "")
	}
}

// list reads one directory.
func (w *walk) list(f *folder) {
	l := listing{w: w, f: f}
	defer l.end()
	if f.size == 0 {
		f.size = w.sizeOf(f)
	}
	if end := w.s.Sectors() * sector.Size; f.at+f.size > end {
		w.s.Wrong(f.node.Record, "directory %q goes on beyond the end of the disc", f.node.Name)
		f.node.Lost, w.lossy = true, true
		f.size = end - f.at
	}
	for at := f.at; at < f.at+f.size && w.s.Err() == nil; {
		a := sector.LBA(at / sector.Size)
		from := at % sector.Size
		to := min(sector.Size, from+f.at+f.size-at)
		at += to - from
		b := w.s.Read(a, tree.Directory)
		if b == nil {
			w.gap(f, a)
			l.hole()
			continue
		}
		first := a == sector.LBA(f.at/sector.Size)
		if first && !w.begins(f, b[from:]) {
			w.s.Wrong(a, "no directory begins here, where %q should", f.node.Name)
			f.node.Lost, f.node.Doubt, w.lossy = true, "there is no directory where its record says", true
			return
		}
		if w.done[a] {
			w.s.Wrong(a, "directory %q overlaps another", f.node.Name)
			f.node.Lost, w.lossy = true, true
			l.hole()
			continue
		}
		if !w.s.Charge(48) { // what an entry of the map takes
			return
		}
		w.done[a] = true
		if !l.sector(a, b[from:to]) {
			w.s.Wrong(a, "the directory %q holds something that is no directory record", f.node.Name)
			f.node.Lost, w.lossy = true, true
			l.hole()
		}
	}
	if w.s.Err() != nil {
		f.node.Lost, w.lossy = true, true
	}
}

// begins tells whether a directory begins at the front of b: with its own record.
// Of the root it takes whether there is Rock Ridge.
func (w *walk) begins(f *folder, b []byte) bool {
	if b[0] == 0 {
		return false
	}
	r, ok := parseRecord(b)
	if !ok || string(r.name) != ownName {
		return false
	}
	if f == w.root && w.rock == rockUnknown {
		w.rock = rockNo
		if n, ok := w.skip(r.use); ok {
			w.rock, w.rockSkip = rockYes, n
		}
	}
	return true
}

// sizeOf is the size of a directory whose record is missing: from its own record,
// else from what a directory below it says of its parent; a sector where neither
// can be had.
func (w *walk) sizeOf(f *folder) int64 {
	if b := w.s.Read(sector.LBA(f.at/sector.Size), tree.Directory); b != nil {
		if r, ok := parseRecord(b[f.at%sector.Size:]); b[f.at%sector.Size] != 0 && ok && r.own() {
			return int64(r.size)
		}
		return sector.Size
	}
	if n := w.sizeFromBelow(f); n > 0 {
		return n
	}
	return w.sizeByLook(f)
}

// mostByLook bounds the sectors of a directory whose size nothing tells.
const mostByLook = 256

// sizeByLook is the size of a directory of which nothing tells it, its first sector
// being missing: as far as sectors hold directory records and no directory begins.
func (w *walk) sizeByLook(f *folder) int64 {
	f.node.Doubt = "its size is not known"
	first := sector.LBA(f.at / sector.Size)
	n := sector.LBA(1)
	for i := n; i < mostByLook; i++ {
		if w.pathTable().begins[(first + i).Offset()] {
			break
		}
		b := w.s.Peek(first + i)
		if b == nil {
			if w.s.OnDisc(first+i) && w.s.Err() == nil {
				continue // it may go on behind the hole
			}
			break
		}
		if _, _, begins := ownRecords(b); begins || !allRecords(b) || w.done[first+i] {
			break
		}
		n = i + 1
	}
	return int64(n) * sector.Size
}
