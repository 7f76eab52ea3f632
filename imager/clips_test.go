package imager

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/video"
	"turnstone/imager/video/videotest"
	vt "turnstone/imager/volume/volumetest"
	"turnstone/mapfile"
)

// A film is written cut: without its gaps, and as much play time less; recordings in one
// file each by itself, the whole ones byte for byte.
func TestExtractCut(t *testing.T) {
	a, b := videotest.Program{Pictures: 500}.Bytes(), videotest.Program{Pictures: 300, Seed: 1}.Bytes()
	root := vt.File{Dir: true, Children: []vt.File{{Name: "FILM.MPG", Data: a}, {Name: "LETTER.TXT", Data: vt.Bytes("letter", 9000)},
		{Name: "MOVIE.VRO", Data: append(append([]byte{}, a...), b...)}, {Name: "MOVIE.VRO takes", Data: []byte("in the way")}}}
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true})
	film, vro, letter := placeOf(t, image, "FILM.MPG"), placeOf(t, image, "MOVIE.VRO"), placeOf(t, image, "LETTER.TXT")
	holes := []sector.Range{sector.Span(film.First, 30), sector.Span(film.First+500, 7), sector.Span(vro.First+300, 3), sector.Span(letter.First+1, 1)}
	f := openFiles(t, caseOf(t, image, holes...))
	out := filepath.Join(t.TempDir(), "out")
	res, err := f.Extract(t.Context(), out, Extraction{Cut: true})
	if err != nil || res.Files != 5 || len(res.Damaged) != 3 {
		t.Fatalf("Extract() = %+v, %v; want five files of four, three of them damaged", res, err)
	}

	read := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join(out, name))
		if err != nil {
			t.Error(err)
		}
		return b
	}
	play := func(b []byte) video.Playback {
		p, err := video.PlayStream(&videotest.Holed{Data: b})
		if err != nil {
			t.Error(err)
		}
		return p
	}
	cut := read("FILM.MPG")
	if p := play(cut); bytes.Contains(cut, make([]byte, 2048)) || p.Length > 20*time.Second || p.Length < 18*time.Second {
		t.Errorf("FILM.MPG cut lasts %v in %d bytes; want 20 s less its gaps, without zeros", p.Length, len(cut))
	}
	if !bytes.Contains(cut[:2048], []byte{0, 0, 1, 0xB3}) {
		t.Error("FILM.MPG cut does not begin with a sequence header")
	}
	if got := read("MOVIE (2).VRO takes/002 at 0-00-20.mpg"); !bytes.Equal(got, b) {
		t.Errorf("the second recording has %d bytes; want %d as they are", len(got), len(b))
	}
	if p := play(read("MOVIE (2).VRO takes/001 at 0-00-00.mpg")); len(p.Takes) != 1 {
		t.Errorf("the first recording = %+v; want one take", p)
	}
	if list := string(read("FILM.MPG.missing.txt")); !strings.Contains(list, "are left out here") || !strings.Contains(list, "0+61440 missing\n1024000+14336 missing\n") {
		t.Errorf("the list of FILM.MPG:\n%s", list)
	}
	if got := read("LETTER.TXT"); len(got) != 9000 || !bytes.Equal(got[2048:4096], make([]byte, 2048)) {
		t.Error("LETTER.TXT is not as with keep")
	}
}

// What is worth watching: gaps, joins of rounds, samples; each clip can be played from
// its first byte, and holds no zeros for what is missing.
func TestWorthWatching(t *testing.T) {
	root := vt.File{Dir: true, Children: []vt.File{{Name: "A.MPG", Data: videotest.Program{Pictures: 2500}.Bytes()}, {Name: "B.AVI", Data: vt.Bytes("b", 5000)}}}
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true})
	film := placeOf(t, image, "A.MPG")
	n := sector.LBA(film.Count())
	gap, later := sector.Span(film.First+n/3, 5), sector.Span(film.First+n*2/3, 10)
	dir := caseOf(t, image, gap, later)
	// A round later the second of them comes.
	c, err := Open(dir, Writer{Command: "test", CaseID: "invented", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.OpenRound(mapfile.Round{Treatments: treatments(t, "polish fine, 90 s")}); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "disc.iso")
	if err := os.WriteFile(file, image, 0o600); err != nil {
		t.Fatal(err)
	}
	mergeImage(t, dir, file, sector.Of(later))

	f := openFiles(t, dir)
	films := filmsOf(t, f)
	places, skipped, err := f.WorthWatching(films)
	if err != nil || len(skipped) != 1 || skipped[0].Film.Name() != "B.AVI" {
		t.Fatalf("WorthWatching skips %+v, %v; want B.AVI", skipped, err)
	}
	var why [3]int
	for _, p := range places {
		why[p.Why]++
		if p.Clip.Length < 5*time.Second || p.Clip.Length > 15*time.Second {
			t.Errorf("%s at %v lasts %v; want some 10 s", p.Why, p.At, p.Clip.Length)
		}
	}
	if why[PlaceGap] != 1 || why[PlaceJoin] != 1 || why[PlaceSample] == 0 {
		t.Errorf("WorthWatching = %+v; want a gap, a join and samples", places)
	}
	out := filepath.Join(t.TempDir(), "clips")
	if err := f.WriteClips(t.Context(), out, places); err != nil {
		t.Fatal(err)
	}
	for _, p := range places {
		b, err := os.ReadFile(filepath.Join(out, p.File))
		if err != nil || !bytes.Contains(b[:2048], []byte{0, 0, 1, 0xB3}) || bytes.Contains(b, make([]byte, 2048)) {
			t.Errorf("%s does not begin with a sequence header, or has holes: %v", p.File, err)
		}
	}
	peeks, _, err := f.Peek(films)
	if err != nil || len(peeks) != 3 {
		t.Errorf("Peek = %+v, %v; want three clips", peeks, err)
	}
	for i, p := range peeks {
		if want := time.Duration(25*(i+1)) * time.Second; (p.At - want).Abs() > 2*time.Second {
			t.Errorf("clip %d is at %v; want about %v", i+1, p.At, want)
		}
	}
}

// Of a protected film no clip is cut.
func TestProtectedIsLeftAlone(t *testing.T) {
	data := videotest.Program{Pictures: 200}.Bytes()
	for at := 0; at < len(data); at += 2048 {
		data[at+20] |= 0x30
	}
	root := vt.File{Dir: true, Children: []vt.File{{Name: "A.VOB", Data: data}}}
	f := openFiles(t, caseOf(t, vt.ISO(nil, root, vt.ISOOptions{})))
	places, skipped, err := f.Peek(filmsOf(t, f))
	if err != nil || len(places) > 0 || len(skipped) != 1 {
		t.Errorf("Peek of a protected film = %+v, %+v, %v; want none, and why", places, skipped, err)
	}
}
