package report

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	vt "turnstone/imager/volume/volumetest"
	"turnstone/mapfile"
)

var render = flag.String("render", "", "write the printed pages into this `folder`, to be looked at")

// fullSource is a case that has much to say of everything: two layers, six rounds, films
// and files with long names, most of them damaged, people who watched, a long letterhead.
// All of it is invented.
func fullSource(t testing.TB) Source {
	root := vt.File{Dir: true}
	var films []Film
	var watched []Watch
	for i := range 14 {
		name := fmt.Sprintf("%s part %d.mpg", strings.Repeat("the garden in summer ", 5), i)
		root.Children = append(root.Children, vt.File{Name: name, Data: vt.Bytes(name, 40*vt.Size)})
		if i >= 10 {
			continue
		}
		films = append(films, Film{Name: fmt.Sprintf("title %d", i+1), Paths: []string{name}, Plays: time.Duration(i+1)*17*time.Minute + 3*time.Second,
			Lost: []Cut{{time.Minute, 3 * time.Second}, {2 * time.Minute, time.Second}, {4 * time.Minute, time.Minute}, {9 * time.Minute, time.Second}}})
		if i%3 == 0 {
			watched = append(watched, Watch{Path: name, By: "Alexandra Longname", At: day, Well: i%2 == 0})
		}
	}
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true, Label: "GARDEN"})
	const layer = 480000
	disc := mapfile.Disc{Kind: "dvd", BlockSectors: 16, Sectors: 2 * layer, Layers: []int64{layer, layer},
		Seen: &mapfile.Seen{At: day, Crack: "no", Label: "sound", SizeCM: 12, By: "Sam", Note: "finger marks all round"}}
	dir := caseOf(t, image, disc, func(m *mapfile.Map) {
		rnd := rand.New(rand.NewPCG(1, 2))
		n := pass(t, m, mapfile.Pass{Seconds: 9000})
		end := sector.LBA(len(image) / sector.Size)
		record(t, m, image, n, sector.Range{End: end}, mapfile.Delivered)
		for at := end; at < 2*layer; at += 1000 {
			bad := sector.Span(at, 16*(1+rnd.Int64N(15)))
			record(t, m, nil, n, bad, mapfile.Failed)
			record(t, m, nil, n, sector.Range{First: bad.End, End: min(at+1000, 2*layer)}, mapfile.Delivered)
		}
		for a := sector.LBA(60); a < end; a += 31 {
			m.Rot(a) // so that files miss something
		}
		for round := 1; round <= 6; round++ {
			m.AddRound(mapfile.Round{Opened: day.AddDate(0, 0, round), By: "Sam", Note: "slurry changed", Grams: 15.62 - 0.01*float64(round),
				Treatments: []mapfile.Treatment{{Typed: "clean", Word: "clean"}, {Typed: "sand 2000, 4 min, 24-48 mm", Word: "sand", Grade: "2000", Seconds: 240},
					{Typed: "polish coarse, 5 min", Word: "polish", Grade: "coarse", Seconds: 300}}})
			n := pass(t, m, mapfile.Pass{Round: round, Drive: round % 2, Seconds: 3000, How: "little-left"})
			for r := range missing(m) {
				switch rnd.IntN(4) {
				case 0:
					record(t, m, nil, n, r, mapfile.Delivered)
				case 1, 2:
					record(t, m, nil, n, r, mapfile.Failed)
				}
			}
		}
		must(t, m.SetClosing(mapfile.Closing{State: mapfile.Closed, At: day, By: "Sam", KeepUntil: "2027-03-04"}))
	})
	line := strings.Repeat("a line of an address ", 3)
	head := Letterhead{Name: "The Old Lighthouse, disc repairs (invented)", Address: []string{line, line, line, line},
		Note: []string{strings.Repeat("A note of the workshop. ", 9), strings.Repeat("And more of it. ", 11)}}
	return Source{Dir: dir, Name: "invented-garden-of-a-long-name-2026-03", Program: "turnstone, a test", Now: day.AddDate(0, 0, 9),
		Letterhead: head, Films: filmsOf(films...), Watched: watched}
}

func missing(m *mapfile.Map) func(func(sector.Range) bool) {
	set := missingOf(m)
	return set.Runs()
}

// The customer's page fits one sheet of A4 and of Letter, whatever there is to say, also in
// DejaVu Sans, a wide face that browsers on Linux commonly fall back to; the bench's page
// prints.
func TestPagesArePrinted(t *testing.T) {
	chromium := tool(t, "chromium", "chromium")
	full, err := Of(fullSource(t))
	must(t, err)
	small := reportOf(t, albumCase(t, []sector.Range{sector.Span(64, 3)}, nil, nil), nil)
	for _, c := range []struct {
		name, paper string
		write       func(io.Writer) error
		one, wide   bool
	}{{"customer-full", "A4", full.Customer, true, false}, {"customer-full", "Letter", full.Customer, true, false},
		{"customer-wide", "A4", full.Customer, true, true}, {"customer-wide", "Letter", full.Customer, true, true},
		{"customer", "A4", small.Customer, true, false}, {"bench", "Letter", small.Bench, false, false},
		{"bench-full", "A4", full.Bench, false, false}} {
		page := written(t, c.write)
		see(t, page)
		if c.name == "bench-full" && *render == "" {
			continue // it is long, and takes long
		}
		if c.wide {
			if !bytes.Contains(page, []byte(`"Liberation Sans"`)) {
				t.Fatalf("%s names no face to put a wide one in its place", c.name)
			}
			page = bytes.Replace(page, []byte(`"Liberation Sans"`), []byte(`"DejaVu Sans"`), 1)
		}
		pdf := printed(t, chromium, c.name+"-"+c.paper, bytes.Replace(page, []byte("@page {"), []byte("@page { size: "+c.paper+";"), 1))
		n := len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1))
		if c.one && n != 1 || n == 0 {
			t.Errorf("%s on %s is %d sheets; want one", c.name, c.paper, n)
		}
	}
}

// printed is a page as Chromium prints it, as PDF.
func printed(t *testing.T, chromium, name string, page []byte) []byte {
	t.Helper()
	dir := t.TempDir()
	if *render != "" {
		dir = *render
	}
	from, to := filepath.Join(dir, name+".html"), filepath.Join(dir, name+".pdf")
	must(t, os.WriteFile(from, page, 0o644))
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
		"--user-data-dir="+t.TempDir(), "--no-pdf-header-footer", "--print-to-pdf="+to, "file://"+from)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("chromium: %v\n%s", err, out)
	}
	pdf, err := os.ReadFile(to)
	must(t, err)
	return pdf
}
