package imager

import (
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// What of a file is missing and was not asked for in the last round, sector by sector.
func TestUnasked(t *testing.T) {
	image := album(t)
	a, b := placeOf(t, image, "films/a.vob"), placeOf(t, image, "films/b.vob")
	dir := caseOf(t, image, sector.Span(a.First+10, 20), sector.Span(a.End-1, 1), sector.Span(b.First+2, 3))
	c, err := Open(dir, Writer{Command: "test", CaseID: "invented", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	drive := c.m.AddDrive(mapfile.Drive{Node: "/dev/sr0"})
	failed := func(round int, r sector.Range) {
		t.Helper()
		pass, err := c.m.AddPass(mapfile.Pass{Round: round, Drive: drive, How: HowComplete})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.m.Record(pass, mapfile.Run{Range: r, Result: mapfile.Failed}, nil); err != nil {
			t.Fatal(err)
		}
	}
	want := func(what string, counts map[string][2]int64) {
		t.Helper()
		f, err := c.files()
		if err != nil {
			t.Fatal(err)
		}
		got := f.Unasked()
		for _, u := range got {
			if n := counts[u.File.Name]; n != [2]int64{u.Missing, u.Open} {
				t.Errorf("%s: %s lacks %d, %d not asked for; want %v", what, u.File.Name, u.Missing, u.Open, n)
			}
		}
		if len(got) != len(counts) || got[0].File.Name != "a.vob" {
			t.Errorf("%s: Unasked() = %d files, %s first; want a.vob first of %d", what, len(got), got[0].File.Name, len(counts))
		}
	}
	want("nothing asked", map[string][2]int64{"a.vob": {21, 21}, "b.vob": {3, 3}})
	failed(0, sector.Span(a.First+10, 16))
	failed(0, sector.Span(b.First+2, 3))
	want("asked", map[string][2]int64{"a.vob": {21, 5}, "b.vob": {3, 0}})
	c.m.AddRound(mapfile.Round{Treatments: treatments(t, "polish fine, 90 s")})
	want("a new surface", map[string][2]int64{"a.vob": {21, 21}, "b.vob": {3, 3}})
}
