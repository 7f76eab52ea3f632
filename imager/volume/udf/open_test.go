package udf

import (
	"bytes"
	"encoding/binary"
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

// list opens the volume and gives its nodes by path.
func list(t testing.TB, data []byte, holes ...sector.Range) (*tree.System, map[string]*tree.Node, string) {
	s := scanOf(data, holes...)
	x := Open(s, 0, 1<<14)
	if s.Err() != nil {
		t.Fatal(s.Err())
	}
	nodes, problems := map[string]*tree.Node{}, ""
	var below func(in string, n *tree.Node)
	below = func(in string, n *tree.Node) {
		for _, c := range n.Children {
			nodes[in+c.Name] = c
			below(in+c.Name+"/", c)
		}
	}
	if x != nil {
		below("", x.Root)
	}
	all, _ := s.Problems()
	for _, p := range all {
		problems += p.String() + "\n"
	}
	return x, nodes, problems
}

func content(t testing.TB, data []byte, n *tree.Node) []byte {
	c := tree.NewContent(tree.Whole(bytes.NewReader(data), int64(len(data))), n.Extents)
	b, err := io.ReadAll(io.NewSectionReader(c, 0, c.Size()))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// sample is a tree for any kind of partition.
func sample() vt.File {
	return vt.File{Dir: true, Form: vt.Long, Children: []vt.File{
		{Name: "a", Data: vt.Bytes("a", 60000), Form: vt.Long, Parts: 5},
		{Name: "dir", Dir: true, Form: vt.Long, Children: []vt.File{
			{Name: "b", Data: vt.Bytes("b", 200000), Form: vt.Long},
			{Name: "within", Data: vt.Bytes("w", 300), Form: vt.Within}}},
	}}
}

// What is missing of a volume's structures, what is said of it, and whether the
// files are found, and found without doubt.
func TestStandIns(t *testing.T) {
	const all, doubtful, none = "all", "doubtful", "none"
	last := func(data []byte) sector.LBA { return sector.LBA(len(data)/sector.Size - 1) }
	at := func(a ...sector.LBA) func([]byte) []sector.Range {
		return func([]byte) (r []sector.Range) {
			for _, x := range a {
				r = append(r, sector.Span(x, 1))
			}
			return r
		}
	}
	for _, c := range []struct {
		name  string
		kind  vt.Partition
		holes func(data []byte) []sector.Range
		want  string
		words string
	}{
		{"nothing", vt.Plain, at(), all, ""},
		{"recognition", vt.Plain, at(16, 17, 18), all, ""},
		{"anchor at 256", vt.Plain, at(256), all, "the anchor at sector"},
		{"anchors at 256 and N-256", vt.Plain, func(d []byte) []sector.Range {
			return []sector.Range{sector.Span(256, 1), sector.Span(last(d)-256, 1)}
		}, all, "the anchor at sector"},
		{"all anchors", vt.Plain, func(d []byte) []sector.Range {
			return []sector.Range{sector.Span(256, 1), sector.Span(last(d)-256, 1), sector.Span(last(d), 1)}
		}, all, "the descriptors found from sector 32 on serve"},
		{"main sequence", vt.Plain, at(32, 33, 34, 35), all, "the reserve sequence serves"},
		{"either's half", vt.Plain, at(32, 33, 50, 51), all, "what is there of both sequences serves"},
		{"LVD in both", vt.Plain, at(33, 49), doubtful, "serves"},
		{"PD in both", vt.Plain, at(34, 50), doubtful, "serves"},
		{"both sequences and all anchors", vt.Plain, func(d []byte) []sector.Range {
			return []sector.Range{sector.Span(32, 32), sector.Span(256, 1), sector.Span(last(d)-256, 1), sector.Span(last(d), 1)}
		}, doubtful, "the way to the root directory"},
		{"file set", vt.Plain, at(vt.UDFStart), all, "the way to the root directory is missing; the one found at block 1"},
		{"first sparing table", vt.Sparable, at(vt.UDFSparing), all, "another sparing table serves"},
		{"both sparing tables", vt.Sparable, at(vt.UDFSparing, vt.UDFSparing+2), doubtful, "a sparing table is missing"},
		{"metadata file", vt.Metadata, func(d []byte) []sector.Range { return metadataEntry(d, 0) }, all, "the mirror's serves"},
		{"metadata mirror file", vt.Metadata, func(d []byte) []sector.Range { return metadataEntry(d, 1) }, all, "the main one serves"},
		{"main metadata", vt.Metadata, func(d []byte) []sector.Range { return []sector.Range{sector.Span(vt.UDFStart, 256)} }, all, "the mirror serves"},
		{"mirrored metadata", vt.Metadata, func(d []byte) []sector.Range { return []sector.Range{sector.Span(vt.UDFStart+1024, 256)} }, all, ""},
		{"VAT", vt.VAT201, func(d []byte) []sector.Range { return []sector.Range{sector.Span(last(d), 1)} }, none, "what may be the VAT"},
		{"VAT of 1.50", vt.VAT150, func(d []byte) []sector.Range { return []sector.Range{sector.Span(last(d), 1)} }, none, "what may be the VAT"},
		{"VAT's content", vt.VAT201, func(d []byte) []sector.Range { return []sector.Range{sector.Span(last(d)-1, 1)} }, none, "a part of the VAT"},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := vt.UDF(sample(), c.kind)
			x, nodes, problems := list(t, data, c.holes(data)...)
			if !strings.Contains(problems, c.words) || c.words == "" && problems != "" {
				t.Errorf("problems %q; want %q", problems, c.words)
			}
			if c.want == none {
				for path, n := range nodes {
					if n.Doubt == "" || len(n.Extents) > 0 {
						t.Errorf("%q is %+v; want it at no known place", path, n)
					}
				}
				return
			}
			if x == nil {
				t.Fatalf("no file system: %s", problems)
			}
			if (x.Doubt != "") != (c.want == doubtful) {
				t.Errorf("doubt %q; want %s", x.Doubt, c.want)
			}
			if c.name == "both sparing tables" {
				return // where files are is only supposed
			}
			for path, want := range vt.Files(sample()) {
				if n := nodes[path]; n == nil || !bytes.Equal(content(t, data, n), want) {
					t.Errorf("%q is %+v", path, n)
				}
			}
		})
	}
}

// metadataEntry is the sector of the entry of a metadata file or its mirror.
func metadataEntry(data []byte, i int) []sector.Range {
	lvd := data[(vt.UDFMain+1)*sector.Size:]
	return []sector.Range{sector.Span(vt.UDFStart+sector.LBA(le.Uint32(lvd[446+40+4*i:])), 1)}
}

// A newer VAT may be in a missing sector behind the one that is there.
func TestOlderVAT(t *testing.T) {
	data := vt.UDF(sample(), vt.VAT201)
	data = append(data, make([]byte, 3*sector.Size)...)
	x, nodes, _ := list(t, data)
	if x == nil || x.Doubt != "" || len(nodes) != 4 {
		t.Fatalf("with blank sectors behind the VAT: %+v, %d files", x, len(nodes))
	}
	end := sector.LBA(len(data) / sector.Size)
	x, nodes, problems := list(t, data, sector.Span(end-2, 1))
	if x == nil || !strings.Contains(x.Doubt, "newest VAT may be missing") || len(nodes) != 4 || !strings.Contains(problems, "which may be older") {
		t.Errorf("with a missing sector behind the VAT: %+v, %d files, %q", x, len(nodes), problems)
	}
}

// Of two sparing tables the newer holds.
func TestNewerSparingTable(t *testing.T) {
	for _, older := range []int{vt.UDFSparing, vt.UDFSparing + 2} {
		data := vt.UDF(sample(), vt.Sparable)
		b := data[older*sector.Size:]
		if n := le.Uint16(b[48:]); n < 4 {
			t.Fatalf("the table has %d entries", n)
		}
		le.PutUint32(b[52:], 0)
		for i := 56; i < 56+8*int(le.Uint16(b[48:])); i += 8 {
			le.PutUint32(b[i:], 0xFFFFFFF0) // nothing was moved yet
		}
		vt.Seal(b)
		_, nodes, _ := list(t, data)
		for path, want := range vt.Files(sample()) {
			if n := nodes[path]; n == nil || !bytes.Equal(content(t, data, n), want) {
				t.Errorf("with an older table at sector %d %q is %+v", older, path, n)
			}
		}
	}
}

// Lost directories, entries and descriptors, and lies in them.
func TestOddEntries(t *testing.T) {
	root := vt.File{Dir: true, Children: []vt.File{
		{Name: "f", Data: vt.Bytes("f", 20000), Form: vt.Chained, Parts: 9},
		{Name: "dir", Dir: true, Children: []vt.File{{Name: "g", Data: []byte("g")}}},
		{Name: "last", Data: []byte("last")},
	}}
	plain := vt.UDF(root, vt.Plain)
	_, nodes, problems := list(t, plain)
	if len(nodes) != 4 || problems != "" || len(nodes["f"].Extents) != 9 {
		t.Fatalf("%d files, problems %q, %d extents", len(nodes), problems, len(nodes["f"].Extents))
	}
	entry := func(d []byte, path string) []byte { return d[nodes[path].At.Offset():][:sector.Size] }
	aed := func(d []byte) []byte { return d[(vt.UDFStart+int64(le.Uint32(entry(d, "f")[176+20:])))*sector.Size:] }
	for _, c := range []struct {
		name   string
		change func(d []byte)
		path   string
		doubt  string
	}{
		{"a continuation that goes round", func(d []byte) {
			b := aed(d)
			at := le.Uint32(b[12:])
			le.PutUint32(b[24+16+4:], at)
			vt.Seal(b)
		}, "f", "round in a ring"},
		{"a continuation without a tag", func(d []byte) { aed(d)[0] = 0 }, "f", "where nothing is"},
		{"a continuation longer than its place", func(d []byte) { b := aed(d); le.PutUint32(b[20:], 1<<20); vt.Seal(b) }, "f", "longer than its place"},
		{"a size beyond the extents", func(d []byte) { b := entry(d, "last"); le.PutUint64(b[56:], 1<<40); vt.Seal(b) }, "last", "extents are shorter"},
		{"a size beyond the earth", func(d []byte) { b := entry(d, "last"); le.PutUint64(b[56:], 1<<63); vt.Seal(b) }, "last", "impossible size"},
		{"parts longer than the entry", func(d []byte) { b := entry(d, "last"); le.PutUint32(b[172:], 0xFFFFFFFF); vt.Seal(b) }, "last", "longer than it is"},
		{"attributes longer than the entry", func(d []byte) { b := entry(d, "last"); le.PutUint32(b[168:], 0xFFFFFF00); vt.Seal(b) }, "last", "longer than it is"},
		{"descriptors of no kind", func(d []byte) { b := entry(d, "last"); b[34] = 5; vt.Seal(b) }, "last", "unknown kind"},
		{"data longer than the entry", func(d []byte) { b := entry(d, "last"); b[34] = 3; le.PutUint64(b[56:], 100); vt.Seal(b) }, "last", "longer than the file entry"},
		{"an entry without a tag", func(d []byte) { entry(d, "last")[4]++ }, "last", "no file entry"},
		{"an entry of another place", func(d []byte) { b := entry(d, "last"); b[12]++; vt.Seal(b) }, "last", "no file entry"},
		{"a directory that is the root", func(d []byte) {
			// The identifier's address of "dir" becomes the root's.
			i := bytes.Index(d, []byte("\x08dir"))
			b := d[i-38:]
			le.PutUint32(b[24:], 1)
			vt.Seal(b)
		}, "dir", "listed elsewhere"},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := slices.Clone(plain)
			c.change(data)
			_, got, problems := list(t, data)
			n := got[c.path]
			if n == nil || !strings.Contains(n.Doubt, c.doubt) {
				t.Errorf("%q is %+v; want in doubt: %s", c.path, n, c.doubt)
			}
			if problems == "" {
				t.Error("no problem is told")
			}
			if got["f"] == nil || got["last"] == nil {
				t.Errorf("others are lost: %d files", len(got))
			}
		})
	}
	// The entry of a directory is missing; what is in it can't be told.
	_, got, problems := list(t, plain, sector.Span(nodes["dir"].At, 1))
	if n := got["dir"]; n == nil || !n.Lost || len(n.Missing) != 1 || n.Missing[0].First != nodes["dir"].At || got["f"] == nil {
		t.Errorf("without the entry of a directory: %+v, %q", n, problems)
	}
	// The continuation is missing: the rest is at no known place.
	at := sector.LBA(vt.UDFStart) + sector.LBA(le.Uint32(entry(plain, "f")[176+20:]))
	_, got, _ = list(t, plain, sector.Span(at, 1))
	if n := got["f"]; n == nil || !strings.Contains(n.Doubt, "allocation descriptors is missing") || n.Size != 20000 || n.Extents[len(n.Extents)-1].Place != tree.Unplaced || len(n.Missing) != 1 {
		t.Errorf("without its continuation the file is %+v", got["f"])
	}
}

// A lost sector of a directory costs the names in it; a directory below is found by
// what it says of its parent.
func TestLostNames(t *testing.T) {
	root := vt.File{Dir: true}
	for i := range 120 {
		root.Children = append(root.Children, vt.File{Name: "file number " + string(rune('a'+i%26)) + string(rune('a'+i/26)), Data: []byte{byte(i)}})
	}
	root.Children = append(root.Children, vt.File{Name: "dir", Dir: true, Children: []vt.File{{Name: "g", Data: []byte("g")}}})
	data := vt.UDF(root, vt.Plain)
	_, nodes, _ := list(t, data)
	if len(nodes) != 122 {
		t.Fatalf("%d files; want 122", len(nodes))
	}
	x, nodes, problems := list(t, data, sector.Span(nodes["dir"].Record, 1))
	if !x.Root.Lost || len(nodes) < 70 {
		t.Errorf("%d files are left; %q", len(nodes), problems)
	}
	found := 0
	for path, n := range nodes {
		if strings.HasSuffix(path, "/g") && n.Doubt != "" {
			found++
		}
	}
	if found != 1 {
		t.Errorf("the directory whose name is lost was found %d times", found)
	}
}

func FuzzTagged(f *testing.F) {
	f.Add([]byte{0x02, 0, 2, 0, 0xCF, 0, 1, 0, 1, 0xD7, 0xF0, 1, 0, 1, 0, 0})
	f.Add(make([]byte, 16))
	f.Fuzz(func(t *testing.T, b []byte) {
		if kind := tagged(b, anywhere); kind != 0 && len(b) < tagSize+int(le.Uint16(b[10:])) {
			t.Fatalf("tagged(% x) = %d", b, kind)
		}
		text(b)
		if len(b) >= 12 {
			timestamp(b)
		}
		if len(b) > 0 {
			dstring(b)
		}
	})
}

// However a directory's bytes are cut into sectors, and whatever is missing of them,
// all identifiers that lie in what is there come, in order.
func FuzzIdentifiers(f *testing.F) {
	f.Add([]byte("abcdefghij"), uint16(0), uint16(0))
	f.Add([]byte("a name"), uint16(1), uint16(40))
	f.Add(bytes.Repeat([]byte{9, 200}, 40), uint16(1), uint16(2))
	f.Fuzz(func(t *testing.T, names []byte, hole, junk uint16) {
		var dir []byte
		var at []int
		for i, c := range names {
			at = append(at, len(dir))
			n := 1 + int(c)%200
			b := make([]byte, (identifierHead+n+3)&^3)
			b[16], b[19] = 1, byte(n)
			b[identifierHead] = 8
			b[identifierHead+1%n] = byte(i)
			if c%5 == 0 { // a name that looks like the start of another
				copy(b[identifierHead:identifierHead+n], "\x01\x01\x02\x00")
			}
			binary.LittleEndian.PutUint16(b, tagFID)
			binary.LittleEndian.PutUint16(b[10:], uint16(len(b)-16))
			vt.Seal(b)
			dir = append(dir, b...)
		}
		sectors := (len(dir) + sector.Size - 1) / sector.Size
		lost := -1
		if hole > 0 && sectors > 0 {
			lost = int(hole-1) % sectors
		}
		if junk > 0 && len(dir) > 0 && lost < 0 {
			dir = slices.Insert(dir, at[int(junk)%len(at)], bytes.Repeat([]byte{byte(junk), 1, 1, byte(junk >> 8)}, 1+int(junk)%9)...)
			at = nil
		}
		want := 0
		for i, a := range at {
			end := len(dir)
			if i+1 < len(at) {
				end = at[i+1]
			}
			if lost < 0 || end <= lost*sector.Size || a >= (lost+1)*sector.Size {
				want++
			}
		}
		got := 0
		c := identifiers{v: &volume{s: scanOf(nil)}, aligned: true, each: func(identifier) { got++ }, wrong: func(sector.LBA) {}}
		for i := range sectors {
			b := dir[i*sector.Size : min(len(dir), (i+1)*sector.Size)]
			if i == lost {
				b = nil
			}
			c.put(b, sector.LBA(i))
		}
		c.end()
		if at != nil && got != want {
			t.Fatalf("%d of %d identifiers came; want %d", got, len(at), want)
		}
	})
}

func FuzzEntry(f *testing.F) {
	data := vt.UDF(vt.File{Dir: true, Children: []vt.File{{Name: "f", Data: vt.Bytes("f", 20000), Form: vt.Chained, Parts: 9}}}, vt.Plain)
	for i := range 4 {
		f.Add(data[(vt.UDFStart+i)*sector.Size:][:200], uint8(0))
	}
	f.Fuzz(func(t *testing.T, in []byte, form uint8) {
		d := slices.Clone(data)
		b := d[(vt.UDFStart+2)*sector.Size:][:sector.Size]
		copy(b, in)
		if n := int(le.Uint16(b[10:])); n+16 > len(b) {
			le.PutUint16(b[10:], 200)
		}
		le.PutUint32(b[12:], 2)
		vt.Seal(b)
		v := &volume{s: scanOf(d), parts: []part{plain{vt.UDFStart}}, seq: newSequence()}
		e, wrong := v.parseEntry(b, vt.UDFStart+2, 2)
		if (e == nil) != (wrong != "") {
			t.Fatalf("parseEntry = %v, %q", e, wrong)
		}
		if e == nil {
			return
		}
		e.form = (e.form + form) & 7
		var n tree.Node
		v.extents(&n, e, nil)
		total := int64(0)
		for _, x := range n.Extents {
			if x.Offset != total || x.Length <= 0 {
				t.Fatalf("extents %+v do not follow each other", n.Extents)
			}
			total += x.Length
		}
		if total != e.size && n.Doubt == "" && v.s.Err() == nil {
			t.Fatalf("extents of %d bytes for %d, and no doubt", total, e.size)
		}
		w := &walk{v: v, folders: map[address]*folder{}, read: map[sector.LBA]bool{}}
		w.target(e)
	})
}

func FuzzVolumeDescriptors(f *testing.F) {
	for _, kind := range []vt.Partition{vt.Plain, vt.VAT201, vt.Sparable, vt.Metadata} {
		data := vt.UDF(sample(), kind)
		f.Add(data[33*sector.Size:][:600], byte(kind))
	}
	discs := [][]byte{vt.UDF(sample(), vt.Plain), vt.UDF(sample(), vt.VAT201), vt.UDF(sample(), vt.Sparable), vt.UDF(sample(), vt.Metadata)}
	f.Fuzz(func(t *testing.T, lvd []byte, disc byte) {
		d := slices.Clone(discs[int(disc)%len(discs)])
		for _, at := range []int{33, 49} {
			b := d[at*sector.Size:][:sector.Size]
			copy(b[16:], lvd[min(16, len(lvd)):])
			vt.Seal(b)
		}
		if x := Open(scanOf(d), 0, 2000); x != nil && x.Root == nil {
			t.Fatal("Open gives a system without a root")
		}
	})
}
