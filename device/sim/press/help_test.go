package press

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// made is a time with an even second, as all of the outside tools can tell it.
var made = time.Date(2009, 8, 7, 6, 5, 4, 0, time.UTC)

// small is a disc with two films, of which one has two chapters, and two folders.
func small() Disc {
	letter := []byte("Invented, like all on this disc.\n")
	return Disc{
		Label: "SMALL", Made: made, Menu: 2 * time.Second, Sectors: 3000,
		Films: []Film{{62 * time.Second, made}, {5 * time.Second, made.Add(time.Hour)}},
		Folders: []Folder{
			{"PHOTOS", []File{{"IMG_0001.JPG", made, Photo(1, 40, 30)}, {"IMG_0002.JPG", made, Photo(2, 41, 31)}}},
			{"LETTERS", []File{{"TO_KIM.TXT", made, letter}, {"EMPTY.TXT", made, nil}, {"WHOLE.BIN", made, make([]byte, 2*size)}}},
		},
	}
}

// written is a disc's bytes.
func written(t *testing.T, d Disc) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := d.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// onFile is the small disc as a file.
func onFile(t *testing.T) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "disc.iso")
	if err := os.WriteFile(name, written(t, small()), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// tool runs a program of another maker, and gives what it prints. The test is skipped
// where it is not installed, and fails for that on the machine that judges changes.
func tool(t *testing.T, pkg, name string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s (%s) is not installed", name, pkg)
		}
		t.Skipf("%s (%s) is not installed", name, pkg)
	}
	c := exec.Command(name, args...)
	var out, complaints bytes.Buffer
	c.Stdout, c.Stderr = &out, &complaints
	if err := c.Run(); err != nil {
		t.Fatalf("%s %q: %v\n%.2000s\n%.2000s", name, args, err, out.String(), complaints.String())
	}
	return out.String()
}

// files is what the small disc holds by path, as the parts of it say.
func files(d Disc) map[string][]byte {
	all := map[string][]byte{}
	in := &entry{}
	for _, f := range d.video(in) {
		all["VIDEO_TS/"+f.name] = f.data
	}
	for _, folder := range d.Folders {
		for _, f := range folder.Files {
			all[folder.Name+"/"+f.Name] = f.Data
		}
	}
	return all
}

// unpacked is the files below a folder by path.
func unpacked(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	all := map[string][]byte{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if err == nil {
			all[name], err = os.ReadFile(path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// same compares files by path and content.
func same(t *testing.T, who string, got, want map[string][]byte) {
	t.Helper()
	for path, b := range want {
		if g, there := got[path]; !there || !bytes.Equal(g, b) {
			t.Errorf("%s: %s has %d bytes (there: %v); want the %d that were recorded", who, path, len(g), there, len(b))
		}
	}
	if len(got) != len(want) {
		t.Errorf("%s: %d files; want %d", who, len(got), len(want))
	}
}

// times is when the pictures are shown that ffprobe decodes, in hundredths of a second; it
// does not know of the last.
func times(t *testing.T, path string) (all []int) {
	t.Helper()
	out := tool(t, "ffmpeg", "ffprobe", "-v", "error", "-select_streams", "v", "-show_entries", "frame=best_effort_timestamp", "-of", "csv=p=0", path)
	for word := range strings.FieldsSeq(strings.ReplaceAll(out, ",", " ")) {
		if word == "N/A" {
			all = append(all, 0)
			continue
		}
		stamp, err := strconv.Atoi(word)
		if err != nil {
			t.Fatalf("ffprobe: %v", err)
		}
		all = append(all, stamp/900)
	}
	return all
}
