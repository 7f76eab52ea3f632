package imager

import (
	"testing"
	"time"

	"turnstone/mapfile"
)

// What an hour more should bring is told once a drive has read on this surface, of a disc
// whose geometry is known; never more than was not asked for once the pass is over.
func TestHourMore(t *testing.T) {
	image := album(t)
	a, b := placeOf(t, image, "films/a.vob"), placeOf(t, image, "films/b.vob")
	dir := caseOf(t, image, a, b)
	c, err := Open(dir, Writer{Command: "test", CaseID: "invented", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	hour := func() (HourMore, []Unasked, bool) {
		t.Helper()
		f, err := c.files()
		if err != nil {
			t.Fatal(err)
		}
		all := f.Unasked()
		h, ok := f.HourMore(all)
		return h, all, ok
	}
	if _, _, ok := hour(); ok {
		t.Error("HourMore(a file in a folder) is ok; want that nothing can be said")
	}
	d := c.m.Disc()
	d.Kind, d.BlockSectors = "dvd", 16
	if err := c.m.SetDisc(d); err != nil {
		t.Fatal(err)
	}
	if _, _, ok := hour(); ok {
		t.Error("HourMore(nothing was read) is ok; want that nothing can be said")
	}
	drive := c.m.AddDrive(mapfile.Drive{Node: "/dev/sr0"})
	pass, err := c.m.AddPass(mapfile.Pass{Drive: drive, How: HowBudget, Seconds: 20, Failed: 2})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.m.Record(pass, mapfile.Run{Range: b, Result: mapfile.Failed}, nil); err != nil {
		t.Fatal(err)
	}
	h, all, ok := hour()
	if !ok || h.Drive != c.m.Drives()[drive].Name() || len(h.Files) != 2 || len(all) != 2 {
		t.Fatalf("HourMore() = %+v, %v; want two files' with the drive", h, ok)
	}
	for i, x := range h.Files {
		if x.Low < 0 || x.High < x.Low || x.High > float64(x.Open) || x.Open > all[i].Missing {
			t.Errorf("%s: %+v of %d missing; want a range within what is open", all[i].File.Name, x, all[i].Missing)
		}
		if in := all[i].File.Name == "b.vob"; in && x.High > 32 || !in && x.High == 0 {
			t.Errorf("%s: %+v; want something of what was not asked for, and no more than a block's rest of what was", all[i].File.Name, x)
		}
	}
	// What is not wanted gets none of the hour.
	if _, err := c.Want([]string{"b.vob"}); err != nil {
		t.Fatal(err)
	}
	if _, all, _ := hour(); len(all) != 1 || all[0].File.Name != "b.vob" {
		t.Errorf("Unasked() with b.vob wanted = %d files; want b.vob alone", len(all))
	}
}
