package imager

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/video/videotest"
	vt "turnstone/imager/volume/volumetest"
)

// dvdTree is a made-up DVD-Video of two titles, 20 s and 12 s, beside a film of 16 s and
// a folder of data.
func dvdTree() vt.File {
	ifo, vobs := videotest.Set(videotest.Program{Pictures: 500}, videotest.Program{Pictures: 300, Seed: 1})
	half := len(vobs) / 2 / vt.Size * vt.Size
	manager := videotest.ManagerFile(2)
	return vt.File{Dir: true, Children: []vt.File{
		{Name: "DATA", Dir: true, Children: []vt.File{{Name: "CLIP.MPG", Data: videotest.Program{Pictures: 400, Seed: 2}.Bytes()}, {Name: "LETTER.TXT", Data: vt.Bytes("letter", 3000)}}},
		{Name: "VIDEO_TS", Dir: true, Children: []vt.File{
			{Name: "VIDEO_TS.BUP", Data: manager}, {Name: "VIDEO_TS.IFO", Data: manager},
			{Name: "VTS_01_0.BUP", Data: ifo}, {Name: "VTS_01_0.IFO", Data: ifo},
			{Name: "VTS_01_1.VOB", Data: vobs[:half]}, {Name: "VTS_01_2.VOB", Data: vobs[half:]}}},
	}}
}

func filmsOf(t testing.TB, f *Files) []Film {
	t.Helper()
	films, err := f.Films()
	if err != nil {
		t.Fatal(err)
	}
	return films
}

// Titles and films with the play time that is lost, over the edges of files; the backup
// stands in for a lost IFO file.
func TestFilms(t *testing.T) {
	image := vt.ISO(nil, dvdTree(), vt.ISOOptions{RockRidge: true})
	ifo, vob := placeOf(t, image, "VIDEO_TS/VTS_01_0.IFO"), placeOf(t, image, "VIDEO_TS/VTS_01_1.VOB")
	vob2, clip := placeOf(t, image, "VIDEO_TS/VTS_01_2.VOB"), placeOf(t, image, "DATA/CLIP.MPG")
	f := openFiles(t, caseOf(t, image, ifo, sector.Span(vob.First+sector.LBA(vob.Count()/2), 3), sector.Span(vob2.First-2, 4), sector.Span(clip.First+100, 1)))
	films := filmsOf(t, f)
	if len(films) != 3 {
		t.Fatalf("Films() = %d; want two titles and a film", len(films))
	}
	for i, want := range []struct {
		name   string
		length time.Duration
		gaps   int
		files  int
		state  FileState
	}{{"title 1", 20 * time.Second, 2, 2, FileDamaged}, {"title 2", 12 * time.Second, 0, 1, FileWhole}, {"CLIP.MPG", 16 * time.Second, 1, 1, FileDamaged}} {
		x := films[i]
		if x.Name() != want.name || x.Play == nil || x.Play.Length != want.length || len(x.Play.Gaps) != want.gaps || len(x.Files) != want.files || x.State != want.state || x.Note != "" {
			t.Errorf("film %d = %s, %v, %+v in %d files, %q; want %+v", i, x.Name(), x.State, x.Play, len(x.Files), x.Note, want)
		}
	}
	// A gap over the edge of two files is lost in both.
	one, two := films[0].LostIn(films[0].Files[0]), films[0].LostIn(films[0].Files[1])
	if one != films[0].Play.Lost() || two == 0 || two >= one {
		t.Errorf("LostIn = %v and %v of %v; want both gaps in the first file, one in the second", one, two, films[0].Play.Lost())
	}
}

// Without IFO file and backup a set's VOBs are one stream, and that is said.
func TestFilmsWithoutInfo(t *testing.T) {
	image := vt.ISO(nil, dvdTree(), vt.ISOOptions{RockRidge: true})
	f := openFiles(t, caseOf(t, image, placeOf(t, image, "VIDEO_TS/VTS_01_0.IFO"), placeOf(t, image, "VIDEO_TS/VTS_01_0.BUP"), placeOf(t, image, "VIDEO_TS/VIDEO_TS.IFO")))
	x := filmsOf(t, f)[0]
	if x.Set != 1 || x.InSet != 0 || x.Play == nil || x.Play.Length != 32*time.Second || len(x.Play.Takes) != 2 || !strings.Contains(x.Note, "IFO") {
		t.Errorf("Films() without IFO files = %s, %+v, %q; want 32 s in two takes", x.Name(), x.Play, x.Note)
	}
}

// A camcorder's disc whose directory is lost: the recordings are found one by one, and
// written into a folder of their own.
func TestFindByContent(t *testing.T) {
	a, b := videotest.Program{Pictures: 300}.Bytes(), videotest.Program{Pictures: 200, Seed: 1}.Bytes()
	root := vt.File{Dir: true, Children: []vt.File{{Name: "DVD_RTAV", Dir: true, Children: []vt.File{
		{Name: "VR_MANGR.IFO", Data: append([]byte("DVD_RTR_VMG0"), make([]byte, 4000)...)}, {Name: "VR_MOVIE.VRO", Data: append(append([]byte{}, a...), b...)}}}}}
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true})
	vro := placeOf(t, image, "DVD_RTAV/VR_MOVIE.VRO")

	// With its directory the file is one, of two takes.
	f := openFiles(t, caseOf(t, image))
	if films := filmsOf(t, f); f.Lost() || len(films) != 1 || len(films[0].Play.Takes) != 2 {
		t.Errorf("Films() = %+v; want one of two takes, and nothing lost", films)
	}
	if err := f.FindByContent(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	for x := range f.Found() {
		t.Errorf("found %s on a disc whose directories are there", x.Path())
	}

	// Without: everything before the films is missing, and three sectors of the first.
	f = openFiles(t, caseOf(t, image, sector.Range{End: vro.First}, sector.Span(vro.First+100, 3)))
	if !f.Lost() {
		t.Error("Lost() is false without a file system")
	}
	var told int64
	if err := f.FindByContent(t.Context(), func(done, all int64) { told = all - done }); err != nil || told != 0 {
		t.Fatalf("FindByContent = %v, %d bytes left", err, told)
	}
	films := filmsOf(t, f)
	if len(films) != 2 || !films[0].Found || films[0].State != FileUnknown || films[1].State != FileWhole ||
		films[0].Play.Length != 12*time.Second || films[1].Play.Length != 8*time.Second || len(films[0].Play.Gaps) != 1 {
		t.Fatalf("Films() = %+v; want 12 s with a gap, of open beginning, and 8 s", films)
	}
	out := filepath.Join(t.TempDir(), "out")
	res, err := f.Extract(t.Context(), out, Extraction{})
	if err != nil || res.Files != 2 || len(res.Damaged) != 1 {
		t.Fatalf("Extract() = %+v, %v; want two files, one damaged", res, err)
	}
	if got, err := os.ReadFile(filepath.Join(out, films[1].Path())); err != nil || !bytes.Equal(got, b) {
		t.Errorf("%s is not the second recording: %d bytes, %v", films[1].Path(), len(got), err)
	}
	if films[1].Path() != "found by content/take-002-at-"+strconv.FormatInt(int64(vro.First)+int64(len(a)/2048), 10)+".mpg" {
		t.Errorf("the second recording is called %s", films[1].Path())
	}
	clear(a[100*2048 : 103*2048])
	if got, err := os.ReadFile(filepath.Join(out, films[0].Path())); err != nil || !bytes.Equal(got, a) {
		t.Errorf("%s is not the first recording with zeros: %d bytes, %v", films[0].Path(), len(got), err)
	}
}

// Found titles of a DVD-Video are counted by its IFO file, also by the backup alone.
func TestFindTitles(t *testing.T) {
	image := vt.ISO(nil, dvdTree(), vt.ISOOptions{RockRidge: true})
	clip := placeOf(t, image, "DATA/CLIP.MPG")
	bup, ifo := placeOf(t, image, "VIDEO_TS/VTS_01_0.BUP"), placeOf(t, image, "VIDEO_TS/VTS_01_0.IFO")
	vob, vob2 := placeOf(t, image, "VIDEO_TS/VTS_01_1.VOB"), placeOf(t, image, "VIDEO_TS/VTS_01_2.VOB")
	// On a disc that was made by the rules a set is IFO, VOBs, BUP: here by hand.
	part := func(r sector.Range) []byte { return image[r.First.Offset():r.End.Offset()] }
	dvd := append(append([]byte{}, image[:clip.End.Offset()]...), part(ifo)...)
	at := clip.End
	dvd = append(append(append(dvd, part(vob)...), part(vob2)...), part(bup)...)
	for _, missing := range [][]sector.Range{nil, {sector.Span(at, ifo.Count())}, {sector.Span(at+sector.LBA(ifo.Count()), 40)}} {
		f := openFiles(t, caseOf(t, dvd, append([]sector.Range{{End: clip.First}}, missing...)...))
		if err := f.FindByContent(context.Background(), nil); err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, x := range filmsOf(t, f) {
			names = append(names, x.Name()+" "+x.Play.Length.String())
		}
		titles := fmt.Sprintf("titles-at-%d.vob", int64(at)+ifo.Count())
		want := fmt.Sprintf("[take-001-at-%d.mpg 16s title 1 of %s 20s title 2 of %s 12s]", clip.First, titles, titles)
		if fmt.Sprint(names) != want {
			t.Errorf("without directories and %v: %v; want %s", missing, names, want)
		}
	}
}

// BenchmarkFilms tells what the films of a disc lack: two of an hour and more on a
// DVD-Video, and one without navigation packs, with 2,000 holes. "s-open" is the listing
// that it comes on top of.
func BenchmarkFilms(b *testing.B) {
	ifo, vobs := videotest.Set(videotest.Program{Pictures: 60_000, Picture: 2000}, videotest.Program{Pictures: 30_000, Picture: 2000})
	manager := videotest.ManagerFile(2)
	root := vt.File{Dir: true, Children: []vt.File{
		{Name: "PLAIN.MPG", Data: videotest.Program{Pictures: 60_000, Picture: 2000}.Bytes()},
		{Name: "VIDEO_TS", Dir: true, Children: []vt.File{{Name: "VIDEO_TS.IFO", Data: manager}, {Name: "VTS_01_0.IFO", Data: ifo}, {Name: "VTS_01_1.VOB", Data: vobs}}}}}
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true})
	var holes []sector.Range
	sectors := int64(len(image) / sector.Size)
	for i := range int64(2000) {
		holes = append(holes, sector.Span(sector.LBA(1000+i*(sectors-2000)/2000), 1+i%7))
	}
	dir := caseOf(b, image, holes...)
	var open, films time.Duration
	for b.Loop() {
		begun := time.Now()
		f, err := OpenFiles(dir)
		if err != nil {
			b.Fatal(err)
		}
		open += time.Since(begun)
		begun = time.Now()
		if all := filmsOf(b, f); len(all) != 3 || len(all[2].Play.Gaps) < 200 {
			b.Fatalf("Films() = %d, %d gaps", len(all), len(all[2].Play.Gaps))
		}
		films += time.Since(begun)
		if err := f.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(open.Seconds()/float64(b.N), "s-open")
	b.ReportMetric(films.Seconds()/float64(b.N), "s-films")
	b.ReportMetric(float64(len(image))/1e6, "MB")
}

// BenchmarkFindByContent goes through an image of films without directories, and, for
// comparison, reads the same bytes and looks at them no further. "of-read" is its speed by
// that.
func BenchmarkFindByContent(b *testing.B) {
	data := videotest.Program{Pictures: 40_000, NAV: true, VOB: 1}.Bytes()
	f := openFiles(b, caseOf(b, data))
	buf := make([]byte, largest*sector.Size)
	var ours, bare time.Duration
	for b.Loop() {
		begun := time.Now()
		if err := f.FindByContent(b.Context(), nil); err != nil {
			b.Fatal(err)
		}
		ours += time.Since(begun)
		begun = time.Now()
		for at := int64(0); at < int64(len(data)); at += int64(len(buf)) {
			if _, err := f.f.ReadAt(buf[:min(int64(len(buf)), int64(len(data))-at)], at); err != nil {
				b.Fatal(err)
			}
		}
		bare += time.Since(begun)
	}
	b.SetBytes(int64(len(data)))
	b.ReportMetric(bare.Seconds()/ours.Seconds(), "of-read")
	b.ReportMetric(float64(b.N)*float64(len(data))/1e6/ours.Seconds(), "MB/s-ours")
}

// What a recorder's disc says of its recordings, and does not: by the file that manages it, or
// its backup, of a known kind, of another, or missing. Sound is no film, stills are called so.
func TestRecorderNotes(t *testing.T) {
	known, other := append([]byte("DVD_RTR_VMG0"), make([]byte, 4000)...), vt.Bytes("something else", 4000)
	film := videotest.Program{Pictures: 100}.Bytes()
	both := func(manager []byte, folder string) []byte {
		root := vt.File{Dir: true, Children: []vt.File{{Name: folder, Dir: true, Children: []vt.File{
			{Name: "VR_AUDIO.VRO", Data: vt.Bytes("sound", 9000)}, {Name: "VR_MANGR.BUP", Data: manager}, {Name: "VR_MANGR.IFO", Data: manager},
			{Name: "VR_MOVIE.VRO", Data: film}, {Name: "VR_STILL.VRO", Data: film}}}}}
		return vt.ISO(nil, root, vt.ISOOptions{RockRidge: true})
	}
	image := both(known, "DVD_RTAV")
	ifo, bup := placeOf(t, image, "DVD_RTAV/VR_MANGR.IFO"), placeOf(t, image, "DVD_RTAV/VR_MANGR.BUP")
	for _, c := range []struct {
		image   []byte
		missing []sector.Range
		note    string
	}{
		{image, nil, "whose layout is not known here"},
		{image, []sector.Range{ifo}, "whose layout is not known here"},
		{image, []sector.Range{bup}, "whose layout is not known here"},
		{image, []sector.Range{ifo, bup}, "which is missing"},
		{both(other, "DVD_RTAV"), nil, "which is of no kind that is known here"},
		{both(known, "MY_FILMS"), nil, ""},
	} {
		films := filmsOf(t, openFiles(t, caseOf(t, c.image, c.missing...)))
		if len(films) != 2 {
			t.Errorf("Films() without %v = %+v; want two", c.missing, films)
			continue
		}
		if !strings.HasSuffix(films[0].Note, c.note) || c.note == "" && films[0].Note != "" {
			t.Errorf("the note of %s without %v is %q; want %q", films[0].Name(), c.missing, films[0].Note, c.note)
		}
		if stills := strings.Contains(films[1].Note, "still pictures"); stills != (c.note != "") {
			t.Errorf("the note of %s is %q", films[1].Name(), films[1].Note)
		}
	}
}
