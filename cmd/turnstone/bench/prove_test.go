package bench

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// fillCase makes a case whose image holds some sectors of a disc.
func fillCase(t *testing.T, dir string, d mapfile.Disc, good ...sector.Range) {
	t.Helper()
	d.Written.Add(sector.Span(0, d.Sectors))
	c, err := imager.Create(dir, imager.Writer{Command: "test", CaseID: dir, Now: time.Now}, d)
	if err != nil {
		t.Fatal(err)
	}
	image := filepath.Join(t.TempDir(), "disc.iso")
	data := make([]byte, d.Sectors*sector.Size)
	for i := range data {
		data[i] = byte(i / sector.Size)
	}
	if err := os.WriteFile(image, data, 0o600); err != nil {
		t.Fatal(err)
	}
	from, err := imager.OpenImageSource(image, sector.Of(good...))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Merge(t.Context(), imager.Merging{Sources: []*imager.Source{from}}); err != nil {
		t.Fatal(err)
	}
	if err := from.Close(); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
}

// rowOnce is the row of a case once a condition holds.
func rowOnce(t *testing.T, s *site, id string, holds func(row) bool) (r row) {
	t.Helper()
	for late := time.Now().Add(20 * time.Second); time.Now().Before(late); time.Sleep(10 * time.Millisecond) {
		s.b.paint()
		c := s.b.shelf.of(id)
		c.mu.Lock()
		r = s.b.rowOf(c)
		c.mu.Unlock()
		if holds(r) {
			return r
		}
	}
	t.Fatalf("the row stays %+v", r)
	return r
}

// An image that holds is proved; one that does not sounds like trouble, is not called
// proved, and what is rotten in it can be read anew.
func TestProofOnThePage(t *testing.T) {
	s := newSite(t, "")
	dir := filepath.Join(s.jobs, "job-2")
	fillCase(t, dir, mapfile.Disc{Kind: "dvd", Sectors: 64, BlockSectors: 16}, sector.Span(0, 64))
	id := idOf(dir)
	prove := func() row {
		t.Helper()
		before := rowOnce(t, s, id, func(row) bool { return true }).Tone.N
		if _, err := s.b.prove(order{Case: id}); err != nil {
			t.Fatal(err)
		}
		return rowOnce(t, s, id, func(r row) bool { return r.Tone.N > before })
	}
	if r := prove(); !r.Proved || r.Tone.Kind != "done" || r.Line.Next != "proved" || r.Missing != 0 {
		t.Errorf("of an image that holds the row says %+v; want it proved", r)
	}
	f, err := os.OpenFile(filepath.Join(dir, "image.iso"), os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte("rot"), 5*sector.Size); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if r := prove(); r.Proved || r.Tone.Kind != "stalled" || r.Missing != 1 {
		t.Errorf("of a rotten image the row says %+v; want one missing, and no proof", r)
	}
	if r := prove(); !r.Proved || r.Missing != 1 {
		t.Errorf("once more the row says %+v; want what is left proved", r)
	}
}

// What lies beside a CD's image counts: it is not all there while a film is not.
func TestFormTwoOnThePage(t *testing.T) {
	s := newSite(t, "")
	dir := filepath.Join(s.jobs, "job-2")
	fillCase(t, dir, mapfile.Disc{Kind: "cd", Sectors: 40, BlockSectors: 1}, sector.Span(0, 40))
	id := idOf(dir)
	if r := rowOnce(t, s, id, func(r row) bool { return r.All > 0 }); r.Good != 40 || r.All != 40 || r.State != "done" {
		t.Errorf("without anything beside it the row says %+v; want 40 of 40", r)
	}
	if err := os.WriteFile(filepath.Join(dir, "form2.json"), []byte(`{"sectors":[[50,10]],"good":[[50,4]]}`), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := imager.Open(dir, imager.Writer{Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil { // whoever has written leaves status.json right
		t.Fatal(err)
	}
	if r := rowOnce(t, s, id, func(r row) bool { return r.All > 40 }); r.Good != 44 || r.All != 50 || r.Missing != 6 || r.State == "done" {
		t.Errorf("with ten beside it, four of them there, the row says %+v; want 44 of 50", r)
	}
}
