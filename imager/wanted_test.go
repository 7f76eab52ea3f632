package imager

import (
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	vt "turnstone/imager/volume/volumetest"
	"turnstone/mapfile"
)

// library is a disc with a deep folder at its end, large enough for blocks to matter.
func library() vt.File {
	deep := vt.File{Name: "wanted.vob", Data: vt.Bytes("wanted", 90*vt.Size)}
	for _, name := range []string{"three", "two", "one"} {
		deep = vt.File{Name: name, Dir: true, Children: []vt.File{deep}}
	}
	root := vt.File{Dir: true, Children: []vt.File{{Name: "large.bin", Data: vt.Bytes("large", 900*vt.Size)}, deep}}
	for _, n := range []string{"x", "y", "z"} {
		root.Children = append(root.Children, vt.File{Name: n + ".bin", Data: vt.Bytes(n, 300*vt.Size)})
	}
	return root
}

// wish is a case whose disc was not read yet, and what is wanted of it.
type wish struct {
	t     *testing.T
	c     *Case
	drive *devicetest.Fake
	image []byte
}

func newWish(t *testing.T, image []byte, o devicetest.Options, names ...string) *wish {
	t.Helper()
	o.Content = devicetest.Of(image)
	drive := devicetest.NewFake(int64(len(image)/vt.Size), o)
	info := drive.Info()
	c, err := Create(filepath.Join(quickDir(t), "case"), Writer{CaseID: "invented", Now: drive.Now},
		mapfile.Disc{Kind: info.Kind, Sectors: info.Sectors, BlockSectors: int64(info.BlockSectors), Written: WrittenArea(info)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	w := &wish{t, c, drive, image}
	w.want(names...)
	return w
}

func (w *wish) want(names ...string) {
	w.t.Helper()
	if _, err := w.c.Want(names); err != nil {
		w.t.Fatalf("Want(%q) = %v; want nil", names, err)
	}
}

// read runs a pass, and proves that no sector was asked for twice.
func (w *wish) read(r Reading) Ending {
	w.t.Helper()
	r.Reader = w.drive
	w.drive.Restart()
	end, err := w.c.Read(w.t.Context(), r)
	if err != nil {
		w.t.Fatalf("Read() = %+v, %v; want nil", end, err)
	}
	return end
}

// asked is what the drive was asked for.
func (w *wish) asked() sector.Set {
	var ranges []sector.Range
	for _, r := range w.drive.Requests() {
		ranges = append(ranges, r.Range)
	}
	return sector.Of(ranges...)
}

func (w *wish) status() Status { return StatusOf(w.c.Map()) }

// Of a disc of which nothing is known, what tells of the wanted file is read first,
// level by level, then the file; the rest is not asked for, and no sector twice.
func TestWantedFilesAreReadFirst(t *testing.T) {
	for name, image := range map[string][]byte{
		"iso": vt.ISO(nil, library(), vt.ISOOptions{RockRidge: true}),
		"udf": vt.UDF(library(), vt.Plain),
	} {
		t.Run(name, func(t *testing.T) {
			w := newWish(t, image, devicetest.Options{}, "one/two/three/wanted.vob")
			if st := w.status(); st.Missing() == 0 || !st.Wanted.Open {
				t.Fatalf("status before anything was read = %+v; want it open", st.Wanted)
			}
			end := w.read(Reading{})
			if end.How != HowComplete || !strings.Contains(end.Why, "of the wanted files") {
				t.Errorf("Read() = %+v; want it complete, of the wanted files", end)
			}
			place := placeOf(t, image, "one/two/three/wanted.vob")
			good := w.c.Map().In(mapfile.Good)
			if !good.Covers(place) {
				t.Errorf("good = %v; want all of %v", good, place)
			}
			st := w.status()
			if st.Missing() != 0 || st.Wanted.Open || st.Wanted.NotAskedFor == 0 || st.Wanted.NotAskedFor != st.Bad+st.Untried {
				t.Errorf("status = %+v, %+v; want nothing missing of what is wanted, the rest not asked for", st, st.Wanted)
			}
			large := placeOf(t, image, "large.bin")
			if asked := w.asked(); asked.CountIn(large) > 64 {
				t.Errorf("%d sectors of large.bin were asked for; want none but the blocks where an anchor may be", asked.CountIn(large))
			}
			requests := w.drive.Requests()
			last := requests[len(requests)-1].Range
			if !place.Overlaps(last) {
				t.Errorf("the last request was for %v; want it in the wanted file, %v", last, place)
			}
			if i := slices.IndexFunc(requests, func(r devicetest.Request) bool { return r.Range.Overlaps(place) }); i < 2 {
				t.Errorf("the wanted file was asked for by request %d; want structures first", i)
			}
			for a := range sector.LBA(len(image) / vt.Size) {
				if n := w.drive.CountOf(a); n > 1 {
					t.Fatalf("sector %d was asked for %d times; want no good one twice", a, n)
				}
			}
			// Nothing more of it is to be asked for.
			if _, err := w.c.Read(t.Context(), Reading{Reader: w.drive}); !errors.Is(err, ErrNothingToAsk) {
				t.Errorf("Read() again = %v; want ErrNothingToAsk", err)
			}
			// To the end is all of it; and taken back, everything is wanted.
			if w.read(Reading{ToTheEnd: true}); w.c.Map().Count(mapfile.Good) != int64(len(image)/vt.Size) {
				t.Errorf("good to the end = %d of %d", w.c.Map().Count(mapfile.Good), len(image)/vt.Size)
			}
			w.want()
			if st := w.status(); st.Wanted != nil || st.Missing() != 0 {
				t.Errorf("status with the wish taken back = %+v, %+v", st, st.Wanted)
			}
		})
	}
}

// What the user says with --only goes before what is wanted.
func TestOnlyGoesBeforeWanted(t *testing.T) {
	image := vt.ISO(nil, library(), vt.ISOOptions{RockRidge: true})
	w := newWish(t, image, devicetest.Options{}, "wanted.vob")
	w.read(Reading{Only: sector.Of(sector.Span(1600, 32))})
	if asked := w.asked(); asked.Count() != 32 || !asked.Covers(sector.Span(1600, 32)) {
		t.Errorf("asked for %v; want 1600+32", asked)
	}
}

// A structure that fails does not keep the pass from what is known; nothing that
// failed is asked for again in the pass, in doubt or not, once more or not.
func TestWantedWithFailures(t *testing.T) {
	image := vt.ISO(nil, library(), vt.ISOOptions{RockRidge: true})
	place := placeOf(t, image, "one/two/three/wanted.vob")
	deep := directoryOf(t, image, "one/two/three")
	for _, class := range []device.Class{device.Medium, device.Doubtful} {
		for _, again := range []bool{false, true} {
			w := newWish(t, image, devicetest.Options{NamesAddress: true, Info: device.Info{BlockSectors: 1, MaxSectors: 16}}, "one/two/three", "x.bin")
			w.drive.Fail(sector.Span(place.First+20, 1), class, devicetest.Always)
			w.drive.Fail(deep, class, devicetest.Always)
			end := w.read(Reading{Again: again})
			if end.How != HowComplete {
				t.Errorf("%v: Read() = %+v; want complete", class, end)
			}
			x := placeOf(t, image, "x.bin")
			good := w.c.Map().In(mapfile.Good)
			if !good.Covers(x) {
				t.Errorf("%v: x.bin is not read", class)
			}
			st := w.status()
			if st.Missing() == 0 || !st.Wanted.Open {
				t.Errorf("%v: status = %+v; want what tells of three missing", class, st.Wanted)
			}
			identity := 0 // a good block is read again where the failures are in doubt
			for a := range sector.LBA(len(image) / vt.Size) {
				switch n := w.drive.CountOf(a); {
				case n > 1 && w.c.Map().State(a) == mapfile.Good:
					identity++
				case n > 1:
					t.Fatalf("%v: again %v: sector %d failed and was asked for %d times", class, again, a, n)
				}
			}
			if identity > 16 {
				t.Errorf("%v: %d good sectors were asked for twice; want a block at most", class, identity)
			}
			// A better surface tells of the rest, and it is wanted.
			w.drive.Heal(sector.Span(0, int64(len(image)/vt.Size)))
			if _, err := w.c.OpenRound(mapfile.Round{}); err != nil {
				t.Fatal(err)
			}
			w.drive.ResetCounts()
			w.read(Reading{})
			good = w.c.Map().In(mapfile.Good)
			if st := w.status(); !good.Covers(place) || st.Missing() != 0 {
				t.Errorf("%v: after a round status = %+v; want all that is wanted", class, st.Wanted)
			}
		}
	}
}

// Names that nothing can be meant by are refused, those that may come are kept.
func TestWant(t *testing.T) {
	image := album(t)
	films := directoryOf(t, image, "films")
	for _, c := range []struct {
		name    string
		missing []sector.Range
		want    []string
		err     error
		sectors int64 // -1: some
		open    bool
	}{
		{"a file", nil, []string{"readme.txt"}, nil, 1, false},
		{"a folder", nil, []string{"photos"}, nil, 5 + 3, false},
		{"none", nil, []string{"readme.txt", "nothing"}, ErrNoSuchFile, 0, false},
		{"a path that leads up", nil, []string{"../readme.txt"}, ErrNoSuchFile, 0, false},
		{"its folder is missing", []sector.Range{films}, []string{"films/a.vob"}, nil, 1, true},
		{"it has no folder", []sector.Range{films}, []string{"photos/nothing"}, ErrNoSuchFile, 0, false},
		{"known, and another folder is missing", []sector.Range{films}, []string{"photos"}, nil, 5 + 3, false},
		{"nothing is known", []sector.Range{sector.Span(0, 100)}, []string{"readme.txt"}, nil, -1, true},
	} {
		dir := caseOf(t, image, c.missing...)
		cs, err := Open(dir, Writer{Command: "test", Now: time.Now})
		if err != nil {
			t.Fatal(err)
		}
		_, err = cs.Want(c.want)
		if !errors.Is(err, c.err) {
			t.Errorf("%s: Want(%q) = %v; want %v", c.name, c.want, err, c.err)
		}
		w := cs.Map().Wanted()
		if err == nil && (w.Open != c.open || c.sectors >= 0 && w.Sectors.Count() != c.sectors) {
			t.Errorf("%s: wanted = %d sectors %v, open %v; want %d, %v", c.name, w.Sectors.Count(), w.Sectors, w.Open, c.sectors, c.open)
		}
		if err := cs.Close(); err != nil {
			t.Fatal(err)
		}
		m, err := Load(dir)
		if err != nil {
			t.Fatal(err)
		}
		if kept := m.Wanted().Names; c.err == nil && !slices.Equal(kept, c.want) || c.err != nil && len(kept) > 0 {
			t.Errorf("%s: the case has %q; want %q", c.name, kept, c.want)
		}
	}
}

// A wish that was looked up while a directory was missing is not taken for fulfilled
// when a program was killed after it had come.
func TestWantedThatWasNotLookedUp(t *testing.T) {
	image := album(t)
	films := directoryOf(t, image, "films")
	a := placeOf(t, image, "films/a.vob")
	dir := caseOf(t, image, films, a)
	c, err := Open(dir, Writer{Command: "test", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Want([]string{"films/a.vob"}); err != nil {
		t.Fatal(err)
	}
	m := c.Map()
	if st := StatusOf(m); st.Missing() != 1 || !st.Wanted.Open {
		t.Fatalf("wanted = %+v; want the directory", st.Wanted)
	}
	n, err := m.AddPass(mapfile.Pass{Drive: -1})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Record(n, mapfile.Run{Range: films, Result: mapfile.Merged}, mapfile.AppendSums(nil, image[films.First.Offset():films.End.Offset()])); err != nil {
		t.Fatal(err)
	}
	if st := StatusOf(m); st.Missing() != a.Count() {
		t.Errorf("missing = %d once the directory is there; want all that is, %d, until it is looked up", st.Missing(), a.Count())
	}
}

// Merging tells of what is wanted as reading does.
func TestWantedAfterMerge(t *testing.T) {
	image := album(t)
	films, a := directoryOf(t, image, "films"), placeOf(t, image, "films/a.vob")
	dir := caseOf(t, image, films, a)
	c, err := Open(dir, Writer{Command: "test", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Want([]string{"films/a.vob"}); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	mergeImage(t, dir, filepath.Join(filepath.Dir(dir), "disc.iso"), sector.Of(films))
	m, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if w := m.Wanted(); w.Open || !w.Sectors.Covers(a) || w.Sectors.Count() != a.Count() {
		t.Errorf("wanted = %v, open %v; want %v", w.Sectors, w.Open, a)
	}
}

// The sweep with a wish: the power is cut, or the disk fails, at step 0, 1, 2 … of a
// pass. Whenever the map says that nothing is missing of what is wanted, the wanted
// file is all there; and the next passes come to the same end.
func TestWantedStoppedAtEveryStep(t *testing.T) {
	image := vt.ISO(nil, vt.File{Dir: true, Children: []vt.File{
		{Name: "other.bin", Data: vt.Bytes("other", 60*vt.Size)},
		{Name: "one", Dir: true, Children: []vt.File{{Name: "two", Dir: true, Children: []vt.File{
			{Name: "wanted.vob", Data: vt.Bytes("wanted", 40*vt.Size)}}}}},
	}}, vt.ISOOptions{RockRidge: true})
	n := int64(len(image) / vt.Size)
	place := placeOf(t, image, "one/two/wanted.vob")
	reads := func(d *devicetest.Fake) Reading { return Reading{Reader: d, CheckpointBytes: 16 * sector.Size} }
	honest := func(step int, m *mapfile.Map) {
		t.Helper()
		good := m.In(mapfile.Good)
		if st := StatusOf(m); st.Missing() == 0 && !good.Covers(place) {
			t.Fatalf("step %d: nothing is missing of %+v, and the file is not there", step, st.Wanted)
		}
	}
	for _, cut := range []bool{true, false} {
		for step := 0; ; step++ {
			drive := devicetest.NewFake(n, devicetest.Options{Content: devicetest.Of(image), Info: device.Info{MaxSectors: 16}})
			drive.Fail(sector.Span(place.First+3, 1), device.Doubtful, 1)
			d := newCutDisk(t, n, uint64(step))
			d.content = devicetest.Of(image)
			c := d.open(drive.Now)
			if _, err := c.Want([]string{"one/two/wanted.vob"}); err != nil {
				t.Fatal(err)
			}
			d.step, d.failAt, d.cut = 0, step, cut
			_, err := c.Read(t.Context(), reads(drive))
			over := d.step <= step
			if !over && err == nil {
				t.Errorf("step %d failed and Read() = nil; want the fault to surface", step)
			}
			d.powerOn()
			for range 5 {
				drive.Restart()
				c = d.open(drive.Now)
				honest(step, c.Map())
				if _, err := c.Read(t.Context(), Reading{Reader: drive, Again: true}); err != nil && !errors.Is(err, ErrNothingToAsk) {
					t.Fatalf("step %d: Read() = %v; want nil", step, err)
				}
				honest(step, c.Map())
				d.close(c)
			}
			good := c.Map().In(mapfile.Good)
			if st := StatusOf(c.Map()); st.Missing() != 0 || !good.Covers(place) {
				t.Fatalf("step %d: in the end %+v; want all that is wanted", step, st.Wanted)
			}
			if over {
				if step < 10 {
					t.Errorf("%d steps; want more, or the sweep shows little", step)
				}
				break
			}
		}
	}
}
