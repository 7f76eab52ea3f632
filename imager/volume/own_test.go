package volume

import (
	"bytes"
	"io"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
	vt "turnstone/imager/volume/volumetest"
)

// odd is a tree with all ways of recording a file that UDF has, as far as the kind
// of partition allows.
func odd(kind vt.Partition) vt.File {
	root := vt.Sample()
	short := kind == vt.Plain || kind == vt.Sparable
	var set func(f *vt.File)
	set = func(f *vt.File) {
		if !short {
			f.Form = vt.Long
		}
		for i := range f.Children {
			set(&f.Children[i])
		}
	}
	set(&root)
	root.Children = append(root.Children,
		vt.File{Name: "within", Data: vt.Bytes("within", 1500), Form: vt.Within},
		vt.File{Name: "long", Data: vt.Bytes("l", 30000), Form: vt.Long, Parts: 7},
		vt.File{Name: "extended", Data: vt.Bytes("x", 30000), Form: vt.Extended, Parts: 3},
		vt.File{Name: "hollow.bin", Data: vt.Bytes("h", 2*vt.Size), Form: vt.Long, Hollow: true},
		vt.File{Name: "link", Link: "DCIM/IMG_0001.JPG", Form: vt.Within},
	)
	if short {
		root.Children = append(root.Children,
			vt.File{Name: "chained", Data: vt.Bytes("c", 40000), Form: vt.Chained, Parts: 17})
	}
	if kind == vt.Plain {
		root.Children = append(root.Children, vt.File{Name: "strategy", Data: vt.Bytes("s", 9000), Form: vt.Strategy})
	}
	return root
}

// isoOdd is a tree with what ISO 9660 has and genisoimage makes only on large discs.
func isoOdd() vt.File {
	root := vt.Sample()
	root.Children = append(root.Children,
		vt.File{Name: "parts.bin", Data: vt.Bytes("p", 50000), Parts: 4},
		vt.File{Name: "link", Link: "../a/./b"},
		vt.File{Name: "above", Dir: true, Children: []vt.File{
			{Name: "kept", Dir: true, Relocated: true, Children: []vt.File{
				{Name: "found.txt", Data: vt.Bytes("f", 3000)},
				{Name: "below", Dir: true, Children: []vt.File{{Name: "deep.txt", Data: vt.Bytes("d", 4000)}}},
			}}}})
	return root
}

// ownDiscs is the discs of this project's own small writers.
func ownDiscs() map[string][]byte {
	all := map[string][]byte{
		"iso":           vt.ISO(nil, isoOdd(), vt.ISOOptions{Label: "SAMPLE"}),
		"iso-rr":        vt.ISO(nil, isoOdd(), vt.ISOOptions{Label: "SAMPLE", RockRidge: true}),
		"iso-rr-joliet": vt.ISO(nil, isoOdd(), vt.ISOOptions{Label: "SAMPLE", RockRidge: true, Joliet: true, Continued: true}),
		"iso-level4":    vt.ISO(nil, isoOdd(), vt.ISOOptions{Label: "SAMPLE", AsTheyAre: true}),
	}
	for name, kind := range map[string]vt.Partition{"udf-plain": vt.Plain, "udf-vat150": vt.VAT150, "udf-vat201": vt.VAT201,
		"udf-sparable": vt.Sparable, "udf-metadata": vt.Metadata} {
		all[name] = vt.UDF(odd(kind), kind)
	}
	return all
}

func TestOwnDiscsHealthy(t *testing.T) {
	for name, data := range ownDiscs() {
		t.Run(name, func(t *testing.T) {
			v, err := Open(wholeImage(data), Options{})
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range v.Problems {
				t.Errorf("problem: %v", p)
			}
			healthy(t, v)
			want := vt.Files(isoOdd())
			if name[:3] == "udf" {
				want = vt.Files(odd(map[string]vt.Partition{"udf-plain": vt.Plain, "udf-vat150": vt.VAT150, "udf-vat201": vt.VAT201,
					"udf-sparable": vt.Sparable, "udf-metadata": vt.Metadata}[name]))
			}
			got := map[string][]byte{}
			links := 0
			for e := range v.All() {
				if e.Kind == tree.Regular {
					got[e.Path()], _ = io.ReadAll(v.Content(e))
				}
				if e.Kind == tree.Link {
					if links++; e.Target != "../a/./b" && e.Target != "DCIM/IMG_0001.JPG" {
						t.Errorf("%q leads to %q", e.Path(), e.Target)
					}
				}
				if !e.Modified.Equal(vt.When) {
					t.Errorf("%q was modified %v; want %v", e.Path(), e.Modified, vt.When)
				}
			}
			if name == "iso" { // names are not kept there
				if len(got) != len(want)+1 { // the link is an empty file
					t.Errorf("%d files; want %d", len(got), len(want)+1)
				}
				return
			}
			if name == "iso-level4" {
				delete(got, "link")
			} else if links != 1 {
				t.Errorf("%d links; want 1", links)
			}
			for path, b := range want {
				if !bytes.Equal(got[path], b) {
					t.Errorf("%q has %d bytes; want %d, or other ones", path, len(got[path]), len(b))
				}
			}
			if len(got) != len(want) {
				t.Errorf("%d files; want %d", len(got), len(want))
			}
		})
	}
}

func TestOwnDiscsHoles(t *testing.T) {
	sets := 60
	if underRace {
		sets = 6
	}
	for name, data := range ownDiscs() {
		t.Run(name, func(t *testing.T) { punish(t, data, sets) })
	}
}

// Reading what is needed, again and again, leads from a disc of which nothing is
// good to all that is listed on it, without a sector of the files.
func TestNeededLeadsToAll(t *testing.T) {
	for name, data := range ownDiscs() {
		t.Run(name, func(t *testing.T) { lead(t, data) })
	}
}

func lead(t *testing.T, data []byte) {
	n := int64(len(data) / sector.Size)
	whole, err := Open(wholeImage(data), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var good sector.Set
	for step := 1; ; step++ {
		v, err := Open(tree.Holed(bytes.NewReader(data), n, &good), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if v.Structures.Needed.Empty() {
			listed := 0
			for e := range v.All() {
				if !e.Folder() {
					listed++
				}
				if !e.Folder() && e.State == Unknown {
					t.Errorf("%q is unknown in the end: %s", e.Path(), e.Why)
				}
			}
			want := 0
			for e := range whole.All() {
				if !e.Folder() {
					want++
				}
			}
			t.Logf("%d steps, %d sectors of %d, %d files", step, good.Count(), n, listed)
			if listed != want {
				t.Errorf("%d files are listed in the end; want %d", listed, want)
			}
			return
		}
		for r := range v.Structures.Needed.Runs() {
			good.Add(r)
		}
		if step > 40 {
			t.Fatalf("no end after %d steps, %d sectors", step, good.Count())
		}
	}
}
