package imager

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/volume"
)

// What names stand for.
func TestSelectFiles(t *testing.T) {
	f := openFiles(t, caseOf(t, album(t)))
	for _, c := range []struct {
		names []string
		want  string // the files' names
	}{
		{nil, "a.vob b.vob one.jpg two.jpg readme.txt"},
		{[]string{"a.vob"}, "a.vob"},
		{[]string{"A.VOB"}, "a.vob"},
		{[]string{"films/a.vob"}, "a.vob"},
		{[]string{"/films/a.vob"}, "a.vob"},
		{[]string{"./films//a.vob"}, "a.vob"},
		{[]string{"/a.vob"}, ""}, // a path from the root
		{[]string{"films"}, "a.vob b.vob"},
		{[]string{"Films/"}, "a.vob b.vob"},
		{[]string{"*.jpg", "a*"}, "a.vob one.jpg two.jpg"},
		{[]string{"*"}, "a.vob b.vob one.jpg two.jpg readme.txt"},
		{[]string{"/"}, "a.vob b.vob one.jpg two.jpg readme.txt"},
		{[]string{"."}, "a.vob b.vob one.jpg two.jpg readme.txt"},
		{[]string{"/*"}, "a.vob b.vob one.jpg two.jpg readme.txt"},
		{[]string{"*/?.vob"}, "a.vob b.vob"},
		{[]string{"*/[b-z]*"}, "b.vob one.jpg two.jpg"},
		{[]string{"films/*/a.vob"}, ""},
		{[]string{"nothing"}, ""},
		{[]string{"films/["}, ""}, // no pattern, and no name either
	} {
		sel, err := selectFiles(f.Volume, c.names)
		if err != nil {
			t.Errorf("selectFiles(%q) = %v; want nil", c.names, err)
			continue
		}
		var got []string
		for e := range f.Volume.Files() {
			if sel.has(e) {
				got = append(got, e.Name)
			}
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("selectFiles(%q) = %q; want %q", c.names, s, c.want)
		}
		if err := sel.notFound(true); (err != nil) != (len(c.names) > 0 && c.want == "") {
			t.Errorf("notFound(%q) = %v; want an error where there are none", c.names, err)
		}
	}
	for _, name := range []string{"..", "films/../films/a.vob"} {
		if _, err := selectFiles(f.Volume, []string{name}); !errors.Is(err, ErrNoSuchFile) {
			t.Errorf("selectFiles(%q) = %v; want ErrNoSuchFile", name, err)
		}
	}
}

// Whether a name may stand for more than is listed.
func TestNamesThatAreOpen(t *testing.T) {
	image := album(t)
	// The directory films lies in the sector of its first record.
	v := openFiles(t, caseOf(t, image)).Volume
	dirs := slices.Collect(v.Structures.Directories.Runs())
	t.Logf("directories in %v", dirs)
	films := directoryOf(t, image, "films")
	f := openFiles(t, caseOf(t, image, films))
	if x := fileAt(t, f, "films"); x.State == FileWhole {
		t.Fatalf("films is %v without its directory; want it not to be whole", x.State)
	}
	for _, c := range []struct {
		name string
		open bool
	}{
		{"films", true}, {"films/a.vob", true}, {"a.vob", true}, {"*.jpg", true}, {"films/*", true},
		{"one.jpg", false}, {"photos", false}, {"photos/one.jpg", false}, {"photos/*.jpg", false},
		{"photos/three.jpg", false}, {"*/three.jpg", true}, {"three.jpg", true},
	} {
		sel, err := selectFiles(f.Volume, []string{c.name})
		if err != nil {
			t.Fatal(err)
		}
		if sel.open[0] != c.open {
			t.Errorf("%q is open: %v; want %v", c.name, sel.open[0], c.open)
		}
	}
}

// directoryOf is the sectors of a directory of an image: those without which it, and
// no other, is not listed in full.
func directoryOf(t testing.TB, image []byte, path string) sector.Range {
	t.Helper()
	whole := openFiles(t, caseOf(t, image))
	for r := range whole.Volume.Structures.Directories.Runs() {
		for a := r.First; a < r.End; a++ {
			f := openFiles(t, caseOf(t, image, sector.Span(a, 1)))
			if f.Volume.Root == nil || f.Volume.Root.State != 0 {
				continue
			}
			for x := range f.All() {
				if x.Path() == path && x.State != FileWhole {
					return sector.Span(a, 1)
				}
			}
		}
	}
	t.Fatalf("no sector is the directory %q", path)
	return sector.Range{}
}

// Whatever is typed, a name that is not refused stands for the file of that very path.
func FuzzFileName(f *testing.F) {
	for _, s := range []string{"a", "*.jpg", "/a/b", "a/../b", "[", "[a-z]*", `\`, "a//b/", ".", "é*", "[^]"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, typed string) {
		n, err := parseFileName(typed)
		if err != nil {
			return
		}
		root := &volume.Entry{}
		e := root
		for part := range strings.SplitSeq(typed, "/") {
			if part == "" || part == "." {
				continue
			}
			if !n.leadsTo(e) {
				t.Errorf("%q does not lead to %q", typed, e.Path())
			}
			e = &volume.Entry{Parent: e, Name: part}
		}
		if !n.names(e) {
			t.Errorf("%q does not name the file of that path", typed)
		}
	})
}
