package iso9660

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
	vt "turnstone/imager/volume/volumetest"
)

func scanOf(data []byte, holes ...sector.Range) *tree.Scan {
	n := int64(len(data) / sector.Size)
	missing := sector.Of(holes...)
	disc := sector.Of(sector.Span(0, n))
	good := disc.Subtract(&missing)
	return tree.NewScan(tree.Holed(bytes.NewReader(data), n, &good))
}

// list is the trees' nodes by path.
func list(t testing.TB, data []byte, holes ...sector.Range) (nodes map[string]*tree.Node, problems string, systems []*tree.System) {
	s := scanOf(data, holes...)
	systems = Open(s, 0, sector.Span(16, 1<<14))
	if s.Err() != nil {
		t.Fatal(s.Err())
	}
	nodes = map[string]*tree.Node{}
	for _, x := range systems {
		var below func(in string, n *tree.Node)
		below = func(in string, n *tree.Node) {
			for _, c := range n.Children {
				nodes[in+c.Name] = c
				below(in+c.Name+"/", c)
			}
		}
		below(x.Kind.String()+":", x.Root)
	}
	all, _ := s.Problems()
	for _, p := range all {
		problems += p.String() + "\n"
	}
	return nodes, problems, systems
}

func content(t testing.TB, data []byte, n *tree.Node) string {
	t.Helper()
	if n == nil {
		t.Fatal("no such file")
	}
	c := tree.NewContent(tree.Whole(bytes.NewReader(data), int64(len(data))), n.Extents)
	b, err := io.ReadAll(io.NewSectionReader(c, 0, c.Size()))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// find is the byte of the image where the record with a name begins.
func find(t testing.TB, data []byte, name string) []byte {
	t.Helper()
	i := bytes.Index(data, append([]byte{byte(len(name))}, name...))
	if i < 32 {
		t.Fatalf("no record of %q", name)
	}
	return data[i-32:]
}

func put(b []byte, n uint32) {
	binary.LittleEndian.PutUint32(b, n)
	binary.BigEndian.PutUint32(b[4:], n)
}

// What a record can say that is not read, or not believed.
func TestOddRecords(t *testing.T) {
	root := vt.File{Dir: true, Children: []vt.File{
		{Name: "a.txt", Data: []byte("first")}, {Name: "b.txt", Data: []byte("second")},
		{Name: "dir", Dir: true, Children: []vt.File{{Name: "c.txt", Data: []byte("third")}}},
		{Name: "two", Dir: true},
	}}
	for _, c := range []struct {
		name    string
		change  func(t *testing.T, data []byte)
		problem string
		check   func(t *testing.T, data []byte, nodes map[string]*tree.Node)
	}{
		{"interleaved", func(t *testing.T, d []byte) { find(t, d, "A.TXT;1")[26] = 4 }, "", func(t *testing.T, _ []byte, n map[string]*tree.Node) {
			if x := n["ISO 9660:A.TXT"]; !strings.Contains(x.Doubt, "interleaved") || x.Hearsay || x.Extents[0].Place != tree.Unplaced {
				t.Errorf("an interleaved file is %+v", x)
			}
		}},
		{"extended attributes", func(t *testing.T, d []byte) {
			r := find(t, d, "A.TXT;1")
			r[1] = 1
			put(r[2:], binary.LittleEndian.Uint32(r[2:])-1)
		}, "", func(t *testing.T, d []byte, n map[string]*tree.Node) {
			if got := content(t, d, n["ISO 9660:A.TXT"]); got != "first" {
				t.Errorf("a file with extended attributes holds %q", got)
			}
		}},
		{"two numbers", func(t *testing.T, d []byte) { find(t, d, "A.TXT;1")[9]++ }, "two places or two sizes", nil},
		{"another disc's", func(t *testing.T, d []byte) {
			d[16*2048+120] = 2 // of two
			find(t, d, "A.TXT;1")[28] = 2
		}, "", func(t *testing.T, _ []byte, n map[string]*tree.Node) {
			if x := n["ISO 9660:A.TXT"]; !strings.Contains(x.Doubt, "another disc") {
				t.Errorf("a file on another disc is %+v", x)
			}
			if x := n["ISO 9660:B.TXT"]; x.Doubt != "" {
				t.Errorf("a file on this disc is in doubt: %s", x.Doubt)
			}
		}},
		{"a ring", func(t *testing.T, d []byte) {
			put(find(t, d, "DIR")[2:], binary.LittleEndian.Uint32(d[16*2048+156+2:]))
		}, "not followed", nil},
		{"twice", func(t *testing.T, d []byte) {
			put(find(t, d, "TWO")[2:], binary.LittleEndian.Uint32(find(t, d, "DIR")[2:]))
		}, "not followed", nil},
		{"no directory", func(t *testing.T, d []byte) {
			put(find(t, d, "DIR")[2:], binary.LittleEndian.Uint32(find(t, d, "A.TXT;1")[2:]))
		}, "no directory begins here", nil},
		{"beyond the disc", func(t *testing.T, d []byte) { put(find(t, d, "DIR")[2:], 1<<31) }, "beyond the end", nil},
		{"a long directory", func(t *testing.T, d []byte) { put(find(t, d, "DIR")[10:], 1<<31) }, "beyond the end", func(t *testing.T, d []byte, n map[string]*tree.Node) {
			if got := content(t, d, n["ISO 9660:DIR/C.TXT"]); got != "third" {
				t.Errorf("the file in it holds %q", got)
			}
		}},
		{"a name too long", func(t *testing.T, d []byte) { find(t, d, "B.TXT;1")[32] = 200 }, "no directory record", func(t *testing.T, d []byte, n map[string]*tree.Node) {
			if n["ISO 9660:A.TXT"] == nil {
				t.Error("the record before it is lost")
			}
		}},
		{"no end of parts", func(t *testing.T, d []byte) { find(t, d, "A.TXT;1")[25] = 128 }, "lacks its last part", func(t *testing.T, _ []byte, n map[string]*tree.Node) {
			if x := n["ISO 9660:A.TXT"]; x.Doubt != doubtLast || x.Size != tree.UnknownSize {
				t.Errorf("a file without its last part is %+v", x)
			}
		}},
		{"a block size", func(t *testing.T, d []byte) { d[16*2048+128] = 7 }, "blocks of no known size", nil},
		{"blocks of 512 bytes", func(t *testing.T, d []byte) {
			copy(d[16*2048+128:], []byte{0, 2, 2, 0})
			for _, r := range [][]byte{d[16*2048+156:], find(t, d, "A.TXT;1"), find(t, d, "B.TXT;1"), find(t, d, "C.TXT;1"), find(t, d, "DIR"), find(t, d, "TWO")} {
				put(r[2:], 4*binary.LittleEndian.Uint32(r[2:]))
			}
		}, "", func(t *testing.T, d []byte, n map[string]*tree.Node) {
			if got := content(t, d, n["ISO 9660:DIR/C.TXT"]); got != "third" {
				t.Errorf("a file in blocks of 512 bytes holds %q", got)
			}
		}},
		{"high sierra", func(t *testing.T, d []byte) { clear(d[16*2048 : 17*2048]); copy(d[16*2048+9:], "CDROM") }, "High Sierra", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := vt.ISO(nil, root, vt.ISOOptions{})
			c.change(t, data)
			nodes, problems, _ := list(t, data)
			if !strings.Contains(problems, c.problem) || c.problem == "" && problems != "" {
				t.Errorf("problems: %q; want %q", problems, c.problem)
			}
			if c.check != nil {
				c.check(t, data, nodes)
			}
		})
	}
}

// The record behind a hole may be the last part of a longer file.
func TestPartBehindHole(t *testing.T) {
	// A directory of two sectors, the parts of one file at their border.
	root := vt.File{Dir: true}
	for i := range 33 {
		root.Children = append(root.Children, vt.File{Name: fmt.Sprintf("f%02d.dat", i), Data: []byte{byte(i)}})
	}
	root.Children = append(root.Children, vt.File{Name: "long.bin", Data: vt.Bytes("long", 80*2048), Parts: 40})
	data := vt.ISO(nil, root, vt.ISOOptions{})
	at := sector.LBA(binary.LittleEndian.Uint32(data[16*2048+158:]))
	whole, _, _ := list(t, data)
	if x := whole["ISO 9660:LONG.BIN"]; x.Size != 80*2048 || content(t, data, x) != string(vt.Bytes("long", 80*2048)) {
		t.Fatalf("the file of 40 parts is %+v", x)
	}
	if len(whole) != 34 {
		t.Fatalf("%d files; want 34", len(whole))
	}
	if n := binary.LittleEndian.Uint32(data[16*2048+166:]); n != 2*2048 {
		t.Fatalf("the directory has %d bytes; want two sectors", n)
	}
	for hole := range sector.LBA(2) {
		nodes, _, _ := list(t, data, sector.Span(at+hole, 1))
		for name, x := range nodes {
			if name == "ISO 9660:LONG.BIN" && x.Doubt == "" {
				t.Errorf("sector %d of the directory is missing: %q of %d bytes is in no doubt", hole, name, x.Size)
			}
		}
	}
}

// One path table serves for the other, record by record, and both for directories.
func TestPathTables(t *testing.T) {
	root := vt.File{Dir: true}
	for i := range 300 {
		name := fmt.Sprintf("longdirectory%03d", i)
		root.Children = append(root.Children, vt.File{Name: name, Dir: true, Children: []vt.File{{Name: "x.txt", Data: []byte(name)}}})
	}
	data := vt.ISO(nil, root, vt.ISOOptions{})
	pvd := data[16*2048:]
	l := sector.LBA(binary.LittleEndian.Uint32(pvd[140:]))
	m := sector.LBA(binary.BigEndian.Uint32(pvd[148:]))
	size := int64(binary.LittleEndian.Uint32(pvd[132:]))
	dir := sector.Span(sector.LBA(binary.LittleEndian.Uint32(pvd[158:])), int64(binary.LittleEndian.Uint32(pvd[166:]))/2048)
	if size < 3*2048 {
		t.Fatalf("path table of %d bytes", size)
	}
	for _, c := range []struct {
		name  string
		holes []sector.Range
		want  int
	}{
		{"none", []sector.Range{dir}, 300},
		{"all of L", []sector.Range{dir, sector.Span(l, 4)}, 300},
		{"all of M", []sector.Range{dir, sector.Span(m, 4)}, 300},
		{"L's first, M's second", []sector.Range{dir, sector.Span(l, 1), sector.Span(m+1, 1)}, 300},
	} {
		nodes, problems, _ := list(t, data, c.holes...)
		n := 0
		for name, x := range nodes {
			if x.Kind == tree.Folder && x.Found == tree.PathTable && strings.Contains(name, "LONGDIRECTORY") {
				n++
			}
		}
		if n != c.want {
			t.Errorf("missing of the tables: %s: %d directories by the path table; want %d\n%s", c.name, n, c.want, problems)
		}
		if x := nodes["ISO 9660:LONGDIRECTORY123/X.TXT"]; x == nil || content(t, data, x) != "longdirectory123" {
			t.Errorf("missing of the tables: %s: a file below is %+v", c.name, x)
		}
	}
	// With both gone, and the root, the directories tell for themselves.
	nodes, _, _ := list(t, data, sector.Range{First: dir.First + 1, End: dir.End}, sector.Span(l, 4), sector.Span(m, 4))
	n := 0
	for name := range nodes {
		if strings.HasSuffix(name, "/X.TXT") {
			n++
		}
	}
	if n != 300 {
		t.Errorf("without records and path tables %d of 300 directories were found", n)
	}
}

// The descriptor is missing: Joliet's serves, or the root that says it is one.
func TestMissingDescriptor(t *testing.T) {
	root := vt.Sample()
	data := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true, Joliet: true, Label: "LABEL"})
	_, _, systems := list(t, data)
	if len(systems) != 2 || systems[0].Kind != tree.RockRidge || systems[1].Kind != tree.Joliet || systems[0].Label != "LABEL" || systems[1].Label != "LABEL" || !systems[0].Created.Equal(vt.When) {
		t.Fatalf("systems: %+v", systems)
	}
	for hole, want := range map[sector.LBA]string{16: "others serve", 17: "others serve", 18: ""} {
		nodes, problems, systems := list(t, data, sector.Span(hole, 1))
		if len(systems) != 2 || !strings.Contains(problems, want) {
			t.Errorf("sector %d missing: %d systems, %q", hole, len(systems), problems)
		}
		for _, k := range []string{"Rock Ridge:", "Joliet:"} {
			if x := nodes[k+"DCIM/IMG_0001.JPG"]; x == nil || content(t, data, x) != string(vt.Bytes("img1", 90000)) {
				t.Errorf("sector %d missing: %sDCIM/IMG_0001.JPG is %+v", hole, k, x)
			}
		}
	}
}

// A root that was found by itself may be one of an earlier session, if a later one
// may lie in what is missing behind it.
func TestRootOfAnEarlierSession(t *testing.T) {
	root := vt.File{Dir: true, Children: []vt.File{{Name: "a.txt", Data: []byte("old")}, {Name: "dir", Dir: true, Children: []vt.File{{Name: "b.txt", Data: []byte("b")}}}}}
	data := vt.ISO(nil, root, vt.ISOOptions{})
	n := sector.LBA(len(data) / vt.Size)
	_, _, systems := list(t, data, sector.Span(16, 1))
	if len(systems) != 1 || systems[0].Doubt != "" || !systems[0].Spare || len(systems[0].Root.Children) != 2 {
		t.Errorf("without a descriptor: %+v; want no doubt: nothing is behind the files", systems)
	}
	_, _, systems = list(t, data, sector.Span(16, 1), sector.Span(n-1, 1))
	if len(systems) != 1 || systems[0].Doubt != doubtSession {
		t.Errorf("without a descriptor, and a sector behind the files: %+v; want doubt", systems)
	}
	grown := vt.ISO(slices.Clone(data), root, vt.ISOOptions{Session: int(n) + 8})
	_, _, systems = list(t, grown, sector.Span(16, 1))
	if len(systems) != 1 || systems[0].Doubt != doubtSession {
		t.Errorf("without a descriptor, with two roots: %+v; want doubt", systems)
	}
	if at := int64(systems[0].Root.At); at < int64(n) {
		t.Errorf("of two roots the one at %d was taken; want the later", at)
	}
}

// xorriso makes each directory of a Joliet tree its own parent: it is no root for
// that, if another one lists it.
func TestRootsThatAreNone(t *testing.T) {
	root := vt.File{Dir: true, Children: []vt.File{{Name: "a.txt", Data: []byte("a")}, {Name: "dir", Dir: true, Children: []vt.File{{Name: "b.txt", Data: []byte("b")}}}}}
	data := vt.ISO(nil, root, vt.ISOOptions{Joliet: true})
	svd := data[17*vt.Size:]
	at := binary.LittleEndian.Uint32(svd[158:])
	for a := at; a < at+2; a++ { // root and dir
		b := data[int(a)*vt.Size:]
		put(b[int(b[0])+2:], a)
	}
	nodes, _, systems := list(t, data, sector.Span(17, 1))
	if len(systems) != 2 || uint32(systems[1].Root.At) != at || nodes["Joliet:dir/b.txt"] == nil {
		t.Errorf("without Joliet's descriptor: %+v, %d nodes; want its root at %d", systems, len(nodes), at)
	}
}

func FuzzRecord(f *testing.F) {
	f.Add(unhex(f, xorriso))
	f.Add([]byte{34, 0})
	f.Add(append([]byte("d0000000000000000000000002000000\x01\x00"), make([]byte, 66)...)) // as long as what is left
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) == 0 || b[0] == 0 {
			return
		}
		r, ok := parseRecord(b)
		if ok && (len(r.name) == 0 || len(r.name)+len(r.use)+recordHead > int(b[0])) {
			t.Fatalf("parseRecord(% x) = %+v", b, r)
		}
		ownRecords(b)
		allRecords(b)
	})
}

func FuzzSystemUse(f *testing.F) {
	f.Add(unhex(f, xorriso)[40:], []byte{})
	f.Add([]byte("CE\x1c\x01\x01\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00\x00\x00\x00\x00\x00\x20\x00\x00\x00\x00\x00\x00\x20"), []byte("NM\x06\x01\x01aNM\x06\x01\x00b"))
	f.Add([]byte("SL\x09\x01\x00\x01\x02ab"), []byte{})
	f.Fuzz(func(t *testing.T, use, area []byte) {
		data := make([]byte, 4*sector.Size)
		copy(data[sector.Size:], area)
		w := newWalk(scanOf(data), &descriptor{block: sector.Size})
		r := w.rockRidge(use)
		if len(r.name) > longestName || len(r.target) > 16*longestName {
			t.Fatalf("a name of %d bytes, a link of %d", len(r.name), len(r.target))
		}
		w.skip(use)
	})
}

func FuzzDescriptor(f *testing.F) {
	data := vt.ISO(nil, vt.File{Dir: true}, vt.ISOOptions{Joliet: true})
	f.Add(data[16*2048 : 16*2048+882])
	f.Add(data[17*2048 : 17*2048+882])
	f.Fuzz(func(t *testing.T, in []byte) {
		b := make([]byte, sector.Size)
		copy(b, in)
		d, wrong := parseDescriptor(b, 16)
		if (d == nil) != (wrong != "") {
			t.Fatalf("parseDescriptor = %v, %q", d, wrong)
		}
		if d != nil {
			w := newWalk(scanOf(slices.Concat(make([]byte, 16*2048), b)), d)
			w.run()
			w.pathTable()
		}
	})
}
