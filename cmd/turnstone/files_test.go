package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	vt "turnstone/imager/volume/volumetest"
	"turnstone/mapfile"
)

// discOfTree makes a disc of the sample tree with genisoimage, and a case of it; good
// says which sectors of it the case has.
func discOfTree(t *testing.T, good func(sectors int64) string, options ...string) (source, disc, dir string) {
	t.Helper()
	at := t.TempDir()
	source, disc, dir = filepath.Join(at, "source"), filepath.Join(at, "disc.iso"), filepath.Join(at, "case")
	if err := os.Mkdir(source, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := vt.Put(vt.Sample(), source); err != nil {
		t.Fatal(err)
	}
	args := append([]string{"-quiet", "-input-charset", "utf-8"}, options...)
	output(t, tool(t, "genisoimage", "Debian: genisoimage"), append(args, "-o", disc, source)...)
	info, err := os.Stat(disc)
	if err != nil {
		t.Fatal(err)
	}
	r := turnstone(t, "merge", dir, "--image", disc, "--good", good(info.Size()/sector.Size))
	if r.code != exitDone && r.code != exitMissing {
		t.Fatalf("merge = %d: %s%s", r.code, r.out, r.err)
	}
	return source, disc, dir
}

func allOfIt(sectors int64) string { return fmt.Sprintf("0+%d", sectors) }

// listing is the files of files --json, by path.
func listing(t *testing.T, dir string) map[string]fileDoc {
	t.Helper()
	var doc struct{ Files []fileDoc }
	if err := json.Unmarshal([]byte(turnstone(t, "files", dir, "--json").is(exitDone).out), &doc); err != nil {
		t.Fatal(err)
	}
	all := map[string]fileDoc{}
	for _, f := range doc.Files {
		if _, twice := all[f.Path]; twice {
			t.Errorf("%q is listed twice", f.Path)
		}
		all[f.Path] = f
	}
	return all
}

// The listing is that of isoinfo (genisoimage) and bsdtar (libarchive): the same paths,
// sizes and places; and what is written out is what genisoimage was given, and what
// bsdtar writes out.
func TestFilesAsOthersListThem(t *testing.T) {
	t.Parallel()
	for _, options := range [][]string{{"-R"}, {"-J", "-joliet-long", "-R"}, {"-J", "-joliet-long", "-R", "-udf"}} {
		t.Run(strings.Join(options, " "), func(t *testing.T) {
			source, disc, dir := discOfTree(t, allOfIt, options...)
			ours := listing(t, dir)

			// isoinfo -l -R: mode, links, user, group, size, date, [ first sector flags] name,
			// below a line with the directory's path.
			text := output(t, tool(t, "isoinfo", "Debian: genisoimage"), "-l", "-R", "-i", disc)
			line := regexp.MustCompile(`^([-d])\S+\s+\d+\s+\d+\s+\d+\s+(\d+) .{11} \[\s*(\d+) \d\d\]\s+(.*?)\s*$`)
			in, theirs := "", 0
			for l := range strings.SplitSeq(text, "\n") {
				if path, ok := strings.CutPrefix(l, "Directory listing of /"); ok {
					in = path
					continue
				}
				m := line.FindStringSubmatch(l)
				if m == nil || m[4] == "." || m[4] == ".." {
					continue
				}
				theirs++
				f, ok := ours[in+m[4]]
				size, _ := strconv.ParseInt(m[2], 10, 64)
				switch {
				case !ok:
					t.Errorf("isoinfo lists %q, files --json does not", in+m[4])
				case m[1] == "d" != (f.Kind == "folder"):
					t.Errorf("%q is a %s; isoinfo says %s", f.Path, f.Kind, l)
				case m[1] == "-" && (f.Size == nil || *f.Size != size):
					t.Errorf("%q has the size %v; isoinfo says %d", f.Path, f.Size, size)
				case m[1] == "-" && size > 0 && !strings.HasPrefix(f.Sectors[0], m[3]+"+"):
					t.Errorf("%q lies in %v; isoinfo says from %s on", f.Path, f.Sectors, m[3])
				}
			}
			if theirs != len(ours) {
				t.Errorf("files --json lists %d; isoinfo %d", len(ours), theirs)
			}

			bsdtar := tool(t, "bsdtar", "Debian: libarchive-tools")
			out, theirOut := filepath.Join(filepath.Dir(dir), "out"), filepath.Join(filepath.Dir(dir), "tar")
			turnstone(t, "extract", dir, out).is(exitDone)
			if err := os.Mkdir(theirOut, 0o700); err != nil {
				t.Fatal(err)
			}
			output(t, bsdtar, "-x", "-f", disc, "-C", theirOut)
			sameTree(t, out, source)
			sameTree(t, out, theirOut)
		})
	}
}

// sameTree compares two folders: paths, bytes, and when files were changed.
func sameTree(t *testing.T, got, want string) {
	t.Helper()
	count := func(dir string) (n int) {
		filepath.WalkDir(dir, func(string, fs.DirEntry, error) error { n++; return nil })
		return n
	}
	if a, b := count(got), count(want); a != b {
		t.Errorf("%s holds %d entries; %s %d", got, a, want, b)
	}
	err := filepath.WalkDir(want, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(want, path)
		mine := filepath.Join(got, rel)
		if d.IsDir() {
			if info, err := os.Stat(mine); err != nil || !info.IsDir() {
				t.Errorf("%s is no folder: %v", rel, err)
			}
			return nil
		}
		a, aerr := os.ReadFile(mine)
		b, berr := os.ReadFile(path)
		if aerr != nil || berr != nil || !bytes.Equal(a, b) {
			t.Errorf("%s is not the same: %v, %v", rel, aerr, berr)
		}
		was, _ := os.Stat(path)
		if is, err := os.Stat(mine); err == nil && !is.ModTime().Equal(was.ModTime()) {
			t.Errorf("%s is of %v; want %v", rel, is.ModTime(), was.ModTime())
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// With holes nothing is called whole that is not, and what is there of a damaged file is
// written: compared byte by byte with what genisoimage was given.
func TestFilesWithHolesAreTrue(t *testing.T) {
	t.Parallel()
	holes := func(n int64) string { // every 15th sector from 400 on, and 30 near the end
		good := []string{"0-399"}
		for a := int64(400); a+15 < n-60; a += 15 {
			good = append(good, fmt.Sprintf("%d-%d", a+1, a+14))
		}
		return strings.Join(append(good, fmt.Sprintf("%d-%d", n-30, n-1)), ",")
	}
	source, _, dir := discOfTree(t, holes, "-R", "-J", "-joliet-long", "-udf")
	out := filepath.Join(filepath.Dir(dir), "out")
	turnstone(t, "extract", dir, out).is(exitMissing)
	states := map[string]int{}
	for path, f := range listing(t, dir) {
		if f.Kind != "file" {
			continue
		}
		states[f.State]++
		want, err := os.ReadFile(filepath.Join(source, path))
		if err != nil {
			t.Errorf("%q is listed and was never given: %v", path, err)
			continue
		}
		for _, gap := range f.Gaps {
			clear(want[gap[0] : gap[0]+gap[1]])
		}
		if got, err := os.ReadFile(filepath.Join(out, path)); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%q, %s, is not what was given with zeros at %v: %v", path, f.State, f.Gaps, err)
		}
		if _, err := os.Stat(filepath.Join(out, path+".missing.txt")); (err == nil) != (f.State != "whole") {
			t.Errorf("%q is %s, and its list: %v", path, f.State, err)
		}
	}
	if states["whole"] < 10 || states["damaged"] < 10 {
		t.Errorf("states = %v; want some of both, or the test shows little", states)
	}
}

// While a process holds the case, want is refused with the process named; files,
// status and extract work.
func TestWantIsRefused(t *testing.T) {
	t.Parallel()
	_, _, dir := discOfTree(t, allOfIt, "-R")
	c, err := imager.Open(dir, imager.Writer{Command: "turnstone read by a test", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	turnstone(t, "want", dir, "one.byte").is(exitFailed, fmt.Sprintf("in use by process %d (turnstone read by a test)", os.Getpid()))
	turnstone(t, "want", dir).is(exitDone, "Everything is wanted")
	turnstone(t, "files", dir).is(exitDone, "are whole")
	turnstone(t, "files", dir, "--sums").is(exitDone)
	turnstone(t, "check", dir, "--files").is(exitDone, "as the kept sums say")
	turnstone(t, "status", dir).is(exitDone, "are whole")
	turnstone(t, "extract", dir, filepath.Join(filepath.Dir(dir), "out")).is(exitDone)
}

// Ctrl-C ends an extraction with nothing half under its name, and 3.
func TestExtractIsInterrupted(t *testing.T) {
	t.Parallel()
	at := t.TempDir()
	root := vt.File{Dir: true}
	for i := range 300 {
		name := fmt.Sprintf("film %03d.vob", i)
		root.Children = append(root.Children, vt.File{Name: name, Data: vt.Bytes(name, 1<<20)})
	}
	disc, dir, out := filepath.Join(at, "disc.iso"), filepath.Join(at, "case"), filepath.Join(at, "out")
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true})
	if err := os.WriteFile(disc, image, 0o600); err != nil {
		t.Fatal(err)
	}
	turnstone(t, "merge", dir, "--image", disc, "--good", allOfIt(int64(len(image)/sector.Size))).is(exitDone)
	r := start(t, "extract", dir, out)
	for deadline := time.Now().Add(tooLate); ; time.Sleep(time.Millisecond) { // until it writes
		if entries, _ := os.ReadDir(filepath.Join(out, ".turnstone-part")); len(entries) > 3 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("nothing is written")
		}
	}
	if err := r.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	res := r.wait()
	if res.code != exitMissing && res.code != exitDone { // it may have been done by then
		t.Errorf("extract = %d; want %d; it said:\n%s%s", res.code, exitMissing, res.out, res.err)
	}
	entries, err := os.ReadDir(out)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if b, err := os.ReadFile(filepath.Join(out, e.Name())); err != nil || !bytes.Equal(b, vt.Bytes(e.Name(), 1<<20)) {
			t.Errorf("%s has its name and is not whole: %d bytes, %v", e.Name(), len(b), err)
		}
	}
	t.Logf("%d of 300 files were written: %d", len(entries), res.code)
}

// What a disc says is shown so that a terminal obeys none of it.
func TestShown(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"VTS_01_1.VOB", "VTS_01_1.VOB"}, {"Größe – 日本語.txt", "Größe – 日本語.txt"}, {"a b", "a b"},
		{"a\x1b[2Jb", `"a\x1b[2Jb"`}, {"a\nb", `"a\nb"`}, {"\u202egpj.exe", `"\u202egpj.exe"`}, {"\xff", `"\xff"`},
	} {
		if got := shown(c.text); got != c.want {
			t.Errorf("shown(%q) = %s; want %s", c.text, got, c.want)
		}
	}
}

// How many files are whole, in words.
func TestTallyInWords(t *testing.T) {
	for _, c := range []struct {
		tally imager.Tally
		want  string
	}{
		{imager.Tally{}, "No files are listed."},
		{imager.Tally{Files: 1, Whole: 1, Bytes: 1, There: 1}, "The one file is whole, 1 byte."},
		{imager.Tally{Files: 1, Unknown: 1, Bytes: 5000, There: 0}, "The one file is unknown, 0 bytes of 5 kB."},
		{imager.Tally{Files: 3, Whole: 3, Bytes: 5e6, There: 5e6}, "All 3 files are whole, 5.0 MB."},
		{imager.Tally{Files: 3, Whole: 1, Damaged: 1, Disputed: 1, Bytes: 5e9, There: 4e9}, "1 of 3 files is whole, 4.00 GB of 5.00 GB; 1 damaged, 1 disputed."},
		{imager.Tally{Files: 2000, Whole: 1999, Unknown: 1, Bytes: 900, There: 900, Partial: 2},
			"1,999 of 2,000 files are whole, 900 bytes of 900 bytes; 1 unknown; 2 folders are listed in part or not at all."},
		{imager.Tally{Files: 2, Damaged: 2, Bytes: 10}, "None of 2 files is whole, 0 bytes of 10 bytes; 2 damaged."},
	} {
		if got := tallyInWords(c.tally); got != c.want {
			t.Errorf("tallyInWords(%+v) = %q; want %q", c.tally, got, c.want)
		}
	}
}

// What stands of a case of which not all is wanted.
func TestStandingOfWanted(t *testing.T) {
	m := mapfile.New("invented")
	m.AddRound(mapfile.Round{})
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: 1000, BlockSectors: 16, Written: sector.Of(sector.Span(0, 1000))}); err != nil {
		t.Fatal(err)
	}
	n := m.AddDrive(mapfile.Drive{Node: "/dev/sr0"})
	pass, err := m.AddPass(mapfile.Pass{Drive: n})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Record(pass, mapfile.Run{Range: sector.Span(100, 50), Result: mapfile.Failed}, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := m.Record(pass, mapfile.Run{Range: sector.Span(150, 50), Result: mapfile.Delivered}, make([]uint32, 50)); err != nil {
		t.Fatal(err)
	}
	if err := m.SetWanted(mapfile.Wanted{Names: []string{"a"}, Sectors: sector.Of(sector.Span(120, 200))}); err != nil {
		t.Fatal(err)
	}
	want := "50 of 200 sectors of the wanted files are in the image (102 kB, 25.0 %); 150 are missing (307 kB).\n" +
		"  30 missing, failed on this surface\n  120 missing, not asked yet\n" +
		"Of the rest of the disc 800 sectors are missing, not asked for.\n"
	if got := standing(imager.StatusOf(m)); got != want {
		t.Errorf("standing() =\n%s\nwant\n%s", got, want)
	}
	var s sentence
	p := imager.Progress{Round: 1, At: sector.Span(5, 1), Missing: 3104, Choosy: true, Wanted: 12}
	if got, want := s.of(p), "3,104 missing, 12 of them in wanted files"; !strings.Contains(got, want) {
		t.Errorf("sentence = %q; want %q in it", got, want)
	}
}
