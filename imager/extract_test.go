package imager

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
	vt "turnstone/imager/volume/volumetest"
)

// extracted extracts all of a case and returns what is then in the folder, by path.
func extracted(t testing.TB, dir string, o Extraction) (Extracted, map[string][]byte) {
	t.Helper()
	out := filepath.Join(t.TempDir(), "out")
	res, err := openFiles(t, dir).Extract(t.Context(), out, o)
	if err != nil {
		t.Fatalf("Extract() = %v; want nil", err)
	}
	return res, contents(t, out)
}

// contents is all files and folders (with a slash behind) below a folder.
func contents(t testing.TB, dir string) map[string][]byte {
	t.Helper()
	all := map[string][]byte{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || path == dir {
			return err
		}
		rel, _ := filepath.Rel(dir, path)
		if d.IsDir() {
			all[rel+"/"] = nil
			return nil
		}
		if !d.Type().IsRegular() {
			t.Errorf("%s is no file", rel)
			return nil
		}
		all[rel], err = os.ReadFile(path)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// A healthy disc comes out byte by byte, with its times, in each kind of file system.
func TestExtractWhole(t *testing.T) {
	root := vt.Sample()
	for name, image := range map[string][]byte{
		"iso": vt.ISO(nil, root, vt.ISOOptions{RockRidge: true, Joliet: true}),
		"udf": vt.UDF(root, vt.Plain),
	} {
		t.Run(name, func(t *testing.T) {
			dir := caseOf(t, image)
			out := filepath.Join(t.TempDir(), "out")
			res, err := openFiles(t, dir).Extract(t.Context(), out, Extraction{})
			if err != nil || len(res.Damaged)+len(res.LeftOut)+len(res.Renamed) > 0 {
				t.Fatalf("Extract() = %+v, %v; want all as it is", res, err)
			}
			got, want, size := contents(t, out), vt.Files(root), int64(0)
			for path, data := range want {
				if b, ok := got[path]; !ok || !bytes.Equal(b, data) {
					t.Errorf("%s is not as on the disc", path)
				}
				size += int64(len(data))
			}
			vt.Walk(root, func(path string, f vt.File) {
				if _, ok := got[path+"/"]; f.Dir && !ok {
					t.Errorf("there is no folder %s", path)
				}
				info, err := os.Stat(filepath.Join(out, path))
				if err != nil || !info.ModTime().Equal(vt.When) {
					t.Errorf("%s has the time %v, %v; want %v", path, info.ModTime(), err, vt.When)
				}
				if mode := info.Mode().Perm(); mode != 0o600 && !f.Dir || mode != 0o700 && f.Dir {
					t.Errorf("%s has the mode %v; want it for its owner only", path, mode)
				}
			})
			if res.Files != len(want) || res.Bytes != size {
				t.Errorf("Extract() = %d files, %d bytes; want %d, %d", res.Files, res.Bytes, len(want), size)
			}
		})
	}
}

// A damaged file has zeros where it lacks bytes, and a list beside it.
func TestExtractDamaged(t *testing.T) {
	image := album(t)
	b := placeOf(t, image, "films/b.vob")
	dir := caseOf(t, image, sector.Span(b.First+3, 2), sector.Span(b.End-1, 1), placeOf(t, image, "photos/two.jpg"))
	res, got := extracted(t, dir, Extraction{})
	want := vt.Bytes("b", 60*vt.Size-700)
	clear(want[3*vt.Size : 5*vt.Size])
	clear(want[59*vt.Size:])
	if !bytes.Equal(got["films/b.vob"], want) {
		t.Error("films/b.vob is not what is there of it, with zeros where it lacks bytes")
	}
	list := string(got["films/b.vob.missing.txt"])
	if !strings.HasSuffix(list, "\n6144+4096 missing\n120832+1348 missing\n") || !strings.Contains(list, "# films/b.vob: 5444 of its 122180 bytes are missing") {
		t.Errorf("films/b.vob.missing.txt =\n%s", list)
	}
	if got := got["photos/two.jpg"]; !bytes.Equal(got, make([]byte, 5000)) {
		t.Error("photos/two.jpg, of which nothing is there, is not 5000 zeros")
	}
	if len(res.Damaged) != 2 || res.Files != 5 || res.Damaged[0].Missing != 5444 {
		t.Errorf("Extract() = %+v; want five files, two damaged", res)
	}
	// Or they are left out.
	res, got = extracted(t, dir, Extraction{SkipDamaged: true})
	if !slices.Equal(res.Skipped, []string{"films/b.vob", "photos/two.jpg"}) || res.Files != 3 || len(got) != 5 {
		t.Errorf("Extract(skip) = %+v, %d in the folder; want three files in two folders", res, len(got))
	}
	// By name.
	res, got = extracted(t, dir, Extraction{Names: []string{"PHOTOS/one.jpg"}})
	if res.Files != 1 || len(got) != 2 || !bytes.Equal(got["photos/one.jpg"], vt.Bytes("one", 9000)) {
		t.Errorf("Extract(by name) = %+v and %d in the folder", res, len(got))
	}
}

// Whatever the names on a disc, nothing lands outside of the folder, under a name that
// does harm, or over anything else.
func TestExtractHostileNames(t *testing.T) {
	data := func(name string) []byte { return vt.Bytes(name, 3000) }
	file := func(name string) vt.File { return vt.File{Name: name, Data: data(name)} }
	long := strings.Repeat("n", 90)
	root := vt.File{Dir: true, Children: []vt.File{
		file("../up.txt"), file("/tmp/turnstone-absolute.txt"), file("a\x00b.txt"), file("con.txt"), file("NUL"),
		file("Twin.txt"), file("TWIN.TXT"), file("twin.txt"), file(long + ".one"), file(long + ".ONE"),
		file("esc\x1b[2J"), file("bad\xff"), file("bad\xfe"), file(".turnstone-part"), file("x.txt.missing.txt"), file("x.txt"),
		{Name: "link", Link: "/etc/passwd"}, {Name: "link2", Link: ".."},
		{Name: "DIR", Dir: true, Children: []vt.File{file("inside"), file("../../../up")}},
		{Name: "dir", Dir: true, Children: []vt.File{file("inside")}},
		{Name: "..", Dir: true, Children: []vt.File{file("above")}},
	}}
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true})
	at := t.TempDir()
	out := filepath.Join(at, "deep", "out")
	if err := os.MkdirAll(filepath.Dir(out), 0o700); err != nil {
		t.Fatal(err)
	}
	// One sector of x.txt is missing: its list must not go over a file.
	dir := caseOf(t, image, sector.Span(placeOf(t, image, "x.txt").First, 1))
	res, err := openFiles(t, dir).Extract(t.Context(), out, Extraction{})
	if err != nil {
		t.Fatal(err)
	}
	if entries, _ := os.ReadDir(at); len(entries) != 1 {
		t.Errorf("%d entries beside the folder; want none", len(entries)-1)
	}
	if entries, _ := os.ReadDir(filepath.Dir(out)); len(entries) != 1 {
		t.Errorf("%d entries beside the folder; want none", len(entries)-1)
	}
	if _, err := os.Lstat("/tmp/turnstone-absolute.txt"); err == nil {
		t.Error("a file was written under /tmp")
	}
	got := contents(t, out)
	files, lists := 0, 0
	folded := map[string]bool{}
	for path, b := range got {
		for part := range strings.SplitSeq(strings.TrimSuffix(path, "/"), "/") {
			safe(t, part)
		}
		if folded[foldSafe(path)] {
			t.Errorf("%q differs from another in nothing but case", path)
		}
		folded[foldSafe(path)] = true
		if strings.HasSuffix(path, "/") {
			continue
		}
		files++
		if bytes.HasPrefix(b, []byte("# ")) {
			lists++
		}
	}
	// Every file of the disc is there, with its own bytes, under one name or another.
	expected := 0
	vt.Walk(root, func(path string, f vt.File) {
		if f.Dir || f.Link != "" {
			return
		}
		expected++
		want := f.Data
		if f.Name == "x.txt" {
			want = slices.Clone(want)
			clear(want[:vt.Size])
		}
		for p, b := range got {
			if bytes.Equal(b, want) && p != "" {
				return
			}
		}
		t.Errorf("%q is not there with its bytes", path)
	})
	if files != expected+1 || lists != 1 || res.Files != expected {
		t.Errorf("%d files with %d lists, Extract() = %d; want %d with one", files, lists, res.Files, expected+1)
	}
	if len(res.LeftOut) != 2 || !strings.Contains(res.LeftOut[0].Why, "link") || res.LeftOut[0].File {
		t.Errorf("left out = %+v; want the two links", res.LeftOut)
	}
	renamed := map[string]string{}
	for _, r := range res.Renamed {
		renamed[r.Path] = r.As
	}
	for path, as := range map[string]string{"TWIN.TXT": "TWIN (2).TXT", "twin.txt": "twin (3).txt", "con.txt": "_con.txt",
		"dir": "dir (2)", "dir/inside": "dir (2)/inside", ".turnstone-part": ".turnstone-part (2)"} {
		if renamed[path] != as {
			t.Errorf("%q was renamed to %q; want %q", path, renamed[path], as)
		}
	}
	if len(res.Damaged) != 1 || res.Damaged[0].List != "x.txt.missing (2).txt" {
		t.Errorf("damaged = %+v; want x.txt with a list of another name", res.Damaged)
	}
}

// Names of more bytes than a file system takes, which UDF can have, are shortened, and
// stay apart.
func TestExtractLongNames(t *testing.T) {
	long := strings.Repeat("長", 110) // 330 bytes
	root := vt.File{Dir: true, Children: []vt.File{
		{Name: long + "1.jpeg", Data: vt.Bytes("1", 5000)}, {Name: long + "2.jpeg", Data: vt.Bytes("2", 5000)},
		{Name: long, Dir: true, Children: []vt.File{{Name: "in it", Data: vt.Bytes("3", 5000)}}}}}
	res, got := extracted(t, caseOf(t, vt.UDF(root, vt.Plain)), Extraction{})
	if len(got) != 4 || len(res.Renamed) != 4 {
		t.Fatalf("%d in the folder, renamed %+v; want four, all renamed", len(got), res.Renamed)
	}
	found := map[string]bool{}
	for path, b := range got {
		for part := range strings.SplitSeq(strings.TrimSuffix(path, "/"), "/") {
			safe(t, part)
		}
		for _, n := range []string{"1", "2", "3"} {
			found[n] = found[n] || bytes.Equal(b, vt.Bytes(n, 5000))
		}
		if !strings.HasSuffix(path, "/") && !strings.Contains(path, "/") && !strings.HasSuffix(path, ".jpeg") {
			t.Errorf("%q has lost its extension", path)
		}
	}
	if len(found) != 3 || !found["1"] || !found["2"] || !found["3"] {
		t.Errorf("found %v; want all three", found)
	}
}

// Where files are written to.
func TestExtractInto(t *testing.T) {
	f := openFiles(t, caseOf(t, album(t)))
	at := t.TempDir()
	taken := filepath.Join(at, "taken")
	if err := os.Mkdir(taken, 0o700); err != nil {
		t.Fatal(err)
	}
	note := filepath.Join(taken, "note")
	if err := os.WriteFile(note, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ dir, more string }{{taken, "note"}, {note, "a file"}} {
		if _, err := f.Extract(t.Context(), c.dir, Extraction{}); !errors.Is(err, ErrFolderTaken) || !strings.Contains(err.Error(), c.more) {
			t.Errorf("Extract(%s) = %v; want ErrFolderTaken, %q", c.dir, err, c.more)
		}
	}
	if _, err := f.Extract(t.Context(), filepath.Join(at, "no", "such"), Extraction{}); err == nil || !strings.Contains(err.Error(), "there is no folder") {
		t.Errorf("Extract(into a folder that is not there) = %v; want an error that says so", err)
	}
	if _, err := f.Extract(t.Context(), filepath.Join(at, "new"), Extraction{Names: []string{"nothing"}}); !errors.Is(err, ErrNoSuchFile) {
		t.Errorf("Extract(no such name) = %v; want ErrNoSuchFile", err)
	}
	if _, err := os.Lstat(filepath.Join(at, "new")); err == nil {
		t.Error("a folder was made for nothing")
	}
	empty := filepath.Join(at, "empty")
	if err := os.Mkdir(empty, 0o755); err != nil {
		t.Fatal(err)
	}
	if res, err := f.Extract(t.Context(), empty, Extraction{}); err != nil || res.Files != 5 {
		t.Errorf("Extract(into an empty folder) = %+v, %v; want five files", res, err)
	}
}

// Whenever it is ended, what has a name is whole, and nothing else is left.
func TestExtractInterrupted(t *testing.T) {
	root := vt.File{Dir: true}
	for _, name := range []string{"a", "b", "c", "d", "e"} {
		root.Children = append(root.Children, vt.File{Name: name, Data: vt.Bytes(name, 1<<20)})
	}
	image := vt.ISO(nil, root, vt.ISOOptions{RockRidge: true})
	f := openFiles(t, caseOf(t, image, sector.Span(placeOf(t, image, "c").First, 1)))
	stopped := 0
	for step := 0; ; step++ {
		ctx, stop := context.WithCancel(t.Context())
		told := 0
		out := filepath.Join(t.TempDir(), "out")
		res, err := f.Extract(ctx, out, Extraction{Progress: func(int64, int64, string) {
			if told++; told > step {
				stop()
			}
		}})
		stop()
		if err != nil {
			t.Fatal(err)
		}
		got := contents(t, out)
		for path, b := range got {
			if want := vt.Bytes(path, 1<<20); path != "c" && path != "c.missing.txt" && !bytes.Equal(b, want) {
				t.Errorf("step %d: %s has %d bytes, and is not whole", step, path, len(b))
			}
		}
		if _, list := got["c.missing.txt"]; got["c"] != nil && !list {
			t.Errorf("step %d: c is there without its list", step)
		}
		if !res.Interrupted {
			if len(got) != 6 {
				t.Errorf("in the end %d files; want 6", len(got))
			}
			break
		}
		stopped++
		if want := len(got); res.Files != want && res.Files != want-1 {
			t.Errorf("step %d: Extract() = %d files; %d are there", step, res.Files, want)
		}
	}
	if stopped < 15 {
		t.Errorf("stopped %d times; want every 256 KiB of 5 MiB", stopped)
	}
}

// What is zeros takes no room, and what says that it is huge is not believed.
func TestExtractIsSparse(t *testing.T) {
	zeros := vt.Bytes("ends", 4<<20)
	clear(zeros[1<<20 : 3<<20])
	image := vt.ISO(nil, vt.File{Dir: true, Children: []vt.File{{Name: "zeros", Data: zeros}}}, vt.ISOOptions{RockRidge: true})
	out := filepath.Join(t.TempDir(), "out")
	if _, err := openFiles(t, caseOf(t, image)).Extract(t.Context(), out, Extraction{}); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(filepath.Join(out, "zeros"))
	if err != nil || !bytes.Equal(got, zeros) {
		t.Errorf("zeros are not as on the disc, %v", err)
	}
	var st syscall.Stat_t
	if err := syscall.Stat(filepath.Join(out, "zeros"), &st); err != nil {
		t.Fatal(err)
	}
	if st.Blocks*512 > 3<<20 {
		t.Errorf("4 MiB with 2 MiB of zeros take %d bytes; want 2 MiB and a little", st.Blocks*512)
	}
}

// Files that lie over each other a thousand times are a trap, and one larger than the
// disc is none of it.
func TestExtractTraps(t *testing.T) {
	image := album(t)
	f := openFiles(t, caseOf(t, image))
	x := fileAt(t, f, "films/a.vob")
	e := *x.Entry
	for range 100 {
		again := e
		e.Parent.Children = append(e.Parent.Children, &again)
	}
	out := filepath.Join(t.TempDir(), "out")
	if _, err := f.Extract(t.Context(), out, Extraction{}); !errors.Is(err, ErrOverlap) {
		t.Errorf("Extract(one file by 101 names) = %v; want ErrOverlap", err)
	}
	f = openFiles(t, caseOf(t, image))
	huge := fileAt(t, f, "films/a.vob").Entry
	huge.Size = 1 << 60
	huge.Extents = append(huge.Extents, tree.Extent{Offset: huge.Extents[0].Length, Length: huge.Size - huge.Extents[0].Length, Place: tree.Zeros})
	res, err := f.Extract(t.Context(), out, Extraction{})
	if err != nil || res.Files != 4 || len(res.LeftOut) != 1 || !strings.Contains(res.LeftOut[0].Why, "larger than the disc") || !res.LeftOut[0].File {
		t.Errorf("Extract(a file of 2^60 bytes) = %+v, %v; want it left out", res, err)
	}
	if _, ok, err := f.Sum(t.Context(), fileAt(t, f, "films/a.vob")); ok || err != nil {
		t.Errorf("Sum(a file of 2^60 bytes) = %v, %v; want none", ok, err)
	}
}

// What somebody puts into the folder meanwhile is not written over.
func TestExtractDoesNotOverwrite(t *testing.T) {
	f := openFiles(t, caseOf(t, album(t)))
	out := filepath.Join(t.TempDir(), "out")
	done := false
	_, err := f.Extract(t.Context(), out, Extraction{Progress: func(int64, int64, string) {
		if !done {
			done = true
			if err := os.WriteFile(filepath.Join(out, "readme.txt"), []byte("mine"), 0o600); err != nil {
				t.Error(err)
			}
		}
	}})
	if !errors.Is(err, fs.ErrExist) || !strings.Contains(err.Error(), "readme.txt") {
		t.Errorf("Extract() = %v; want an error that readme.txt is there", err)
	}
	if b, _ := os.ReadFile(filepath.Join(out, "readme.txt")); string(b) != "mine" {
		t.Errorf("readme.txt = %q; want it untouched", b)
	}
	if _, err := os.Lstat(filepath.Join(out, workName)); err == nil {
		t.Error("the folder of what has no name yet is left")
	}
}
