package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/device/sim/press"
)

// pressed is a case of a small invented DVD-Video of two films, 40 s and 25 s, without
// the sectors of missing.
func pressed(t *testing.T, missing func(sectors int64) sector.Set) (disc, dir string, sectors int64) {
	t.Helper()
	made := time.Date(2009, 8, 7, 6, 5, 4, 0, time.UTC)
	d := press.Disc{Label: "FILMS", Made: made, Menu: 2 * time.Second, Sectors: 5000,
		Films: []press.Film{{Length: 40 * time.Second, Made: made}, {Length: 25 * time.Second, Made: made}}}
	var b bytes.Buffer
	if err := d.Write(&b); err != nil {
		t.Fatal(err)
	}
	at := t.TempDir()
	disc, dir, sectors = filepath.Join(at, "disc.iso"), filepath.Join(at, "case"), int64(b.Len()/sector.Size)
	if err := os.WriteFile(disc, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	holes, good := missing(sectors), sector.Of(sector.Span(0, sectors))
	good = good.Subtract(&holes)
	var list []string
	for r := range good.Runs() {
		list = append(list, r.String())
	}
	if r := turnstone(t, "merge", dir, "--image", disc, "--good", strings.Join(list, ",")); r.code != exitDone && r.code != exitMissing {
		t.Fatalf("merge = %d: %s%s", r.code, r.out, r.err)
	}
	return disc, dir, sectors
}

// decoded is how many pictures ffprobe decodes of a file.
func decoded(t *testing.T, file string) int {
	t.Helper()
	out := output(t, tool(t, "ffprobe", "Debian: ffmpeg"), "-v", "quiet", "-select_streams", "v", "-count_frames", "-show_entries", "stream=nb_read_frames", "-of", "default=nw=1:nk=1", file)
	f := strings.Fields(out)
	if len(f) == 0 {
		t.Fatalf("ffprobe finds no video stream in %s", file)
	}
	n, err := strconv.Atoi(f[0])
	if err != nil {
		t.Fatalf("ffprobe of %s: %q", file, out)
	}
	return n
}

// Clips, and films that are cut, open with ffprobe and have about as many pictures as is
// said; the playlist is XML by xmllint's judgement and names files that are there. Film
// times are those that ffprobe counts on the whole files.
func TestPlayersOpenWhatIsCut(t *testing.T) {
	t.Parallel()
	xmllint := tool(t, "xmllint", "Debian: libxml2-utils")
	_, whole, _ := pressed(t, func(int64) sector.Set { return sector.Set{} })
	all := filepath.Join(filepath.Dir(whole), "all")
	turnstone(t, "extract", whole, all).is(exitDone)
	pictures := map[string]int{}
	for path, f := range listing(t, whole) {
		if strings.HasSuffix(path, "_1.VOB") && f.Kind == "file" {
			pictures[path] = decoded(t, filepath.Join(all, path))
		}
	}
	for _, x := range filmDocs(t, whole) {
		if n := pictures[x.Files[0]]; x.Seconds == nil || math.Abs(*x.Seconds*25-float64(n)) > 1 || x.State != "whole" {
			t.Errorf("%s is %s and lasts %v s; ffprobe decodes %d pictures of it", x.Name, x.State, x.Seconds, n)
		}
	}

	first := listing(t, whole)["VIDEO_TS/VTS_01_1.VOB"].Sectors[0]
	var at, n int64
	if _, err := fmt.Sscanf(first, "%d+%d", &at, &n); err != nil {
		t.Fatal(err)
	}
	holes := sector.Of(sector.Span(sector.LBA(at), 9), sector.Span(sector.LBA(at+n/2), 5))
	_, dir, _ := pressed(t, func(int64) sector.Set { return holes })
	in := func(name string) string { return filepath.Join(filepath.Dir(dir), name) }

	turnstone(t, "extract", dir, in("cut"), "--damaged", "cut", "VTS_01_1.VOB").is(exitMissing)
	cut, film := decoded(t, in("cut/VIDEO_TS/VTS_01_1.VOB")), filmDocs(t, dir)[0]
	want := (*film.Seconds - film.Lost) * 25
	if float64(cut) < want-2 || cut > 1000 {
		t.Errorf("ffprobe decodes %d pictures of the film that is cut; want %.0f of 1,000", cut, want)
	}

	turnstone(t, "files", dir, "--peek", in("peek")).is(exitDone, "6 clips", "2 films")
	r := turnstone(t, "files", dir, "--watch", in("w.xspf")).is(exitDone, "2 around gaps", "--watched yes --by NAME")
	output(t, xmllint, "--noout", in("w.xspf"))
	list, err := os.ReadFile(in("w.xspf"))
	if err != nil {
		t.Fatal(err)
	}
	clips := 0
	for _, folder := range []string{"peek", "w-clips"} {
		files, err := os.ReadDir(in(folder))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if got := decoded(t, filepath.Join(in(folder), f.Name())); got < 100 || got > 300 {
				t.Errorf("ffprobe decodes %d pictures of %s; want some 250", got, f.Name())
			}
			if name := strings.ReplaceAll(f.Name(), " ", "%20"); folder == "w-clips" && !bytes.Contains(list, []byte("<location>w-clips/"+name+"</location>")) {
				t.Errorf("the playlist does not name %s", f.Name())
			} else if folder == "w-clips" {
				clips++
			}
		}
	}
	if !strings.Contains(r.out, fmt.Sprintf("%d places", clips)) {
		t.Errorf("files --watch tells\n%sand %d clips are there", r.out, clips)
	}
}

// filmDocs is the films of files --json.
func filmDocs(t *testing.T, dir string) []filmDoc {
	t.Helper()
	var doc struct{ Films []filmDoc }
	if err := json.Unmarshal([]byte(turnstone(t, "files", dir, "--json").is(exitDone).out), &doc); err != nil {
		t.Fatal(err)
	}
	return doc.Films
}
