package iso9660

import (
	"bytes"
	"strconv"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Why a file can't be called whole, as Node.Doubt.
const (
	doubtFirst = "the directory record before its own is missing: this may be only the last part of a longer file"
	doubtLast  = "the directory record of a further part is missing"
)

// listing reads the records of one directory in their order.
type listing struct {
	w *walk
	f *folder
	// The file whose next part is to follow, with its name as recorded.
	open     *tree.Node
	openName []byte
	// A sector is missing before the next record.
	afterHole bool
}

// hole tells that records may be missing here.
func (l *listing) hole() {
	l.closeOpen()
	l.afterHole = true
}

func (l *listing) end() { l.closeOpen() }

// closeOpen ends a file of which a part did not come.
func (l *listing) closeOpen() {
	if l.open != nil {
		l.open.Doubt = doubtLast
		l.open.Hearsay = false
		l.open.Size = tree.UnknownSize
		l.open = nil
	}
}

// sector reads the records of one sector. It returns false when something in it
// is no record; those before it are kept.
func (l *listing) sector(a sector.LBA, b []byte) bool {
	for len(b) > 0 && b[0] != 0 && l.w.s.Err() == nil {
		r, ok := parseRecord(b)
		if !ok {
			return false
		}
		b = b[b[0]:]
		if string(r.name) == ownName || string(r.name) == parentName {
			continue
		}
		if !r.agree {
			l.w.s.Wrong(a, "the record of %q gives two places or two sizes", l.w.d.name(r.name))
		}
		l.record(a, &r)
	}
	return true
}

// record takes one record.
func (l *listing) record(a sector.LBA, r *record) {
	if l.open != nil && !bytes.Equal(l.openName, r.name) {
		l.w.s.Wrong(a, "the file before %q lacks its last part", l.w.d.name(r.name))
		l.closeOpen()
	}
	afterHole := l.afterHole
	l.afterHole = false
	if l.open != nil {
		l.part(l.open, r)
		return
	}
	n := &tree.Node{Name: l.w.d.name(r.name), Modified: r.when, Record: a}
	var rr rock
	if l.w.rock != rockNo && len(r.use) >= l.w.rockSkip {
		rr = l.rockRidge(a, n, r.use[l.w.rockSkip:])
	}
	if r.flags&flagAssociated != 0 {
		n.Name += " (associated)"
	}
	switch {
	case rr.child != 0:
		n.Kind = tree.Folder
		if !l.claim(n, rr.child*l.w.d.block) {
			l.folder(n, &folder{at: rr.child * l.w.d.block})
		}
	case r.folder():
		n.Kind = tree.Folder
		f := &folder{at: l.w.place(r), size: int64(r.size)}
		if f.size == 0 {
			l.w.s.Wrong(a, "the directory %q has no size", n.Name)
		}
		if rr.moved {
			f.node, f.parent, f.depth = n, l.f, l.f.depth+1
			l.w.move(f)
			return
		}
		l.folder(n, f)
	case n.Kind == tree.Regular:
		if !l.w.attach(l.f, n) {
			return
		}
		n.At = sector.LBA(l.w.place(r) / sector.Size)
		if afterHole {
			n.Doubt, n.Hearsay = doubtFirst, true
		} else if rr.cut {
			n.Doubt, n.Hearsay = "a part of its Rock Ridge entries is missing", true
		}
		if rr.sparse {
			n.Doubt, n.Hearsay = "it is recorded as a sparse file, which is not read", false
		}
		l.part(n, r)
	default:
		l.w.attach(l.f, n)
	}
}

// folder attaches a directory and has it read.
func (l *listing) folder(n *tree.Node, f *folder) {
	f.node, f.parent, f.depth = n, l.f, l.f.depth+1
	if l.w.attach(l.f, n) {
		l.w.enter(f)
	}
}

// part adds the extent of a record to a file.
func (l *listing) part(n *tree.Node, r *record) {
	if !l.w.s.Charge(tree.ExtentCost) {
		return
	}
	e := tree.Extent{Length: int64(r.size), At: l.w.place(r)}
	switch {
	case r.interleaved:
		n.Doubt, n.Hearsay = "it is interleaved with another file, which is not read", false
		e.Place, e.At = tree.Unplaced, 0
	case l.w.d.volumes > 1 && r.volume != l.w.d.sequence:
		n.Doubt, n.Hearsay = "it lies on another disc of the set", false
		e.Place, e.At = tree.Unplaced, 0
	}
	if e.Length > 0 {
		n.Append(e)
	}
	n.Size += e.Length
	if l.open = nil; r.more() {
		l.open, l.openName = n, r.name
	}
}

// rockRidge takes from the entries of a record what they say of its node.
func (l *listing) rockRidge(a sector.LBA, n *tree.Node, use []byte) rock {
	rr := l.w.rockRidge(use)
	if l.w.rock == rockUnknown && rr.any {
		l.w.rock = rockYes
	}
	if rr.cut {
		if l.w.s.OnDisc(rr.cutAt) && !l.w.s.Has(rr.cutAt) {
			n.Lack(rr.cutAt)
			l.w.s.Lacks(rr.cutAt, "a part of the Rock Ridge entries of "+strconv.Quote(n.Name), "what is there serves")
		} else {
			l.w.s.Wrong(a, "the Rock Ridge entries of %q go on where nothing is", n.Name)
		}
	}
	switch {
	case rr.named:
		n.Name = text(rr.name)
	case rr.cut:
		n.Found = tree.ShortName
	}
	if !rr.modified.IsZero() {
		n.Modified = rr.modified
	}
	n.Kind, n.Target = kindOf(rr.mode), rr.target
	if n.Kind == tree.Folder {
		n.Kind = tree.Regular // the flag of the record decides
	}
	return rr
}
