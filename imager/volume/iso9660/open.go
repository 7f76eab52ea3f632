package iso9660

import (
	"slices"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Open reads the trees of the session that begins at a sector, the primary one
// first; none where there is no such file system. Window is the sectors in which
// directories are looked for by what they say of themselves, where something is
// missing that would tell of them. What is wrong or missing is reported to s.
func Open(s *tree.Scan, session sector.LBA, window sector.Range) []*tree.System {
	f := descriptors(s, session)
	var strays []stray
	searched := false
	find := func() []stray {
		if !searched {
			strays, searched = search(s, window, sector.Size), true
		}
		return strays
	}
	doubts := map[*descriptor]string{}
	if f.primary == nil && len(f.holes) > 0 {
		d, doubt := fromRoot(s, f, find(), false)
		f.primary, doubts[d] = d, doubt
	}
	if f.joliet == nil && len(f.holes) > 0 {
		d, doubt := fromRoot(s, f, find(), true)
		f.joliet, doubts[d] = d, doubt
	}
	var systems []*tree.System
	for _, d := range append([]*descriptor{f.primary, f.joliet}, f.others...) {
		if d == nil {
			continue
		}
		w := newWalk(s, d)
		w.run()
		w.unclaimed()
		for was := 0; w.lossy && len(w.folders) > was && s.Err() == nil; {
			was = len(w.folders)
			w.fromPathTable()
			w.fromOwnRecords(find())
			w.unclaimed()
		}
		w.hideKeep()
		if w.claimed {
			w.prune()
		}
		t := &tree.System{Kind: tree.ISO9660, Label: d.label, Created: d.created, Session: session, Root: w.root.node}
		if d.space > 0 {
			t.End = session + sector.LBA(d.space/sector.Size)
		}
		switch {
		case d.joliet:
			t.Kind = tree.Joliet
		case w.rock == rockYes:
			t.Kind = tree.RockRidge
		}
		if t.Doubt, t.Spare = doubts[d]; t.Spare && t.Doubt == "" && laterThan(s, t.Root) {
			t.Doubt = doubtSession
		}
		systems = append(systems, t)
		if d == f.primary && t.Root.Lost && t.Doubt == "" {
			systems = append(systems, earlier(s, f, find(), session)...)
		}
	}
	f.lacks(s, len(systems) > 0)
	return systems
}

// fromRoot makes up the descriptor that is missing from a root directory that
// was found. Where there are several the last holds, since a later session's lie
// behind an earlier one's, and the doubt says so.
func fromRoot(s *tree.Scan, f found, all []stray, joliet bool) (*descriptor, string) {
	var last stray
	n := 0
	for _, d := range roots(s, all) {
		known := f.joliet != nil && int64(f.joliet.root.block)*f.joliet.block == d.at ||
			f.primary != nil && int64(f.primary.root.block)*f.primary.block == d.at
		if !known && wideAt(s, d) == joliet {
			last = d
			n++
		}
	}
	if n == 0 {
		return nil, ""
	}
	a := sector.LBA(last.at / sector.Size)
	d := &descriptor{at: a, joliet: joliet, block: sector.Size,
		root: record{block: uint32(a), size: uint32(last.size), flags: flagFolder}}
	s.Report(tree.Problem{Sectors: sector.Range{First: f.holes[0], End: f.holes[0] + 1}, Missing: true,
		What: "a volume descriptor is missing", By: "the root directory found at sector " + itoa(int(a)) + " serves"})
	if n > 1 {
		return d, doubtSession
	}
	return d, ""
}

// earlier is the trees of roots that no descriptor tells of, the last first: on a medium that
// is written over, sessions are not told by the drive, and the descriptors of the newest stand
// in the place of the others'. They serve where the newest has lost something.
func earlier(s *tree.Scan, f found, all []stray, session sector.LBA) (systems []*tree.System) {
	for _, d := range slices.Backward(roots(s, all)) {
		if d.at == int64(f.primary.root.block)*f.primary.block || wideAt(s, d) {
			continue
		}
		a := sector.LBA(d.at / sector.Size)
		w := newWalk(s, &descriptor{at: a, block: sector.Size, root: record{block: uint32(a), size: uint32(d.size), flags: flagFolder}})
		w.run()
		w.hideKeep()
		t := &tree.System{Kind: tree.ISO9660, Session: session, Root: w.root.node, Spare: true, Doubt: doubtEarlier}
		if w.rock == rockYes {
			t.Kind = tree.RockRidge
		}
		systems = append(systems, t)
	}
	return systems
}

const doubtEarlier = "it was found by a root directory of an earlier session, and may have been changed since"

const doubtSession = "its tree was found without the volume descriptor, and may be one of an earlier session"

// laterThan tells whether a later session may have replaced the tree below a root:
// whether behind all that is in it there is anything that is missing, or a root.
func laterThan(s *tree.Scan, root *tree.Node) bool {
	end := root.At
	level := []*tree.Node{root}
	for len(level) > 0 {
		var next []*tree.Node
		for _, n := range level {
			end = max(end, n.At+1)
			for _, x := range n.Extents {
				end = max(end, x.Sectors().End)
			}
			next = append(next, n.Children...)
		}
		level = next
	}
	if s.Sectors()-int64(end) > mostBehind {
		return true
	}
	for a := end; s.OnDisc(a); a++ {
		b := s.Peek(a)
		if b == nil {
			return true
		}
		if own, parent, ok := ownRecords(b); ok && own.block == parent.block {
			return true
		}
	}
	return false
}

// mostBehind bounds the sectors that are gone through behind a tree; writers put 150
// there [common practice].
const mostBehind = 4096

// lacks reports the descriptors that may be missing.
func (f *found) lacks(s *tree.Scan, some bool) {
	for _, a := range f.holes {
		switch {
		case some && f.primary != nil:
			s.Lacks(a, "what may be a volume descriptor", "others serve")
		case some:
			s.Lacks(a, "what may be the primary volume descriptor", "the Joliet tree serves")
		default:
			s.Lacks(a, "what may be a volume descriptor", "")
		}
	}
}
