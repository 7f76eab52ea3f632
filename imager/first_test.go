package imager

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/press"
	"turnstone/device/sim/simtest"
	"turnstone/imager/plan"
	"turnstone/imager/volume"
	"turnstone/imager/volume/tree"
	"turnstone/mapfile"
)

func TestRankOf(t *testing.T) {
	for path, want := range map[string]rank{
		"VIDEO_TS/VTS_01_1.VOB": rankFilm, "VIDEO_TS/VTS_12_9.VOB": rankFilm, "VIDEO_TS/VTS_01_0.IFO": rankFilm,
		"VIDEO_TS/VIDEO_TS.IFO": rankFilm, "video_ts/vts_01_1.vob": rankFilm, "DVD_RTAV/VR_MOVIE.VRO": rankFilm,
		"DVD_RTAV/VR_MANGR.IFO": rankFilm, "wedding.mpg": rankFilm, "a/b/Holiday 2003.AVI": rankFilm, "MPEGAV/AVSEQ01.DAT": rankFilm,
		"BDMV/STREAM/00001.m2ts": rankFilm, "BDMV/PLAYLIST/00001.mpls": rankFilm,
		"VIDEO_TS/VIDEO_TS.VOB": rankSpare, "VIDEO_TS/VTS_01_0.VOB": rankSpare, "VIDEO_TS/VTS_01_0.BUP": rankSpare,
		"DVD_RTAV/VR_MANGR.BUP": rankSpare, "BDMV/BACKUP/index.bdmv": rankSpare,
		"PHOTOS/IMG_0001.JPG": rankFile, "letter.txt": rankFile, "mpg": rankFile, "VOB/readme": rankFile, "": rankFile,
	} {
		if got := rankOf(path); got != want {
			t.Errorf("rankOf(%q) = %d; want %d", path, got, want)
		}
	}
}

// frontDisk keeps the front of an image in memory, and what lies behind reads as zeros.
type frontDisk struct {
	timedDisk
	front []byte
}

func (d *frontDisk) writeImage(p []byte, at sector.LBA) error {
	if at.Offset() < int64(len(d.front)) {
		copy(d.front[at.Offset():], p)
	}
	return nil
}

func (d *frontDisk) readImage(p []byte, at sector.LBA) error {
	clear(p)
	if at.Offset() < int64(len(d.front)) {
		copy(p, d.front[at.Offset():])
	}
	return nil
}

// clocked is a simulated drive that notes what it was asked for, and when what came came.
type clocked struct {
	*sim.Drive
	asked []sector.Range
	came  []arrival
	good  sector.Set   // that came
	twice sector.Range // asked for, though some of it had come
}

type arrival struct {
	sector.Range
	at time.Duration
}

func (d *clocked) Ask(r sector.Range) error {
	d.asked = append(d.asked, r)
	if d.good.Overlaps(r) {
		d.twice = r
	}
	return d.Drive.Ask(r)
}

func (d *clocked) Answer(ctx context.Context) (device.Answer, error) {
	a, err := d.Drive.Answer(ctx)
	if err == nil && a.Good() > 0 {
		r := sector.Span(a.Asked.First, a.Good())
		d.came = append(d.came, arrival{r, d.Now()})
		d.good.Add(r)
	}
	return a, err
}

// simulated reads a disc of so many sectors, which begins with data and has marks, in a
// case, and gives the drive as it was used and the map.
func simulated(t *testing.T, data []byte, sectors int64, marks string, r Reading) (*clocked, *mapfile.Map) {
	t.Helper()
	return simulatedBy(t, fmt.Sprintf(`{"name": "invented", "seed": 5, "disc": {"kind": "dvd", "sectors": %d, "content": {"noise": true}},
		"marks": [%s], "drives": [{"name": "A", "stall": {"chance": 0}}], "rounds": [{"treatments": []}]}`, sectors, marks), data, r)
}

// simulatedBy reads a scenario's disc, which begins with data instead of noise.
func simulatedBy(t *testing.T, scenario string, data []byte, r Reading) (*clocked, *mapfile.Map) {
	t.Helper()
	image := filepath.Join(t.TempDir(), "disc.iso")
	if err := os.WriteFile(image, data, 0o600); err != nil {
		t.Fatal(err)
	}
	disc := simtest.Disc(t, strings.Replace(scenario, `{"noise": true}`, fmt.Sprintf(`{"image": %q}`, image), 1))
	s := disc.Scenario()
	drive, err := disc.Open(sim.Opening{})
	if err != nil {
		t.Fatal(err)
	}
	mapPath := filepath.Join(quickDir(t), mapName)
	m := mapfile.New("case")
	m.AddRound(mapfile.Round{Opened: epochTime})
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: s.Sectors, BlockSectors: 16, Written: sector.Of(sector.Span(0, s.Sectors))}); err != nil {
		t.Fatal(err)
	}
	if err := mapfile.Create(mapPath, m); err != nil {
		t.Fatal(err)
	}
	c := &Case{Dir: filepath.Dir(mapPath), m: m, now: func() time.Time { return epochTime.Add(drive.Now()) },
		disk: &frontDisk{timedDisk: timedDisk{mapPath: mapPath}, front: make([]byte, len(data))}}
	d := &clocked{Drive: drive}
	r.Reader = d
	if end, err := c.Read(t.Context(), r); err != nil || end.Failed() {
		t.Fatalf("Read() = %+v, %v; want it through", end, err)
	}
	return d, m
}

// filmDisc is a DVD-Video with photos, of so many sectors.
func filmDisc(t *testing.T, sectors int) []byte {
	t.Helper()
	photos := press.Folder{Name: "PHOTOS"}
	for i := range 6 {
		photos.Files = append(photos.Files, press.File{Name: fmt.Sprintf("IMG_%d.JPG", i), Made: epochTime, Data: press.Photo(i, 200, 150)})
	}
	d := press.Disc{Label: "FILMS", Made: epochTime, Menu: 20 * time.Second, Sectors: sectors,
		Films: []press.Film{{Length: 4 * time.Minute, Made: epochTime}, {Length: 2 * time.Minute, Made: epochTime}}, Folders: []press.Folder{photos}}
	var b bytes.Buffer
	if err := d.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Of a scratched disc what tells where files lie is asked for first, then what comes
// easily of the films, then that of other files, and menus and backups only then; the
// rest follows, films first, and nothing is asked for twice.
func TestFilmsFirst(t *testing.T) {
	const sectors = 16384
	data := filmDisc(t, sectors)
	v, err := volume.Open(tree.Whole(bytes.NewReader(data), int64(len(data))), volume.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var where [rankSpare + 1][]sector.Range
	for e := range v.Files() {
		for _, x := range e.Extents {
			where[rankOf(e.Path())] = append(where[rankOf(e.Path())], x.Sectors())
		}
	}
	films, files := sector.Of(where[rankFilm]...), sector.Of(where[rankFile]...)
	k := course{disc: mapfile.Disc{BlockSectors: 16}}
	filmBlocks, fileBlocks := k.blocks(&films), k.blocks(&files)

	drive, m := simulated(t, data, sectors, `
		{"scratch": {"points_mm": [[20.9, 10.6], [21.2, 11.9], [22.6, 12.7]], "width_mm": 0.28, "depth_um": 48}},
		{"arc": {"r_mm": 24.25, "from_deg": 210, "to_deg": 236, "width_mm": 0.3, "depth_um": 46}}`, Reading{})
	if first := drive.asked[0]; first.End > 64 {
		t.Errorf("the first request is for %v; want descriptors", first)
	}
	// What came, by turns: where a request holds several, the first of them counts.
	type turn struct {
		of    string
		count int64
	}
	var turnsTaken []turn
	for _, a := range drive.came {
		of := "the rest"
		switch {
		case len(turnsTaken) < 2 && !filmBlocks.Overlaps(a.Range):
			of = "structures" // before the first film
		case filmBlocks.Overlaps(a.Range):
			of = "films"
		case fileBlocks.Overlaps(a.Range):
			of = "files"
		}
		if n := len(turnsTaken); n > 0 && turnsTaken[n-1].of == of {
			turnsTaken[n-1].count += a.Count()
		} else {
			turnsTaken = append(turnsTaken, turn{of, a.Count()})
		}
	}
	t.Logf("turns: %v", turnsTaken)
	var order []string
	for _, x := range turnsTaken[:min(5, len(turnsTaken))] {
		order = append(order, x.of)
	}
	if want := []string{"structures", "films", "files", "the rest", "films"}; !slices.Equal(order, want) {
		t.Errorf("the first turns were %v; want %v", order, want)
	}
	good := m.In(mapfile.Good)
	all, bad := good.Intersect(&filmBlocks), films.Subtract(&good)
	if first := turnsTaken[1].count; first < all.Count()/2 || bad.Count() < 200 {
		t.Errorf("films: %d of %d sectors came in their first turn, and %d are missing in the end; want half of them, of a disc that is bad", first, all.Count(), bad.Count())
	}
	if !drive.twice.Empty() {
		t.Errorf("%v was asked for, though some of it had come", drive.twice)
	}
	if st := StatusOf(m); st.Untried > 0 && m.Passes()[0].How != HowLittleLeft {
		t.Errorf("the pass ended %q with %d sectors untried", m.Passes()[0].How, st.Untried)
	}
}

// The survey of a new case reads what tells of the files first; afterwards all of them
// are known.
func TestSurveyReadsDirectoriesFirst(t *testing.T) {
	const sectors = 16384
	data := filmDisc(t, sectors)
	drive, m := simulated(t, data, sectors, "", Reading{Survey: 100})
	good := m.In(mapfile.Good)
	part := tree.Holed(bytes.NewReader(data), sectors, &good)
	v, err := volume.Open(part, volume.Options{})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for e := range v.Files() {
		if e.Size == tree.UnknownSize {
			t.Errorf("%s has no size", e.Path())
		}
		n++
	}
	if first := drive.asked[0]; n != 15 || first.End > 64 || good.Count() > sectors/20 {
		t.Errorf("after a survey of %d sectors, which began at %v, %d files are known; want 15", good.Count(), first, n)
	}
	// A survey that judges a drive is of evenly spread samples and nothing else.
	if drive, m := simulated(t, data, sectors, "", Reading{Survey: 100, SurveyEvenly: true}); len(drive.asked) != 10 || m.Count(mapfile.Good) != 160 {
		t.Errorf("an even survey asked %d times; want 10, one in a hundred of 1024 blocks", len(drive.asked))
	}
}

// A clean disc is read as fast as without a thought for files, on average within 3 %.
func TestFilmsFirstCostsLittle(t *testing.T) {
	const sectors = 400_000
	data := filmDisc(t, 16384)
	first, m := simulated(t, data, sectors, "", Reading{})
	if n := m.Count(mapfile.Good); n != sectors {
		t.Fatalf("%d sectors are good; want %d", n, sectors)
	}
	plain, _ := simulated(t, data, sectors, "", Reading{BySurface: true})
	got, want := first.times(whole(sectors)).mean(), plain.times(whole(sectors)).mean()
	t.Logf("a sector came after %.2f s on average, by the surface alone after %.2f s; all after %.1f and %.1f s", got, want, first.Now().Seconds(), plain.Now().Seconds())
	if got > want*1.03 || first.Now() > plain.Now()+plain.Now()*3/100 {
		t.Errorf("a sector came after %.2f s on average; want at most 3 %% more than %.2f s", got, want)
	}
}

// TestLeaves: a part is left when the drive is slow and the plan expects no better; one
// lost track on a disc of which it expects all is no reason, and where no geometry tells
// what to expect, the drive's pace alone is.
func TestLeaves(t *testing.T) {
	const sectors = 16 * 10_000
	for _, c := range []struct {
		kind       string
		slow, want bool
	}{{"dvd", false, false}, {"dvd", true, false}, {"", false, false}, {"", true, true}} {
		order := plan.New(plan.Task{Disc: plan.Disc{Written: sector.Of(sector.Span(0, sectors)), Block: 16, Largest: 256, WholeBlocks: true, Kind: c.kind}})
		if _, step := order.Next(); step != plan.Ask {
			t.Fatalf("Next() of a disc of which nothing was asked = %v; want a request", step)
		}
		k := course{pace: pace{least: paces[0], slow: c.slow}}
		if got := k.leaves(order); got != c.want {
			t.Errorf("leaves of kind %q, slow %v = %v; want %v", c.kind, c.slow, got, c.want)
		}
	}
}
