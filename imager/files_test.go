package imager

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/volume"
	"turnstone/imager/volume/tree"
	vt "turnstone/imager/volume/volumetest"
	"turnstone/mapfile"
)

// albumTree is a small disc: two films, a folder of photos, a file at the top.
func albumTree() vt.File {
	return vt.File{Dir: true, Children: []vt.File{
		{Name: "films", Dir: true, Children: []vt.File{
			{Name: "a.vob", Data: vt.Bytes("a", 100*vt.Size)}, {Name: "b.vob", Data: vt.Bytes("b", 60*vt.Size-700)}}},
		{Name: "photos", Dir: true, Children: []vt.File{
			{Name: "one.jpg", Data: vt.Bytes("one", 9000)}, {Name: "two.jpg", Data: vt.Bytes("two", 5000)}}},
		{Name: "readme.txt", Data: vt.Bytes("readme", 700)},
	}}
}

// caseOf makes a case of an image of which some sectors are missing.
func caseOf(t testing.TB, image []byte, missing ...sector.Range) (dir string) {
	t.Helper()
	at := t.TempDir()
	file := filepath.Join(at, "disc.iso")
	if err := os.WriteFile(file, image, 0o600); err != nil {
		t.Fatal(err)
	}
	good, holes := sector.Of(sector.Span(0, int64(len(image)/sector.Size))), sector.Of(missing...)
	dir = filepath.Join(at, "case")
	mergeImage(t, dir, file, good.Subtract(&holes))
	return dir
}

// mergeImage merges an image into the case in dir, which is made where it is new.
func mergeImage(t testing.TB, dir, file string, good sector.Set) {
	t.Helper()
	src, err := OpenImageSource(file, good)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	w := Writer{Command: "test", CaseID: "invented", Now: time.Now}
	c, err := Open(dir, w)
	if errors.Is(err, ErrNoCase) {
		c, err = Create(dir, w, src.Disc())
	}
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Merge(context.Background(), Merging{Sources: []*Source{src}}); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
}

func openFiles(t testing.TB, dir string) *Files {
	t.Helper()
	f, err := OpenFiles(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// fileAt is the file of a path.
func fileAt(t testing.TB, f *Files, path string) File {
	t.Helper()
	for x := range f.All() {
		if x.Path() == path {
			return x
		}
	}
	t.Fatalf("there is no %q", path)
	return File{}
}

// placeOf is where a file lies in an image without holes.
func placeOf(t testing.TB, image []byte, path string) sector.Range {
	t.Helper()
	v, err := volume.Open(tree.Whole(strings.NewReader(string(image)), int64(len(image))), volume.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for e := range v.All() {
		if set := e.Sectors(); e.Path() == path && !set.Empty() {
			return set.Bounds()
		}
	}
	t.Fatalf("there is no %q in the image", path)
	return sector.Range{}
}

func album(t testing.TB) []byte {
	t.Helper()
	return vt.ISO(nil, albumTree(), vt.ISOOptions{RockRidge: true, Label: "ALBUM"})
}

// States and what is missing, as the image has it.
func TestFilesOfACase(t *testing.T) {
	image := album(t)
	b := placeOf(t, image, "films/b.vob")
	dir := caseOf(t, image, sector.Span(b.First+3, 2), sector.Span(b.End-1, 1))
	f := openFiles(t, dir)
	var all Tally
	for x := range f.All() {
		all.Add(x)
	}
	lost := int64(2*vt.Size + vt.Size - 700)
	want := Tally{Files: 5, Whole: 4, Damaged: 1, Bytes: 160*vt.Size - 700 + 9000 + 5000 + 700, Folders: 2}
	want.There = want.Bytes - lost
	if all != want {
		t.Errorf("tally = %+v; want %+v", all, want)
	}
	x := fileAt(t, f, "films/b.vob")
	gaps := slices.Collect(f.Missing(x))
	if x.State != FileDamaged || x.There() != x.Size-lost ||
		!slices.Equal(gaps, []tree.Span{{First: 3 * vt.Size, End: 5 * vt.Size}, {First: 59 * vt.Size, End: 60*vt.Size - 700}}) {
		t.Errorf("films/b.vob is %v, %d there, lacks %v", x.State, x.There(), gaps)
	}
}

// A file with a sector of which two sources differ is disputed, and a structure so is
// told of.
func TestDisputedFiles(t *testing.T) {
	image := album(t)
	a, b := placeOf(t, image, "films/a.vob"), placeOf(t, image, "films/b.vob")
	dir := caseOf(t, image, sector.Span(b.First, 1))
	other := slices.Clone(image)
	for _, at := range []sector.LBA{a.First + 7, b.First + 7, 16} { // 16: the primary volume descriptor
		other[at.Offset()+1000] ^= 1
	}
	file := filepath.Join(t.TempDir(), "other.iso")
	if err := os.WriteFile(file, other, 0o600); err != nil {
		t.Fatal(err)
	}
	mergeImage(t, dir, file, sector.Of(sector.Span(16, 1), sector.Span(a.First, 8), sector.Span(b.First+1, 8), sector.Span(0, 8)))
	f := openFiles(t, dir)
	for _, c := range []struct {
		path     string
		state    FileState
		disputed int64
	}{{"films/a.vob", FileDisputed, 1}, {"films/b.vob", FileDamaged, 1}, {"photos/one.jpg", FileWhole, 0}} {
		if x := fileAt(t, f, c.path); x.State != c.state || x.Disputed != c.disputed {
			t.Errorf("%s is %v, %d sectors disputed; want %v, %d", c.path, x.State, x.Disputed, c.state, c.disputed)
		}
	}
	if !slices.ContainsFunc(f.Volume.Problems, func(p tree.Problem) bool {
		return p.Sectors == sector.Span(16, 1) && strings.Contains(p.What, "two sources")
	}) {
		t.Errorf("problems = %v; want the descriptor in conflict among them", f.Volume.Problems)
	}
	if _, ok, err := f.Sum(t.Context(), fileAt(t, f, "films/a.vob")); ok || err != nil {
		t.Errorf("Sum(disputed) = %v, %v; want none", ok, err)
	}
	out := filepath.Join(t.TempDir(), "out")
	res, err := f.Extract(t.Context(), out, Extraction{Names: []string{"films"}})
	if err != nil || len(res.Damaged) != 2 {
		t.Fatalf("Extract() = %+v, %v; want two that are damaged", res, err)
	}
	list, err := os.ReadFile(filepath.Join(out, "films/a.vob.missing.txt"))
	if err != nil || !strings.Contains(string(list), "\n14336+2048 disputed\n") {
		t.Errorf("list of films/a.vob = %q, %v; want the bytes in conflict", list, err)
	}
}

// An image that rotted makes no file whole: what is read of it is held against the
// checksums.
func TestRottenFiles(t *testing.T) {
	image := album(t)
	a := placeOf(t, image, "films/a.vob")
	dir := caseOf(t, image)
	rot(t, dir, (a.First+5).Offset()+17)
	f := openFiles(t, dir)
	x := fileAt(t, f, "films/a.vob")
	if _, ok, err := f.Sum(t.Context(), x); ok || err != nil {
		t.Errorf("Sum(rotten) = %v, %v; want none", ok, err)
	}
	rotten := f.Rotten()
	if first, _ := rotten.Next(0); rotten.Count() != 1 || first.First != a.First+5 {
		t.Errorf("Rotten() = %v; want sector %d", first, a.First+5)
	}
	out := filepath.Join(t.TempDir(), "out")
	res, err := f.Extract(t.Context(), out, Extraction{})
	if err != nil || len(res.Damaged) != 1 || res.Damaged[0].Missing != vt.Size || res.Rotten != 1 {
		t.Fatalf("Extract() = %+v, %v; want one damaged by a rotten sector", res, err)
	}
	list, _ := os.ReadFile(filepath.Join(out, "films/a.vob.missing.txt"))
	if !strings.Contains(string(list), "\n10240+2048 rotten\n") {
		t.Errorf("list = %q; want the rotten bytes", list)
	}
	got, _ := os.ReadFile(filepath.Join(out, "films/a.vob"))
	want := vt.Bytes("a", 100*vt.Size)
	clear(want[5*vt.Size : 6*vt.Size])
	if string(got) != string(want) {
		t.Error("films/a.vob is not as it was with zeros at the rotten sector")
	}
	// A rotten directory is as good as a missing one.
	dir = caseOf(t, image)
	rot(t, dir, sector.LBA(16).Offset()+200)
	f = openFiles(t, dir)
	if rotten := f.Rotten(); !rotten.Contains(16) || f.Volume.Root != nil && f.Volume.Systems[0].Label == "ALBUM" {
		t.Errorf("a rotten descriptor was believed: %+v", f.Volume.Systems)
	}
}

// rot changes a byte of a case's image behind its back.
func rot(t testing.TB, dir string, at int64) {
	t.Helper()
	f, err := os.OpenFile(filepath.Join(dir, imageName), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b := make([]byte, 1)
	if _, err := f.ReadAt(b, at); err != nil {
		t.Fatal(err)
	}
	b[0] ^= 1
	if _, err := f.WriteAt(b, at); err != nil {
		t.Fatal(err)
	}
}

// Where nothing is known there is no file, and no failure.
func TestFilesOfNoVolume(t *testing.T) {
	for _, c := range []struct {
		name    string
		image   []byte
		missing []sector.Range
		more    string
	}{
		{"bytes that are no volume", vt.Bytes("no volume", 600*vt.Size), nil, ""},
		{"the descriptors are missing", album(t), []sector.Range{sector.Span(0, 60)}, "missing"},
	} {
		f := openFiles(t, caseOf(t, c.image, c.missing...))
		if f.Volume.Root != nil {
			t.Errorf("%s: there is a root", c.name)
			continue
		}
		_, err := f.Extract(t.Context(), filepath.Join(t.TempDir(), "out"), Extraction{})
		if !errors.Is(err, ErrNoFiles) || !strings.Contains(err.Error(), c.more) {
			t.Errorf("%s: Extract() = %v; want ErrNoFiles, %q", c.name, err, c.more)
		}
	}
}

func TestSessionsOf(t *testing.T) {
	for _, c := range []struct {
		name    string
		written []sector.Range
		want    []sector.LBA
	}{
		{"nothing known", nil, nil},
		{"one", []sector.Range{sector.Span(0, 1000)}, []sector.LBA{0}},
		{"tracks of one session", []sector.Range{sector.Span(0, 1000), sector.Span(1152, 1000)}, []sector.LBA{0}},
		// The second session of a CD begins 11,400 sectors behind the first
		// (device/optical, recorded_test.go).
		{"two sessions", []sector.Range{sector.Span(0, 20000), sector.Span(31400, 5000)}, []sector.LBA{0, 31400}},
		{"the front is not written", []sector.Range{sector.Span(500, 20000)}, []sector.LBA{0, 500}},
	} {
		if got := sessionsOf(mapfile.Disc{Written: sector.Of(c.written...)}); !slices.Equal(got, c.want) {
			t.Errorf("%s: sessionsOf() = %v; want %v", c.name, got, c.want)
		}
	}
	// What a drive told goes before what the written area looks like.
	told := mapfile.Disc{Written: sector.Of(sector.Span(0, 100), sector.Span(20_000, 100)), Sessions: []int64{0, 50}}
	if got := sessionsOf(told); !slices.Equal(got, []sector.LBA{0, 50}) {
		t.Errorf("sessionsOf(a disc of which a drive told) = %v; want 0 and 50", got)
	}
	// It is kept, and what a later opening knows beyond it as well.
	d := grown(mapfile.Disc{}, device.Info{Kind: "dvd", Sectors: 100_000, BlockSectors: 16, Sessions: []sector.LBA{0}})
	d = grown(d, device.Info{Kind: "dvd", Sectors: 100_000, BlockSectors: 16, Sessions: []sector.LBA{0, 40_000, 200_000}})
	if d = grown(d, device.Info{Kind: "dvd", Sectors: 100_000, BlockSectors: 16}); !slices.Equal(d.Sessions, []int64{0, 40_000}) {
		t.Errorf("grown() keeps sessions %v; want 0 and 40,000", d.Sessions)
	}
}

// wholeOf is all sectors of an image.
func wholeOf(image []byte) sector.Set {
	return sector.Of(sector.Span(0, int64(len(image)/sector.Size)))
}
