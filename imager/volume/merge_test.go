package volume

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
	vt "turnstone/imager/volume/volumetest"
)

// node is a file of a tree at a byte of the image, or a directory.
func node(name string, at, size int64, children ...*tree.Node) *tree.Node {
	n := &tree.Node{Name: name, Children: children, Kind: tree.Folder}
	if at > 0 {
		n.Kind, n.Size, n.Extents = tree.Regular, size, []tree.Extent{{Length: size, At: at}}
	}
	return n
}

func lost(n *tree.Node) *tree.Node { n.Lost = true; return n }

func doubtful(n *tree.Node, hearsay bool) *tree.Node {
	n.Doubt, n.Hearsay = "a doubt", hearsay
	return n
}

// show is a tree in a line: names, sizes, the trees that have them.
func show(e *Entry) string {
	var all []string
	for _, c := range e.Children {
		s := c.Name
		if c.Folder() {
			s += "{" + show(c) + "}"
		}
		if c.Why != "" {
			s += "?"
		}
		if c.StandsIn {
			s += "!"
		}
		for k := tree.UDF; k <= tree.ISO9660; k++ {
			if c.In.Has(k) {
				s += "·" + k.String()[:1]
			}
		}
		all = append(all, s)
	}
	return strings.Join(all, " ")
}

func system(k tree.SystemKind, root *tree.Node) *tree.System {
	return &tree.System{Kind: k, Root: root}
}

func TestMerge(t *testing.T) {
	for _, c := range []struct {
		name    string
		systems []*tree.System
		want    string
	}{
		{"the same under other names", []*tree.System{
			system(tree.Joliet, node("", 0, 0, node("Grüße", 0, 0, node("ein langer Name", 5000, 10)), node("b", 9000, 5))),
			system(tree.ISO9660, node("", 0, 0, node("GR__E", 0, 0, node("EIN_LANG", 5000, 10)), node("B", 9000, 5)))},
			"Grüße{ein langer Name·J·I}·J·I b·J·I"},
		{"a lost listing", []*tree.System{
			system(tree.UDF, node("", 0, 0, lost(node("dir", 0, 0)), node("b", 9000, 5))),
			system(tree.ISO9660, node("", 0, 0, node("DIR", 0, 0, node("A", 5000, 10)), node("B", 9000, 5)))},
			"dir{A!·I}·U·I b·U·I"},
		{"another tree's own file", []*tree.System{
			system(tree.UDF, node("", 0, 0, node("a", 5000, 10))),
			system(tree.ISO9660, node("", 0, 0, node("A", 5000, 10), node("AUTORUN", 7000, 10)))},
			"a·U·I AUTORUN·I"},
		{"not from an earlier state", []*tree.System{
			system(tree.UDF, node("", 0, 0, node("a", 5000, 10))),
			{Kind: tree.ISO9660, Spare: true, Root: node("", 0, 0, node("A", 4000, 10), node("OLD", 7000, 10))}},
			"a·U·I"},
		{"an earlier state for what is lost", []*tree.System{
			system(tree.UDF, lost(node("", 0, 0, node("a", 5000, 10)))),
			{Kind: tree.ISO9660, Spare: true, Root: node("", 0, 0, node("A", 4000, 10), node("OLD", 7000, 10))}},
			"a·U·I OLD!·I"},
		{"hearsay is taken away", []*tree.System{
			system(tree.RockRidge, node("", 0, 0, doubtful(node("a", 5000, 10), true), doubtful(node("b", 6000, 10), false), doubtful(node("c", 7000, 10), true))),
			system(tree.Joliet, node("", 0, 0, node("a", 5000, 10), node("b", 6000, 10), node("c", 7000, 99)))},
			"a·R·J b?·R·J c?·R·J"},
		{"a size modulo 2^32 does not hold", []*tree.System{
			system(tree.UDF, node("", 0, 0, node("big", 5000, 5<<30))),
			system(tree.ISO9660, node("", 0, 0, node("BIG", 5000, 1<<30)))},
			"big·U·I"},
		{"not even against a UDF tree that is only supposed", []*tree.System{
			system(tree.RockRidge, node("", 0, 0, node("big", 5000, 1<<30))),
			{Kind: tree.UDF, Spare: true, Doubt: "a doubt", Root: node("", 0, 0, node("big", 5000, 5<<30))}},
			"big?!·U·R"},
		{"a lost file entry", []*tree.System{
			system(tree.UDF, node("", 0, 0, &tree.Node{Name: "f", Size: tree.UnknownSize, Doubt: "its file entry is missing"})),
			system(tree.ISO9660, node("", 0, 0, node("F", 5000, 10)))},
			"f!·U·I"},
		{"names made up", []*tree.System{
			system(tree.RockRidge, lost(node("", 0, 0, &tree.Node{Name: "directory at sector 9", Found: tree.OwnRecord, Kind: tree.Folder, Children: []*tree.Node{node("x", 5000, 10)}}))),
			system(tree.Joliet, node("", 0, 0, node("Photos", 0, 0, node("x", 5000, 10))))},
			"Photos{x·R·J}·R·J"},
		{"the same content twice", []*tree.System{
			system(tree.Joliet, node("", 0, 0, node("one", 0, 0, node("x", 5000, 10)), node("two", 0, 0, node("x", 5000, 10)))),
			system(tree.ISO9660, node("", 0, 0, node("ONE", 0, 0, node("X", 5000, 10)), node("TWO", 0, 0, node("X", 5000, 10))))},
			"one{x·J·I}·J·I two{x·J·I}·J·I"},
	} {
		root := merge(c.systems)
		if got := show(root); got != c.want {
			t.Errorf("%s: %s; want %s", c.name, got, c.want)
		}
		if c.name[:6] == "a size" && root.Children[0].Size != 5<<30 {
			t.Errorf("%s: size %d", c.name, root.Children[0].Size)
		}
	}
	if merge(nil) != nil {
		t.Error("merge of nothing gives a tree")
	}
}

// Two sessions: the newest holds, and the older one stands in for what is lost.
func TestSessions(t *testing.T) {
	old := vt.File{Dir: true, Children: []vt.File{
		{Name: "kept.txt", Data: []byte("kept")}, {Name: "changed.txt", Data: []byte("old")}, {Name: "gone.txt", Data: []byte("gone")}}}
	newer := vt.File{Dir: true, Children: []vt.File{
		{Name: "kept.txt", Data: []byte("kept")}, {Name: "changed.txt", Data: []byte("new")}}}
	o := vt.ISOOptions{RockRidge: true, Joliet: true, Label: "FIRST"}
	data := vt.ISO(nil, old, o)
	o.Session, o.Label = len(data)/vt.Size+30, "SECOND"
	data = vt.ISO(data, newer, o)
	options := Options{Sessions: []sector.LBA{0, sector.LBA(o.Session)}}
	files := func(holes ...sector.Range) (map[string]string, *Volume) {
		missing := sector.Of(holes...)
		disc := sector.Of(sector.Span(0, int64(len(data)/sector.Size)))
		good := disc.Subtract(&missing)
		v, err := Open(tree.Holed(bytes.NewReader(data), int64(len(data)/sector.Size), &good), options)
		if err != nil || v.Root == nil {
			t.Fatalf("Open: %v, root %v", err, v)
		}
		all := map[string]string{}
		for e := range v.Files() {
			b, _ := io.ReadAll(v.Content(e))
			all[e.Path()] = e.State.String() + " " + string(b)
		}
		return all, v
	}
	got, v := files()
	if v.Systems[0].Label != "SECOND" || len(got) != 2 || got["changed.txt"] != "whole new" || got["kept.txt"] != "whole kept" {
		t.Errorf("two sessions: %v, first system %+v", got, v.Systems[0])
	}
	// Nothing of the second session's structures: the first's stand in.
	got, v = files(sector.Span(sector.LBA(o.Session), int64(len(data)/vt.Size-o.Session)))
	if got["changed.txt"] != "unknown old" || len(got) != 3 || v.Systems[0].Session != 0 {
		t.Errorf("without the second session: %v, %+v", got, v.Systems)
	}
	if v.Structures.Needed.Empty() {
		t.Error("without the second session nothing is needed")
	}
	// The newest's listings: what both have at one place is in no doubt.
	end := 0
	for a := o.Session + 22; end == 0; a++ {
		if bytes.HasPrefix(data[a*vt.Size:], []byte("kept")) || bytes.HasPrefix(data[a*vt.Size:], []byte("new")) {
			end = a
		}
	}
	got, _ = files(sector.Range{First: sector.LBA(o.Session + 19), End: sector.LBA(end)})
	if got["changed.txt"] != "unknown old" || got["gone.txt"] != "unknown gone" {
		t.Errorf("without the second session's listings: %v", got)
	}
	// On a medium that is written over there is one session, and the newest descriptors stand
	// in the place of the first's: a root that was found stands in.
	first := bytes.Clone(data[16*vt.Size : 20*vt.Size])
	copy(data[16*vt.Size:], data[(o.Session+16)*vt.Size:(o.Session+20)*vt.Size])
	options = Options{}
	if got, _ = files(); len(got) != 2 || got["changed.txt"] != "whole new" {
		t.Errorf("a medium that is written over: %v", got)
	}
	got, v = files(sector.Range{First: sector.LBA(o.Session + 16), End: sector.LBA(end)})
	if got["changed.txt"] != "unknown old" || got["gone.txt"] != "unknown gone" || v.Structures.Needed.Empty() {
		t.Errorf("without the newest listings of a medium that is written over: %v, needed %v", got, v.Structures.Needed)
	}
	copy(data[16*vt.Size:], first)
	// Without being told of it, the disc is its first session.
	options = Options{}
	if got, _ = files(); got["changed.txt"] != "whole old" {
		t.Errorf("untold of sessions: %v", got)
	}
}

// A size that may be cut to 32 bits is not believed: not where there is room for 4
// GiB behind the file, and UDF does not tell of it.
func TestWrappedSizes(t *testing.T) {
	const gib = 1 << 30
	for _, c := range []struct {
		name    string
		kind    tree.SystemKind
		nextAt  int64
		end     sector.LBA
		unknown bool
	}{
		{"another file 5 GiB behind", tree.RockRidge, 5 * gib, 6 * gib / sector.Size, true},
		{"another file 3 GiB behind", tree.RockRidge, 3 * gib, 6 * gib / sector.Size, false},
		{"told by UDF", tree.UDF, 5 * gib, 6 * gib / sector.Size, false},
		{"the end of the volume close behind", tree.RockRidge, 1 << 20, 3 << 20 / sector.Size, false},
	} {
		root := node("", 0, 0, node("a", 600*sector.Size, 5000), node("b", c.nextAt, 5000))
		s := &tree.System{Kind: c.kind, Root: root, End: c.end}
		img := &sparse{n: 6 * gib / sector.Size}
		v := &Volume{Root: merge([]*tree.System{s}), img: img, good: img.Good()}
		v.wrapped([]*tree.System{s})
		if e := v.Root.Children[0]; (e.Why != "") != c.unknown {
			t.Errorf("%s: %q; want in doubt: %v", c.name, e.Why, c.unknown)
		}
	}
}

func TestNoFileSystem(t *testing.T) {
	data := make([]byte, 600*sector.Size)
	v, err := Open(wholeImage(data), Options{})
	if err != nil || v.Root != nil || len(v.Systems) != 0 || !v.Structures.Needed.Empty() {
		t.Errorf("a blank disc: %+v, %v", v, err)
	}
	for range v.All() {
		t.Error("a blank disc has an entry")
	}
	var none sector.Set
	v, err = Open(tree.Holed(bytes.NewReader(data), 600, &none), Options{})
	if err != nil || v.Root != nil || !v.Structures.Needed.Contains(16) || !v.Structures.Needed.Contains(256) || !v.Structures.Needed.Contains(599) || !v.Structures.Needed.Contains(599-256) {
		t.Errorf("a disc of which nothing is good: needed %v, %v", v.Structures.Needed, err)
	}
	if v, err = Open(tree.Whole(bytes.NewReader(nil), 0), Options{}); err != nil || v.Root != nil {
		t.Errorf("an empty image: %+v, %v", v, err)
	}
	if _, err = Open(tree.Whole(bytes.NewReader(nil), 600*sector.Size), Options{}); err == nil {
		t.Error("an image that can't be read: no error")
	}
}
