package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/imager"
)

// filmOfVideoCD proves what a case of a Video CD says of its film, and that the film is as
// whole at another station, and where it alone was wanted.
func filmOfVideoCD(t *testing.T, dir, scenario, from string, film []byte) {
	t.Helper()
	do := func(want int, args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		if code := run(args, streams{strings.NewReader(""), &out, &errs}); code != want {
			t.Fatalf("%s = %d; want %d\n%s%s", args[0], code, want, &out, &errs)
		}
		return out.String()
	}
	sizeIn := func(dir string) (size, missing int64, state string) {
		t.Helper()
		var d struct{ Files []fileDoc }
		if err := json.Unmarshal([]byte(do(exitDone, "files", dir, "--json")), &d); err != nil {
			t.Fatal(err)
		}
		for _, f := range d.Files {
			if f.Path == "MPEGAV/AVSEQ01.DAT" && f.Size != nil {
				return *f.Size, f.Missing, f.State
			}
		}
		t.Fatal("files --json knows no film with a size")
		return 0, 0, ""
	}
	// The directory's own size is of 2,048 bytes a sector.
	if size, missing, state := sizeIn(from); size != int64(len(film)) || missing != 0 || state != "whole" {
		t.Errorf("files says %d bytes, %d missing, %s; want %d, 0, whole", size, missing, state, len(film))
	}
	// Its play time, from the bytes beside the image.
	var out, errs bytes.Buffer
	if code := run([]string{"files", from}, streams{strings.NewReader(""), &out, &errs}); code != exitDone || errs.Len() > 0 ||
		!strings.Contains(out.String(), "The one film is whole:\n  AVSEQ01.DAT  0:00:06, whole\n") {
		t.Errorf("files = %d; want %d, and a film of six seconds, whole\n%s%s", code, exitDone, &out, &errs)
	}
	clips := filepath.Join(dir, "clips")
	do(exitDone, "files", from, "--peek", clips)
	cut, err := filepath.Glob(filepath.Join(clips, "*.mpg"))
	if err != nil || len(cut) == 0 {
		t.Errorf("--peek cut %q (%v); want clips of the film", cut, err)
	}
	for _, name := range cut {
		if b, err := os.ReadFile(name); err != nil || !bytes.Contains(film, b) {
			t.Errorf("%s is no part of the film (%v)", name, err)
		}
	}
	// Through a pass file.
	file, away := filepath.Join(dir, "disc.pass"), filepath.Join(dir, "away")
	if said := do(exitDone, "pack", from, file); !strings.Contains(said, " of form 2 from beside the image") {
		t.Errorf("pack says %q; want sectors of form 2 told", said)
	}
	if said := do(exitDone, "unpack", file, away); !strings.Contains(said, " of form 2, which lie beside the image.") {
		t.Errorf("unpack says %q; want sectors of form 2 told", said)
	}
	if got := extractedFilm(t, away, filepath.Join(dir, "out-away")); !bytes.Equal(got, film) {
		t.Error("the film from a case that was unpacked is another one")
	}
	do(exitDone, "check", away, "--deep")
	m, err := imager.Load(from)
	if err != nil {
		t.Fatal(err)
	}
	// Where no directory came the film is found by its content.
	lost := filepath.Join(dir, "lost")
	do(exitMissing, "read", lost, "--drive", scenario+":A", "--only", fmt.Sprintf("300-%d", m.Disc().Sectors-1))
	if said := do(exitDone, "files", lost); !strings.Contains(said, "Found by content, told of by no directory: 1 file\n") || !strings.Contains(said, "0:00:06") {
		t.Errorf("files says %q of a disc without directories; want a film of six seconds found", said)
	}
	do(exitDone, "extract", lost, filepath.Join(dir, "out-lost"))
	some, err := filepath.Glob(filepath.Join(dir, "out-lost", imager.FoundFolder, "film-at-*.dat"))
	if err != nil || len(some) != 1 {
		t.Fatalf("extract wrote %q (%v); want the film that was found", some, err)
	}
	if b, err := os.ReadFile(some[0]); err != nil || !bytes.Contains(b, film) {
		t.Errorf("what was found by content does not hold the film (%v)", err)
	}
	// Where the film alone is wanted: once what tells of it was read.
	wanted := filepath.Join(dir, "wanted")
	do(exitMissing, "read", wanted, "--drive", scenario+":A", "--only", "0-299")
	size, missing, state := sizeIn(wanted)
	if size != int64(len(film)) || missing != size || state != "damaged" {
		t.Errorf("files of what was not read says %d bytes, %d missing, %s; want %d, all, damaged", size, missing, state, len(film))
	}
	sectors := fmt.Sprintf("0 of %d sectors of form 2 of the wanted films", len(film)/2324)
	if said := do(exitDone, "want", wanted, "AVSEQ01.DAT"); !strings.Contains(said, sectors) || !strings.Contains(said, "Read them:") {
		t.Errorf("want says %q; want %q, and how to read them", said, sectors)
	}
	if said, want := thereInWords(imager.ListCase(wanted)), fmt.Sprintf("0 %%, %d missing", len(film)/2324); said != want {
		t.Errorf("a list of cases says %q of it; want %q", said, want)
	}
	// What another station is to read has the film's sectors, too.
	if m, err = imager.Load(wanted); err != nil {
		t.Fatal(err)
	}
	if list, want := do(exitDone, "status", wanted, "--list", "missing"), fmt.Sprintf("300+%d\n", m.Disc().Sectors-300); list != want {
		t.Errorf("status --list missing gives %q; want %q", list, want)
	}
	do(exitDone, "read", wanted, "--drive", scenario+":A")
	if m, err = imager.Load(wanted); err != nil {
		t.Fatal(err)
	}
	st := imager.StatusIn(wanted, m)
	if st.Wanted == nil || st.Missing() != 0 || st.FormTwo.Wanted == nil || st.FormTwo.Wanted.Good != int64(len(film)/2324) {
		t.Errorf("status after it: %+v, of form 2 %+v; want the film, and nothing missing", st.Wanted, st.FormTwo)
	}
	if said := do(exitDone, "status", wanted); !strings.Contains(said, "sectors of form 2 of the wanted films are beside the image") {
		t.Errorf("status says %q; want the wanted film told", said)
	}
	out.Reset()
	errs.Reset()
	to := filepath.Join(dir, "out-wanted")
	if code := run([]string{"extract", wanted, to, "AVSEQ01.DAT"}, streams{strings.NewReader(""), &out, &errs}); code != exitDone {
		t.Errorf("extract = %d; want %d\n%s%s", code, exitDone, &out, &errs)
	}
	if got, err := os.ReadFile(filepath.Join(to, "MPEGAV", "AVSEQ01.DAT")); err != nil || !bytes.Equal(got, film) {
		t.Errorf("the film that alone was wanted is another one, or not there (%v)", err)
	}
}
