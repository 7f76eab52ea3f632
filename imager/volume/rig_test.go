package volume

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/imager/volume/tree"
)

// rigFolder is the folder with discs that other people's tools wrote.
func rigFolder(t testing.TB) string {
	dir := os.Getenv("TURNSTONE_VOLUMES")
	if dir == "" {
		t.Skip("TURNSTONE_VOLUMES names no folder with volumes")
	}
	return dir
}

// images is the discs in the rig's folder.
func images(t testing.TB, patterns ...string) []string {
	var all []string
	for _, p := range patterns {
		found, err := filepath.Glob(filepath.Join(rigFolder(t), p))
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, found...)
	}
	if len(all) == 0 {
		t.Fatalf("no volumes %q in %s", patterns, rigFolder(t))
	}
	return all
}

func openImage(t testing.TB, path string) (*Volume, *tree.File) {
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	img := tree.Whole(bytes.NewReader(data), int64(len(data)))
	v, err := Open(img, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return v, img
}

func sum(t testing.TB, r io.Reader) string {
	h := sha256.New()
	if _, err := io.Copy(h, r); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// healthy is the files of a volume, path to SHA-256; everything in it must be whole.
func healthy(t testing.TB, v *Volume) map[string]string {
	t.Helper()
	if v.Root == nil {
		t.Fatal("Open found no tree")
	}
	for e := range v.All() {
		if e.State != Whole || e.StandsIn {
			t.Errorf("%q is %v (%s), stands in: %v; want whole, by its own", e.Path(), e.State, e.Why, e.StandsIn)
		}
	}
	if !v.Structures.Needed.Empty() || !v.Structures.Spare.Empty() || v.Cut {
		t.Errorf("structures missing: needed %d, spare %d, cut %v; want none", v.Structures.Needed.Count(), v.Structures.Spare.Count(), v.Cut)
	}
	files := map[string]string{}
	for e := range v.Files() {
		if n := v.Content(e).Size(); n != e.Size {
			t.Errorf("%q has %d bytes of content; want %d", e.Path(), n, e.Size)
		}
		files[e.Path()] = sum(t, v.Content(e))
	}
	return files
}

// folderSums is the files below dir, path to SHA-256.
func folderSums(t testing.TB, dir string) map[string]string {
	files := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		defer f.Close()
		rel, _ := filepath.Rel(dir, path)
		files[filepath.ToSlash(rel)] = sum(t, f)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// same compares two lists of files, by path and content.
func same(t testing.TB, who string, got, want map[string]string) {
	t.Helper()
	for path, sum := range want {
		if got[path] != sum {
			t.Errorf("%q has SHA-256 %.12s; want %.12s, as %s has it", path, got[path], sum, who)
		}
	}
	for path := range got {
		if _, ok := want[path]; !ok {
			t.Errorf("%q is listed; %s does not have it", path, who)
		}
	}
}

func contents(files map[string]string) []string {
	var all []string
	for _, s := range files {
		all = append(all, s)
	}
	slices.Sort(all)
	return all
}

// The kernel's own drivers have listed images: size, SHA-256 and path of each file
// (rigs/volumes/mk-udf-qemu.sh, Linux 6.1). The rig does so for the UDF ones; where
// a list stands beside an ISO image that is compared too.
func TestRigAsTheKernel(t *testing.T) {
	for _, path := range images(t, "udf-*.udf", "iso-*.iso", "dvd-*.iso") {
		truth, err := os.ReadFile(strings.TrimSuffix(path, filepath.Ext(path)) + ".truth")
		if err != nil {
			continue // not asked, or nothing in it
		}
		t.Run(filepath.Base(path), func(t *testing.T) {
			want := map[string]string{}
			for _, line := range strings.Split(string(truth), "\n") {
				if len(line) > 66 && strings.Contains(line, "  ./") && line[64:66] == "  " {
					_, name, _ := strings.Cut(line, "  ./")
					want[name] = line[:64]
				}
			}
			if len(want) < 3 {
				t.Fatalf("the kernel's list has %d files", len(want))
			}
			v, _ := openImage(t, path)
			if strings.Contains(path, "makefs") {
				t.Skip("makefs does not mark what it keeps elsewhere, and the kernel lists it twice")
			}
			if strings.HasSuffix(path, "-j.iso") {
				t.Skip("the kernel does not open names beyond 16 bits in Joliet")
			}
			if got := healthy(t, v); filepath.Ext(path) == ".udf" {
				same(t, "the kernel", got, want)
			} else if !slices.Equal(contents(got), contents(want)) { // it changes names of ISO trees
				t.Errorf("%d files, as the kernel has %d, or with other content", len(got), len(want))
			}
		})
	}
}

// Names of the source folder that a writer is known to change: genisoimage's UDF
// writes half of a character beyond 16 bits.
var changed = map[string]string{"Grüße/emoji 😀.bin": "*"}

// Where a tree keeps names as they are, the files of the folder that the discs were
// made of are there, with its names.
func TestRigISOAsTheSource(t *testing.T) {
	want := folderSums(t, filepath.Join(rigFolder(t), "src"))
	for _, name := range []string{"iso-gen-l3-r", "iso-gen-l3-jru", "iso-gen-l3-j", "iso-xor-l3-jr", "iso-xor-l4-r", "iso-xor-padded", "iso-makefs-rr"} {
		t.Run(name, func(t *testing.T) {
			v, _ := openImage(t, filepath.Join(rigFolder(t), name+".iso"))
			got := healthy(t, v)
			want := want
			if strings.Contains(name, "-gen-") {
				want = map[string]string{}
				for path, sum := range folderSums(t, filepath.Join(rigFolder(t), "src")) {
					if changed[path] == "" {
						want[path] = sum
					}
				}
				for path := range got {
					if strings.HasPrefix(path, "Grüße/emoji") {
						delete(got, path)
					}
				}
				if strings.HasSuffix(name, "-j") { // Joliet alone: links are followed, and what is too deep left out
					delete(got, "link-to-readme")
					delete(want, "deep/level01/level02/level03/level04/level05/level06/level07/level08/level09/level10/bottom.bin")
				}
			}
			same(t, "the source", got, want)
		})
	}
}

// Levels 1 to 4 and foreign images: what bsdtar unpacks is what is listed, path by
// path, content by content.
func TestRigISOAsBsdtar(t *testing.T) {
	tool(t, "bsdtar")
	for _, path := range images(t, "iso-*.iso", "pkg/*.iso", "dvd-tiny.iso") {
		t.Run(filepath.Base(path), func(t *testing.T) {
			dir := t.TempDir()
			out, err := exec.Command("bsdtar", "-C", dir, "-xf", path).CombinedOutput()
			if strings.Contains(path, "go-go-diskfs-rockridge") {
				t.Skipf("bsdtar refuses it: %s", out)
			}
			if err != nil {
				t.Fatalf("bsdtar: %v: %.200s", err, out)
			}
			v, _ := openImage(t, path)
			got, want := contents(healthy(t, v)), contents(folderSums(t, dir))
			if !slices.Equal(got, want) {
				t.Errorf("%d files, as bsdtar has %d, or with other content", len(got), len(want))
			}
		})
	}
}

// 7z reads UDF before ISO 9660, and Joliet before both. It refuses the UDF images that
// the kernel has filled.
func TestRigAs7z(t *testing.T) {
	tool(t, "7z")
	for _, path := range images(t, "iso-*.iso", "dvd-*.iso", "pkg/*.iso") {
		t.Run(filepath.Base(path), func(t *testing.T) {
			dir := t.TempDir()
			if out, err := exec.Command("7z", "x", "-y", "-o"+dir, path).CombinedOutput(); err != nil {
				t.Fatalf("7z: %v: %.200s", err, out)
			}
			v, _ := openImage(t, path)
			unpacked := folderSums(t, dir)
			for e := range v.All() {
				if e.Kind != tree.Regular {
					delete(unpacked, e.Path()) // links are files to 7z, and so are directories kept elsewhere
				}
			}
			for path := range unpacked {
				if strings.HasPrefix(path, "[BOOT]/") {
					delete(unpacked, path)
				}
			}
			got, want := contents(healthy(t, v)), contents(unpacked)
			if !slices.Equal(got, want) {
				t.Errorf("%d files, as 7z has %d, or with other content", len(got), len(want))
			}
		})
	}
}

// plain tells whether a name is ASCII; isoinfo writes others in its own encodings. (Nor
// does it follow directories that are kept elsewhere, level08 and below.)
func plain(name string) bool {
	return strings.IndexFunc(name, func(r rune) bool { return r > 126 }) < 0
}

// isoinfo lists names, of Rock Ridge and of Joliet.
func TestRigNamesAsIsoinfo(t *testing.T) {
	tool(t, "isoinfo")
	for _, c := range []struct{ image, flag string }{
		{"iso-gen-l1", "-f"}, {"iso-gen-l2", "-f"}, {"iso-gen-l3", "-f"}, {"iso-xor-l1", "-f"}, {"iso-xor-l2", "-f"}, {"iso-xor-l3", "-f"},
		{"iso-gen-l3-r", "-Rf"}, {"iso-xor-l3-jr", "-Rf"}, {"iso-gen-l3-j", "-Jf"}, {"iso-xor-multi", "-Rf"},
	} {
		t.Run(c.image, func(t *testing.T) {
			path := filepath.Join(rigFolder(t), c.image+".iso")
			out, err := exec.Command("isoinfo", "-i", path, c.flag).Output()
			if err != nil {
				t.Fatal(err)
			}
			want := map[string]string{}
			for line := range strings.Lines(string(out)) {
				name := strings.TrimSuffix(strings.TrimSuffix(strings.Trim(line, "/\n"), ";1"), ".")
				if !strings.Contains(strings.ToLower(name), "rr_moved") && plain(name) && !strings.Contains(name, "level08") {
					want[name] = ""
				}
			}
			v, _ := openImage(t, path)
			got := map[string]string{}
			for e := range v.All() {
				if plain(e.Path()) && !strings.Contains(e.Path(), "level08") {
					got[e.Path()] = ""
				}
			}
			if len(want) < 100 {
				t.Errorf("isoinfo lists %d names", len(want))
			}
			same(t, "isoinfo", got, want)
		})
	}
}

// Times are those of the source folder: 2024-01-02 03:04:05 UTC.
func TestRigTimes(t *testing.T) {
	want := time.Date(2024, 1, 2, 3, 4, 5, 0, time.UTC)
	for _, name := range []string{"iso-gen-l1.iso", "iso-gen-l3-r.iso", "iso-gen-l3-j.iso", "iso-xor-l3-jr.iso", "iso-xor-multi.iso", "udf-dvdram-201.udf", "udf-cdrw-150.udf"} {
		v, _ := openImage(t, filepath.Join(rigFolder(t), name))
		n := 0
		for e := range v.Files() {
			if n++; !e.Modified.Truncate(time.Second).Equal(want) {
				t.Errorf("%s: %q was modified %v; want %v", name, e.Path(), e.Modified, want)
				break
			}
		}
		if n < 100 {
			t.Errorf("%s: %d files", name, n)
		}
	}
}
