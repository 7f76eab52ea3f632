package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// A Video CD that vcdimager made (Debian; sectors of form 1 and form 2 with their codes,
// made by a program that is not ours), with scratches: what the program reads of it are
// the bytes of vcdimager's raw image.
func TestVideoCD(t *testing.T) {
	t.Parallel()
	ffmpeg := tool(t, "ffmpeg", "Debian: ffmpeg")
	vcdimager := tool(t, "vcdimager", "Debian: vcdimager")
	dir := t.TempDir()
	film, cue, raw := filepath.Join(dir, "film.mpg"), filepath.Join(dir, "disc.cue"), filepath.Join(dir, "disc.bin")
	output(t, ffmpeg, "-v", "error", "-f", "lavfi", "-i", "testsrc=size=352x288:rate=25:duration=6",
		"-f", "lavfi", "-i", "sine=frequency=440:duration=6", "-target", "pal-vcd", film)
	output(t, vcdimager, "-t", "vcd2", "-l", "INVENTED", "-c", cue, "-b", raw, film)
	disc, err := os.ReadFile(raw)
	if err != nil {
		t.Fatal(err)
	}
	all := len(disc) / rawSector
	files := cueStart(t, cue, "INDEX 01", 1) // the track of the streams begins there
	scenario := filepath.Join(dir, "disc.json")
	// Marks, drive and seed are invented.
	text, err := json.Marshal(map[string]any{
		"seed": 5,
		"disc": map[string]any{"kind": "cd", "sectors": all, "content": map[string]any{"raw_image": raw},
			"tracks": []any{map[string]any{"mode": "form1", "sectors": files}, map[string]any{"mode": "form2", "sectors": all - files}}},
		"marks":  []any{map[string]any{"arc": map[string]any{"r_mm": 25.06, "from_deg": 20, "to_deg": 50, "width_mm": 0.36, "depth_um": 20}}},
		"drives": []any{map[string]any{"name": "A", "retries": 2, "stall": map[string]any{"chance": 0}}},
		"rounds": []any{map[string]any{}},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(scenario, text, 0o600); err != nil {
		t.Fatal(err)
	}
	dirOfCase := filepath.Join(dir, "case")
	var out, errs bytes.Buffer
	run([]string{"read", dirOfCase, "--drive", scenario + ":A"}, streams{strings.NewReader(""), &out, &errs})
	m, err := imager.Load(dirOfCase)
	if err != nil {
		t.Fatalf("%v\n%s%s", err, &out, &errs)
	}
	image, err := os.ReadFile(filepath.Join(dirOfCase, "image.iso"))
	if err != nil {
		t.Fatal(err)
	}
	good, repaired := 0, int64(0)
	for a := range m.Disc().Sectors {
		if m.State(sector.LBA(a)) != mapfile.Good {
			continue
		}
		good++
		if want := disc[a*rawSector+24:][:sector.Size]; !bytes.Equal(image[a*sector.Size:][:sector.Size], want) {
			t.Fatalf("sector %d of the image is not vcdimager's", a)
		}
	}
	for n := range m.Passes() {
		k, _ := m.Repaired(n)
		repaired += k
	}
	beside := imager.FormTwoOf(dirOfCase, m)
	if beside == nil {
		t.Fatalf("nothing of form 2 was found\n%s%s", &out, &errs)
	}
	two, err := os.ReadFile(filepath.Join(dirOfCase, "form2.bin"))
	if err != nil {
		t.Fatal(err)
	}
	there := int64(0)
	for a := 0; (a+1)*rawSector <= len(two); a++ {
		got := two[a*rawSector:][:rawSector]
		if bytes.Equal(got, make([]byte, rawSector)) {
			continue // a hole
		}
		there++
		if !bytes.Equal(got, disc[a*rawSector:][:rawSector]) {
			t.Fatalf("sector %d of form2.bin is not vcdimager's", a)
		}
	}
	t.Logf("%d sectors: %d in the image, %d of them put together; of form 2 %+v", all, good, repaired, *beside)
	if there != beside.Good || beside.Good < beside.Sectors*9/10 || good < 200 || beside.Sectors+int64(good) < int64(all)*9/10 {
		t.Errorf("%d good of %d; beside them %d of %d of form 2, %d of them in the file; want nearly all\n%s", good, all, beside.Good, beside.Sectors, there, &out)
	}
	film2 := extractedFilm(t, dirOfCase, filepath.Join(dir, "out"))
	pack := bytes.Index(film2, []byte{0, 0, 1, 0xBA}) // the sectors in front of the first pack are empty
	if pack < 0 || pack%2324 != 0 {
		t.Fatalf("the first pack of the film begins at its byte %d; want it to begin with a sector", pack)
	}
	at := bytes.Index(disc, film2[pack:][:100]) - pack/2324*rawSector
	if at%rawSector != 24 {
		t.Fatalf("the film's first bytes stand at %d of the disc; want them at byte 24 of a sector", at)
	}
	for i := 0; i < len(film2); i, at = i+2324, at+rawSector {
		if !bytes.Equal(film2[i:i+2324], disc[at:][:2324]) {
			t.Fatalf("byte %d of the film that was extracted is not vcdimager's", i)
		}
	}
	// And an MPEG stream of six seconds, by the words of ffprobe (ffmpeg).
	probe := output(t, tool(t, "ffprobe", "Debian: ffmpeg"), "-v", "error", "-show_entries", "format=format_name,duration", "-of", "csv=p=0",
		filepath.Join(dir, "out", "MPEGAV", "AVSEQ01.DAT"))
	name, length, _ := strings.Cut(strings.TrimSpace(probe), ",")
	seconds, err := strconv.ParseFloat(length, 64)
	if err != nil || name != "mpeg" || seconds < 5 || seconds > 7 {
		t.Errorf("ffprobe says %q of the film; want an MPEG stream of 6 s", probe)
	}
	filmOfVideoCD(t, dir, scenario, dirOfCase, film2)
	if len(m.Passes()) != 1 || m.Passes()[0].How != imager.HowComplete {
		t.Errorf("the pass ended %q; want %q\n%s%s", m.Passes()[0].How, imager.HowComplete, &out, &errs)
	}
}

// extractedFilm is the bytes of the Video CD's film, which has to be whole.
func extractedFilm(t *testing.T, from, to string) []byte {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run([]string{"extract", from, to}, streams{strings.NewReader(""), &out, &errs}); code != exitDone {
		t.Errorf("extract = %d; want %d\n%s%s", code, exitDone, &out, &errs)
	}
	b, err := os.ReadFile(filepath.Join(to, "MPEGAV", "AVSEQ01.DAT"))
	if err != nil {
		t.Fatalf("%v\n%s%s", err, &out, &errs)
	}
	if len(b) == 0 || len(b)%2324 != 0 {
		t.Fatalf("the film has %d bytes; want 2,324 for each sector", len(b))
	}
	return b
}

// rawSector is the bytes of a whole CD sector (ECMA-130, clause 14).
const rawSector = 2352

// cueStart is the sector that an index of a cue sheet names, of those with that name.
func cueStart(t *testing.T, cue, index string, number int) int {
	t.Helper()
	b, err := os.ReadFile(cue)
	if err != nil {
		t.Fatal(err)
	}
	parts := strings.Split(string(b), index+" ")
	var m, s, f int
	if len(parts) < number+2 {
		t.Fatalf("the cue sheet has no %s number %d:\n%s", index, number, b)
	}
	if _, err := fmt.Sscanf(parts[number+1], "%d:%d:%d", &m, &s, &f); err != nil {
		t.Fatal(err)
	}
	return (m*60+s)*75 + f
}
