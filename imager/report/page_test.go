package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	vt "turnstone/imager/volume/volumetest"
	"turnstone/mapfile"
)

// html is a page as a strict reader sees it.
type html struct {
	text     string
	elements map[string]int
}

// see reads a page: well-formed (XML 1.0, as HTML may be written), loading nothing, with
// nothing in it that acts, each name once, each link within the page leading somewhere.
func see(t *testing.T, page []byte) html {
	t.Helper()
	h := html{elements: map[string]int{}}
	ids, links := map[string]int{}, []string{}
	d := xml.NewDecoder(bytes.NewReader(page))
	var text strings.Builder
	within := []string{}
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		switch x := token.(type) {
		case xml.StartElement:
			within = append(within, x.Name.Local)
			h.elements[x.Name.Local]++
			for _, a := range x.Attr {
				name, value := strings.ToLower(a.Name.Local), a.Value
				switch {
				case strings.HasPrefix(name, "on"), name == "src", name == "srcset", name == "action", name == "data":
					t.Errorf("<%s %s=%q> acts or loads", x.Name.Local, name, value)
				case name == "href" && strings.HasPrefix(value, "#"):
					links = append(links, value[1:])
				case name == "href":
					t.Errorf("<%s href=%q> leads out of the page", x.Name.Local, value)
				case name == "id":
					ids[value]++
				case strings.Contains(value, "url(") && !strings.HasPrefix(value, "url(#"):
					t.Errorf("<%s %s=%q> loads", x.Name.Local, name, value)
				}
			}
		case xml.EndElement:
			within = within[:len(within)-1]
			text.WriteByte(' ')
		case xml.CharData:
			if len(within) > 0 && within[len(within)-1] == "style" {
				if s := string(x); strings.Contains(s, "url(") || strings.Contains(s, "@import") {
					t.Errorf("the style loads something")
				}
				continue
			}
			text.Write(x)
		}
	}
	for _, name := range []string{"script", "img", "iframe", "link", "object", "form", "base"} {
		if h.elements[name] > 0 {
			t.Errorf("%d elements <%s>; want none", h.elements[name], name)
		}
	}
	for id, n := range ids {
		if n > 1 {
			t.Errorf("the name %q comes %d times", id, n)
		}
	}
	for _, l := range links {
		if ids[l] == 0 {
			t.Errorf("the link #%s leads nowhere", l)
		}
	}
	if !bytes.Contains(page, []byte("default-src 'none'")) {
		t.Errorf("the page does not forbid to load anything")
	}
	h.text = strings.Join(strings.Fields(text.String()), " ")
	return h
}

func (h html) wants(t *testing.T, what ...string) {
	t.Helper()
	for _, w := range what {
		if !strings.Contains(h.text, w) {
			t.Errorf("the page does not say %q:\n%s", w, h.text)
		}
	}
}

func (h html) wantsNot(t *testing.T, what ...string) {
	t.Helper()
	for _, w := range what {
		if strings.Contains(h.text, w) {
			t.Errorf("the page says %q:\n%s", w, h.text)
		}
	}
}

func written(t *testing.T, write func(io.Writer) error) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// placeOf is where a file of an image lies.
func placeOf(t *testing.T, dir, path string) sector.Range {
	t.Helper()
	files, err := imager.OpenFiles(dir)
	must(t, err)
	defer files.Close()
	for x := range files.All() {
		if x.Path() == path {
			return x.Extents[0].Sectors()
		}
	}
	t.Fatalf("no file %s", path)
	return sector.Range{}
}

func TestCustomerOfAWholeDisc(t *testing.T) {
	r := reportOf(t, albumCase(t, nil, nil, nil), nil)
	h := see(t, written(t, r.Customer))
	h.wants(t, "All 5 files are whole", "Nothing: all of it came in the end.", "Nothing: all of it is there.",
		"nothing was done to its surface", "not watched", "without a reported error", "does not prove that it plays",
		"Keep two", "no forensic certificate", "7 March 2026, 17:06 CET (UTC+01:00)", "Workshop:", "As the disc came in")
	h.wantsNot(t, "resurfaced", "zeros", "without a name")
}

// filmsOf stands in for what knows films; its times are invented.
func filmsOf(films ...Film) Films {
	return func(files *imager.Files) ([]Film, error) {
		for i := range films {
			films[i].Timed, films[i].State = true, imager.FileWhole.String()
			for x := range files.All() {
				if slices.Contains(films[i].Paths, x.Path()) && x.MissingBytes > 0 {
					films[i].State = imager.FileDamaged.String()
					films[i].Missing += x.MissingBytes
				}
			}
			if films[i].Missing == 0 {
				films[i].Lost = nil
			}
		}
		return films, nil
	}
}

func TestCustomerOfADamagedDisc(t *testing.T) {
	where := albumCase(t, nil, nil, nil)
	a, photo := placeOf(t, where, "films/a.vob"), placeOf(t, where, "photos/one.jpg")
	failed := []sector.Range{sector.Span(a.First+10, 2), sector.Span(a.First+40, 3)}
	untried := []sector.Range{sector.Span(photo.First, 1)}
	image := album()
	dir := albumCase(t, failed, untried, func(m *mapfile.Map) {
		// All of it failed once more after a polish; the photo was not asked for.
		m.AddRound(mapfile.Round{Opened: day.AddDate(0, 0, 1), By: "Sam", Treatments: []mapfile.Treatment{
			{Typed: "sand 2000, 4 min", Word: "sand", Grade: "2000", Seconds: 240}, {Typed: "polish fine", Word: "polish", Grade: "fine"}}})
		n := pass(t, m, mapfile.Pass{Round: 1, Drive: 1, Seconds: 4000, How: "little-left"})
		for _, f := range failed {
			record(t, m, image, n, f, mapfile.Failed)
		}
	})
	times := filmsOf(
		Film{Name: "title 1", Paths: []string{"films/a.vob"}, Plays: 50 * time.Minute,
			Lost: []Cut{{48*time.Minute + 10*time.Second, 7 * time.Second}, {49 * time.Minute, 4900 * time.Millisecond}}},
		Film{Name: "b.vob", Paths: []string{"films/b.vob"}, Plays: 30 * time.Minute})
	r := reportOf(t, dir, func(s *Source) {
		s.Films = times
		s.Watched = []Watch{{Path: "films/b.vob", By: "Kim", At: day.AddDate(0, 0, 2), Well: true}}
		s.Letterhead = Letterhead{Name: "Lighthouse", Address: []string{"1 Lane"}, Note: []string{"Come again."}}
	})
	h := see(t, written(t, r.Customer))
	h.wants(t, "1 h 19 min 48 s of 1 h 20 min of film were saved; 12 s are missing. 1 of 2 films is whole.",
		"Besides: 2 of 3 other files are whole", "title 1, films/a.vob 50 min 12 s missing, at 0:48:10, 0:49:00",
		"whole; watched: it plays well",
		"10 kB, in 2 places, could not be read by the drive that asked for it, on the surface as it is after the last treatment. 10 kB of it belong to files.",
		"2 kB, in 1 place, were not asked for any more: little was to be expected of it for the time that it takes",
		"5 March 2026: sand 2000, 4 min; polish fine", "resurfaced: that takes material off and can’t be undone",
		"files hold zeros in its place", "Lighthouse", "Come again.", "Before any treatment", "At the end", "the rest was not watched")
	h.wantsNot(t, "Workshop:", "Nobody has watched")
	// Minutes before percentages: the only percentages stand below the pictures.
	if i, j := strings.Index(h.text, "%"), strings.Index(h.text, "Before and after"); i >= 0 && i < j {
		t.Errorf("a percentage stands ahead of the pictures:\n%s", h.text)
	}
	// Without anybody who knows films, sizes stand in for times.
	r = reportOf(t, dir, nil)
	see(t, written(t, r.Customer)).wants(t, "3 of 5 files are whole;", "10 kB missing, in 2 places")
	b := see(t, written(t, r.Bench))
	b.wants(t, "could not be read on this surface 5 sectors", "not tried since the last treatment 0 sectors", "never asked for 1 sector ",
		"Sam 4 min and more", "1 h 7 min", "Treated by Sam.", "filled with zeros", "ISO/IEC 27037", "NIST", "sha256sum -c", "Castagnoli")
}

// Of a Video CD the films lie beside the image; what is missing of them is no less missing,
// and what was put together says so.
func TestVideoCD(t *testing.T) {
	dir := albumCase(t, nil, nil, nil)
	must(t, os.WriteFile(filepath.Join(dir, "form2.json"), []byte(`{"sectors":[[300,1000]],"good":[[300,900]],"no_edc":2,"repaired":7}`), 0o600))
	r := reportOf(t, dir, nil)
	h := see(t, written(t, r.Customer))
	h.wants(t, "All 5 files are whole", "films of this Video CD lie beside the image: 2.1 MB of 2.3 MB of them were saved.",
		"Of the films of this Video CD 232 kB are missing", "put together from several readings and bears out its own check code", "hold zeros")
	h.wantsNot(t, "all of it came in the end", "all of it is there")
	see(t, written(t, r.Bench)).wants(t, "of form 2, beside the image in form2.bin 900 sectors of 1,000; 7 put together, 2 without a check code")
}

// A disc without any list of files, in which films were found by their content.
func TestFilmsWithoutFiles(t *testing.T) {
	dir := caseOf(t, nil, mapfile.Disc{Sectors: 200}, func(m *mapfile.Map) {
		record(t, m, nil, pass(t, m, mapfile.Pass{}), sector.Span(0, 190), mapfile.Delivered)
	})
	found := func(*imager.Files) ([]Film, error) {
		return []Film{
			{Name: "found-000000.mpg", State: "whole", Found: true, Timed: true, Plays: 10 * time.Minute},
			{Name: "found-000100.mpg", State: "damaged", Missing: 2048, Found: true, Timed: true, About: true, Plays: 5 * time.Minute, Lost: []Cut{{time.Minute, 1500 * time.Millisecond}}},
		}, nil
	}
	r := reportOf(t, dir, func(s *Source) { s.Films = found })
	h := see(t, written(t, r.Customer))
	h.wants(t, "About 14 min 58 s of 15 min of film were saved; 2 s are missing. 1 of 2 films is whole.", "these films were found by their content",
		"found-000000.mpg 10 min whole; found without its name", "about 2 s missing, at 0:01:00; found without its name", "may be incomplete")
	h.wantsNot(t, "belong to files")
	see(t, written(t, r.Bench)).wants(t, "No file system is known in the image; what is listed was found by its content.", "found-000100.mpg", "damaged, about 2 s missing")
}

// Discs of every kind of standing have pages that can be read and do not contradict
// themselves.
func TestPagesOfOddCases(t *testing.T) {
	whole := func(result mapfile.Result) func(m *mapfile.Map) {
		return func(m *mapfile.Map) {
			record(t, m, nil, pass(t, m, mapfile.Pass{}), sector.Span(0, m.Disc().Sectors), result)
		}
	}
	killed := func(m *mapfile.Map) {
		_, err := m.AddPass(mapfile.Pass{Started: day})
		must(t, err)
		record(t, m, nil, 0, sector.Span(0, 8), mapfile.Failed)
	}
	wanted := func(m *mapfile.Map) {
		record(t, m, nil, pass(t, m, mapfile.Pass{}), sector.Span(0, 40), mapfile.Failed)
		must(t, m.SetWanted(mapfile.Wanted{Names: []string{"a.vob"}, Sectors: sector.Of(sector.Span(10, 10)), Open: true}))
	}
	dvd := mapfile.Disc{Kind: "dvd", BlockSectors: 16, Sectors: 32000}
	two := mapfile.Disc{Kind: "dvd", BlockSectors: 16, Sectors: 4160000, Layers: []int64{2080000, 2080000}}
	for _, c := range []struct {
		name     string
		disc     mapfile.Disc
		fill     func(m *mapfile.Map)
		customer []string
		bench    []string
	}{
		{"not recognised", mapfile.Disc{}, nil, []string{"No drive has recognised the disc yet"}, []string{"not recognised by a drive yet", "0 sectors"}},
		{"nothing read", dvd, nil, []string{"0 bytes of the 65.5 MB", "65.5 MB, in 1 place, were not asked for"}, []string{"24 to 25 mm"}},
		{"all failed", dvd, whole(mapfile.Failed), []string{"65.5 MB, in 1 place, could not be read by the drive that asked for it", "asked for on the surface as it is now"}, []string{"failed"}},
		{"all good, no files", mapfile.Disc{Sectors: 200}, whole(mapfile.Delivered), []string{"All that is recorded on the disc was saved: 410 kB."}, []string{"Nothing is missing."}},
		{"killed", dvd, killed, []string{"16 kB"}, []string{"did not end in order", "may hold anything"}},
		{"wanted", dvd, wanted, []string{"it is not part of what you asked for"}, []string{"Wanted by the customer: a.vob"}},
		{"two layers", two, killed, []string{"its layer 1"}, []string{"2,080,000; 2,080,000"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := caseOf(t, nil, c.disc, c.fill)
			r := reportOf(t, dir, nil)
			see(t, written(t, r.Customer)).wants(t, c.customer...)
			see(t, written(t, r.Bench)).wants(t, c.bench...)
		})
	}
}

// hostile are names and notes that want to be more than text.
var hostile = []string{
	`<script>alert(1)</script>`, `"><img src=x onerror=alert(2)>`, `</style><script>`, `]]>`, `<!-- `, `&lt;b&gt;`, `{{.Case}}`,
	"javascript:alert(3)", "\x1b[2J\x00\x07", "\u202eexe.vob", "=cmd|' /C calc'!A0", "'; DROP", "日本 & Größe",
}

// Names and notes are text, whatever stands in them.
func TestHostileText(t *testing.T) {
	all := strings.Join(hostile, " ")
	root := vt.File{Dir: true}
	for i, name := range hostile {
		root.Children = append(root.Children, vt.File{Name: fmt.Sprint(i, strings.ReplaceAll(strings.ReplaceAll(name, "/", "_"), "\x00", "")), Data: vt.Bytes(name, 3000)})
	}
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true, Label: "<B>"})
	dir := caseOf(t, image, mapfile.Disc{Identity: map[string]string{all: all}, Seen: &mapfile.Seen{Crack: "no", By: all, Note: all}}, func(m *mapfile.Map) {
		must(t, m.SetDrive(0, mapfile.Drive{Vendor: all, Serial: all, Node: all, Port: all}))
		n := pass(t, m, mapfile.Pass{})
		end := sector.LBA(len(image) / sector.Size)
		record(t, m, image, n, sector.Range{End: end - 2}, mapfile.Delivered)
		record(t, m, image, n, sector.Range{First: end - 2, End: end}, mapfile.Failed)
		m.AddRound(mapfile.Round{Opened: day, By: all, Note: all, Treatments: []mapfile.Treatment{{Typed: all, Word: "other"}}})
		m.AddEvent(mapfile.Event{Time: day, Pass: 0, Kind: all, Text: all})
		m.AddEvent(mapfile.Event{Time: day, Pass: 0, Kind: imager.KindFailedRead, Text: "read 1+1 of X: medium error: " + all})
		must(t, m.SetWanted(mapfile.Wanted{Names: []string{"<b>*", "*"}}))
		must(t, m.SetClosing(mapfile.Closing{State: mapfile.Closed, At: day, By: all, KeepUntil: "2026-12-31"}))
	})
	r := reportOf(t, dir, func(s *Source) {
		s.Name, s.Program = all, all
		s.Letterhead = Letterhead{Name: all, Address: hostile, Note: hostile}
		s.Watched = []Watch{{Path: all, By: all, At: day}}
	})
	for _, p := range []func(io.Writer) error{r.Customer, r.Bench} {
		h := see(t, written(t, p))
		h.wants(t, `<script>alert(1)</script>`, `onerror=alert(2)`, `{{.Case}}`, "日本 & Größe")
		if strings.ContainsAny(h.text, "\x1b\u202e\x00") {
			t.Errorf("the page holds what a screen may obey")
		}
	}
	var doc struct{ Name string }
	if err := json.Unmarshal(written(t, r.JSON), &doc); err != nil || doc.Name != all {
		t.Errorf("JSON: name %q, %v; want it as it is", doc.Name, err)
	}
	lines, err := csv.NewReader(bytes.NewReader(written(t, r.Hours))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range lines[1:] {
		for _, cell := range line {
			if cell != "" && strings.ContainsRune("=+-@", rune(cell[0])) {
				t.Errorf("the cell %q is a formula to a spreadsheet", cell)
			}
		}
	}
	for _, typed := range []string{"=1+1", "+1", "-1", "@x", "\t=1"} {
		if got := noFormula(typed); strings.ContainsAny(got[:1], "=+-@\t") {
			t.Errorf("noFormula(%q) = %q; want no formula", typed, got)
		}
	}
}

// The hours are those of the passes and treatments, a line for each round.
func TestHours(t *testing.T) {
	dir := albumCase(t, nil, []sector.Range{sector.Span(50, 5)}, func(m *mapfile.Map) {
		m.AddRound(mapfile.Round{Opened: day, By: "Sam", Treatments: []mapfile.Treatment{{Typed: "clean", Word: "clean"}, {Typed: "polish fine, 90 s", Word: "polish", Seconds: 90}}})
		for _, s := range []float64{60, 90} {
			pass(t, m, mapfile.Pass{Round: 1, Seconds: s})
		}
		pass(t, m, mapfile.Pass{Round: 1, Drive: -1, Seconds: 1000, Origin: &mapfile.Origin{Case: "OTHER"}})
		m.AddRound(mapfile.Round{Opened: day, Treatments: []mapfile.Treatment{{Typed: "polish fine, 2 min", Word: "polish", Seconds: 120}}})
	})
	r := reportOf(t, dir, nil)
	text := written(t, r.Hours)
	if !bytes.Contains(text, []byte("\r\n")) {
		t.Errorf("lines do not end as RFC 4180 has it")
	}
	lines, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil || len(lines) != 4 || !slices.Equal(lines[0], hoursHead) {
		t.Fatalf("hours = %q, %v; want a head and three rounds", lines, err)
	}
	for i, want := range [][]string{
		{"0", "2026-03-04 17:06", "the disc as it came in", "", "0.0", "yes", "1", "1.7", ""},
		{"1", "2026-03-04 17:06", "clean; polish fine, 90 s", "Sam", "1.5", "no", "2", "2.5", "0"},
		{"2", "2026-03-04 17:06", "polish fine, 2 min", "", "2.0", "yes", "0", "0.0", "0"},
	} {
		if want[8] == "" {
			want[8] = strconv.FormatInt(r.Standing.Good, 10)
		}
		if !slices.Equal(lines[i+1], want) {
			t.Errorf("round %d = %q; want %q", i, lines[i+1], want)
		}
	}
	if got := r.Total(); got.Drive != 250 || got.Bench != 210 || got.Passes != 3 || got.Noted {
		t.Errorf("Total() = %+v; want 250 s of drives, 210 s at the bench and more, 3 passes", got)
	}
}

// Of a discarded case the figures are told, and no names.
func TestPagesOfADiscardedCase(t *testing.T) {
	dir := albumCase(t, []sector.Range{sector.Span(40, 4)}, nil, func(m *mapfile.Map) {
		must(t, m.SetWanted(mapfile.Wanted{Names: []string{"a.vob"}, Sectors: sector.Of(sector.Span(24, 100))}))
	})
	before := reportOf(t, dir, nil)
	if before.Files == nil || len(before.Files.List) != 5 {
		t.Fatalf("files = %+v; want 5", before.Files)
	}
	if _, err := imager.Discard(dir, imager.Writer{Now: func() time.Time { return day }}, "Kim"); err != nil {
		t.Fatal(err)
	}
	r := reportOf(t, dir, nil)
	if r.Files != nil || r.Standing != before.Standing || len(r.Missing) != len(before.Missing) || r.Wanted != nil {
		t.Errorf("report = %+v; want the figures as they were, and no files", r)
	}
	see(t, written(t, r.Bench)).wants(t, "Discarded 4 March 2026, 17:06 CET (UTC+01:00) by Kim", "Deleted, with their names.", "could not be read on this surface 4 sectors")
	see(t, written(t, r.Customer)).wants(t, "Our copy was deleted on 4 March 2026")
	for _, p := range []func(io.Writer) error{r.Bench, r.Customer, r.JSON, r.Hours} {
		if bytes.Contains(written(t, p), []byte("vob")) {
			t.Errorf("a name is told of what is deleted")
		}
	}
}

// The sums on the page are those that sha256sum of coreutils makes.
func TestSumsAgainstSha256sum(t *testing.T) {
	dir := albumCase(t, []sector.Range{sector.Span(40, 4)}, nil, nil)
	if s := reportOf(t, dir, nil).Sums; s.Image != "" || s.Why != "none is kept" || s.Listed {
		t.Errorf("sums = %+v; want none yet", s)
	}
	c, err := imager.Open(dir, imager.Writer{Now: time.Now})
	must(t, err)
	_, err = c.SumImage(t.Context(), nil)
	must(t, errors.Join(err, c.Close()))
	out, err := exec.Command(tool(t, "sha256sum", "coreutils"), filepath.Join(dir, "image.iso")).Output()
	must(t, err)
	want, _, _ := strings.Cut(string(out), " ")
	r := reportOf(t, dir, nil)
	if r.Sums.Image != want {
		t.Errorf("sum of the image = %q; want sha256sum's %q", r.Sums.Image, want)
	}
	see(t, written(t, r.Bench)).wants(t, want)
	check := exec.Command("sha256sum", "-c", "image.sha256")
	check.Dir = dir
	if out, err := check.CombinedOutput(); err != nil {
		t.Errorf("sha256sum -c: %v: %s", err, out)
	}
	// Once the image is written to the sum is no longer told.
	now := time.Now().Add(time.Minute)
	must(t, os.Chtimes(filepath.Join(dir, "image.iso"), now, now))
	if s := reportOf(t, dir, nil).Sums; s.Image != "" || !strings.Contains(s.Why, "written to since") {
		t.Errorf("sums = %+v; want none since the image was written to", s)
	}
}

// tool finds a program that others wrote, of a Debian package.
func tool(t testing.TB, name, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is missing (apt package %s)", name, pkg)
		}
		t.Skipf("%s is missing (apt package %s)", name, pkg)
	}
	return path
}
