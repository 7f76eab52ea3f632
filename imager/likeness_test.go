package imager

import (
	"math"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// What a drive says of a disc tells whether it may be the case's.
func TestLikenessOf(t *testing.T) {
	m := mapfile.New("invented")
	m.AddRound(mapfile.Round{})
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: 64, BlockSectors: 16, Written: sector.Of(sector.Span(0, 64)),
		Identity: map[string]string{device.Unique: "A", "label": "x"}}); err != nil {
		t.Fatal(err)
	}
	same := device.Info{Node: "/dev/sr0", Kind: "dvd", Sectors: 64, Identity: map[string]string{device.Unique: "A"}}
	if got := LikenessOf(m, same); got != OtherDisc {
		t.Errorf("LikenessOf(a case with nothing in it) = %d; want %d: nothing is known of it", got, OtherDisc)
	}
	n, err := m.AddPass(mapfile.Pass{Drive: m.AddDrive(mapfile.Drive{Node: "/dev/sr0"}), Medium: "boot/1", Settings: []mapfile.Settings{{}}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Record(n, mapfile.Run{Range: sector.Span(0, 1), Result: mapfile.Delivered, Attempts: 1}, []uint32{1}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		info device.Info
		want Likeness
	}{
		{"the same identity", same, SameDisc},
		{"another identity", device.Info{Kind: "dvd", Sectors: 64, Identity: map[string]string{device.Unique: "B"}}, OtherDisc},
		{"nothing told, as large", device.Info{Kind: "dvd", Sectors: 64}, LikeIt},
		{"never taken out", device.Info{Kind: "dvd", Sectors: 64, Medium: "boot/1"}, SameDisc},
		{"loaded anew", device.Info{Kind: "dvd", Sectors: 64, Medium: "boot/2"}, LikeIt},
		{"smaller", device.Info{Node: "/dev/sda", Kind: "dvd", Sectors: 60}, OtherDisc},
		{"another kind", device.Info{Kind: "cd", Sectors: 64}, OtherDisc},
	} {
		if got := LikenessOf(m, c.info); got != c.want {
			t.Errorf("%s: LikenessOf = %d; want %d", c.name, got, c.want)
		}
	}
}

// The data of a DVD begin 24 mm from the middle (ECMA-267: the data zone's inner
// diameter, 48 mm), and lie further out the higher the address.
func TestRadiusOf(t *testing.T) {
	d := mapfile.Disc{Kind: "dvd", Sectors: 2_000_000, BlockSectors: 16}
	first, ok := RadiusOf(d, 0)
	if !ok || math.Abs(first-24) > 0.2 {
		t.Errorf("RadiusOf(0) = %g, %v; want 24 mm", first, ok)
	}
	last, ok := RadiusOf(d, 1_999_999)
	if !ok || last < 50 || last > 60 {
		t.Errorf("RadiusOf(1,999,999) = %g, %v; want near the rim", last, ok)
	}
	if mm, ok := RadiusOf(d, 2_000_000); ok {
		t.Errorf("RadiusOf(behind the disc) = %g; want none", mm)
	}
	if mm, ok := RadiusOf(mapfile.Disc{Kind: "unknown", Sectors: 100}, 0); ok {
		t.Errorf("RadiusOf(a plain file) = %g; want none", mm)
	}
}

// Who looks who writes into a case is not in the way of whoever is about to.
func TestUserOfIsInNobodysWay(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "case")
	w := Writer{Command: "the writer", CaseID: "invented", Now: time.Now}
	c, err := Create(dir, w, mapfile.Disc{Kind: "unknown", BlockSectors: 16})
	if err != nil {
		t.Fatal(err)
	}
	if user, err := UserOf(dir); err != nil || user == nil || user.Command != "the writer" {
		t.Errorf("UserOf = %v, %v; want the writer", user, err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	done := make(chan bool)
	go func() {
		defer close(done)
		for range 2000 {
			if user, err := UserOf(dir); err != nil || user != nil && user.PID != 0 && user.Command != "the writer" {
				t.Errorf("UserOf = %v, %v; want the writer, somebody or nobody", user, err)
			}
		}
	}()
	for range 50 {
		c, err := Open(dir, w)
		if err != nil {
			t.Errorf("Open while somebody looks = %v; want nil", err)
			break
		}
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}
	<-done
}
