package udf

import (
	"fmt"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// volume is what the way to the files takes.
type volume struct {
	s       *tree.Scan
	window  int64 // sectors that a search goes through
	seq     *sequence
	parts   []part // by map
	only    part   // where it is not nil, all of them
	missing []sector.LBA
	doubts  string
	spare   bool
}

// doubt keeps why none of the volume's files can be called whole.
func (v *volume) doubt(why string) {
	if v.doubts == "" {
		v.doubts = why
	}
}

// Open reads the tree of the session that begins at a sector; nil where there is
// no such file system. Window is the number of sectors that are gone through where
// something must be looked for. What is wrong or missing is reported to s.
func Open(s *tree.Scan, session sector.LBA, window int64) *tree.System {
	v := &volume{s: s, window: window}
	yes, maybe := recognised(s, session)
	if !yes && !maybe {
		return nil
	}
	main, reserve, ok := v.anchors(session, yes)
	switch {
	case ok:
		v.sequences(main, reserve)
	case yes || len(v.missing) > 0:
		v.searchSequence(session)
	default:
		return nil
	}
	t := &tree.System{Kind: tree.UDF, Created: v.seq.created, Session: session}
	root, ok := address{}, false
	if v.seq.logical != nil {
		b := v.seq.logical
		t.Label = dstring(b[84:212])
		t.Version = version(le.Uint16(b[240:]))
		if len(v.seq.parts) > 0 && v.maps() {
			v.integrity(readExtent(b[432:]))
			root, ok = v.fileSet(readLong(b[248:]))
		}
	}
	if t.Label == "" {
		t.Label = v.seq.label
	}
	if s.Err() != nil {
		return nil
	}
	if !ok {
		if root, ok = v.searchRoot(session); !ok {
			return nil
		}
	}
	w := &walk{v: v, folders: map[address]*folder{}, read: map[sector.LBA]bool{}}
	t.Root = w.root(root)
	if w.lossy {
		w.strays(root)
	}
	t.Doubt, t.Spare = v.doubts, v.spare
	return t
}

// version is a revision as it is recorded, 0150h for 1.50.
func version(n uint16) string { return fmt.Sprintf("%x.%02x", n>>8, n&0xFF) }

// integrity looks at whether the volume was closed (3/10.10).
func (v *volume) integrity(e extent) {
	if e.Empty() || !v.s.OnDisc(e.First) {
		return
	}
	const tagIntegrity, kindOpen = 9, 0
	b := v.s.Read(e.First, tree.Descriptor)
	if tagged(b, int64(e.First)) == tagIntegrity && le.Uint32(b[28:]) == kindOpen {
		v.s.Wrong(e.First, "the volume was not closed when it was written last: what is newest in it may not be complete")
	}
}

// mostFileSets bounds the file set descriptors that are looked at.
const mostFileSets = 16

// fileSet is the address of the root's entry, from the file set descriptor.
func (v *volume) fileSet(ad longAd) (root address, ok bool) {
	blocks := (int64(ad.length) + sector.Size - 1) / sector.Size
	for i := range min(blocks, mostFileSets) {
		a := address{ad.at.block + uint32(i), ad.at.part}
		b, _, lacks := v.read(a, tree.Descriptor, func(b []byte, _ sector.LBA) bool {
			return tagged(b, int64(a.block)) == tagFSD
		})
		for _, l := range lacks {
			v.s.Lacks(l, "the file set descriptor", "")
		}
		if b == nil {
			continue
		}
		return readLong(b[400:]).at, true
	}
	return root, ok
}

// root reads the root's entry and all below it.
func (w *walk) root(a address) *tree.Node {
	n := &tree.Node{Kind: tree.Folder}
	e, lacks, why := w.v.entry(a)
	if e == nil || e.kind != kindFolder {
		n.Lost, w.lossy = true, true
		n.Doubt = why
		for _, l := range lacks {
			n.Lack(l)
			w.v.s.Lacks(l, "the root directory's file entry", "")
		}
		if len(lacks) == 0 {
			w.v.s.Report(problem("the root directory's file entry is none"))
		}
		w.folders[a] = &folder{node: n}
		return n
	}
	n.At, n.Record, n.Modified = e.at, e.at, e.modified
	w.enter(a, &folder{node: n, entry: e})
	w.run()
	return n
}
