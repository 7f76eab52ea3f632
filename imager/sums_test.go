package imager

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	vt "turnstone/imager/volume/volumetest"
)

// The lines are those of sha256sum (coreutils), which reads them and writes the same.
func TestSumsAreThoseOfCoreutils(t *testing.T) {
	if _, err := exec.LookPath("sha256sum"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	dir := t.TempDir()
	var sums []byte
	names := []string{"plain.txt", `back\slash`, "new\nline", "carriage\rreturn", " leading and trailing "}
	for _, name := range names {
		data := vt.Bytes(name, 3000)
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
		sums = appendSum(sums, FileSum{name, sha256.Sum256(data)})
	}
	c := exec.Command("sha256sum", append([]string{"--"}, names...)...)
	c.Dir = dir
	want, err := c.Output()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(sums, want) {
		t.Errorf("sums =\n%s\nwant\n%s", sums, want)
	}
	for i, line := range strings.Split(strings.TrimSuffix(string(sums), "\n"), "\n") {
		if s, err := parseSum(line); err != nil || s.Path != names[i] {
			t.Errorf("parseSum(%q) = %q, %v; want %q", line, s.Path, err, names[i])
		}
	}
}

func FuzzParseSum(f *testing.F) {
	f.Add(strings.Repeat("0", 64) + "  a")
	f.Add(`\` + strings.Repeat("a", 64) + `  a\\b\n`)
	f.Add(`\` + strings.Repeat("a", 64) + `  a\`)
	f.Add("0  a")
	f.Fuzz(func(t *testing.T, line string) {
		s, err := parseSum(line)
		if err != nil {
			return
		}
		again, err := parseSum(strings.TrimSuffix(string(appendSum(nil, s)), "\n"))
		if err != nil || again != s {
			t.Errorf("parseSum(%q) = %v, written and read again %v, %v", line, s, again, err)
		}
	})
}

// Files are held against the sums that are kept of them.
func TestCompareSums(t *testing.T) {
	image := album(t)
	b := placeOf(t, image, "films/b.vob")
	dir := caseOf(t, image, b)
	if _, err := ReadSums(dir); !errors.Is(err, ErrNoSums) {
		t.Errorf("ReadSums() = %v before there are any; want ErrNoSums", err)
	}
	f := openFiles(t, dir)
	var sums []FileSum
	for x := range f.All() {
		sum, ok, err := f.Sum(t.Context(), x)
		if err != nil {
			t.Fatal(err)
		}
		if ok {
			sums = append(sums, FileSum{x.Path(), sum})
		}
	}
	if len(sums) != 4 || sums[0].Path != "films/a.vob" || sums[0].Sum != sha256.Sum256(vt.Bytes("a", 100*vt.Size)) {
		t.Fatalf("sums = %v; want those of four whole files", sums)
	}
	if err := WriteSums(dir, sums); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(SumsPath(dir)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the sums' mode is %v, %v; want 0600", info.Mode(), err)
	}
	compare := func() SumsCompared {
		kept, err := ReadSums(dir)
		if err != nil {
			t.Fatal(err)
		}
		res, err := openFiles(t, dir).CompareSums(t.Context(), kept)
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	if res := compare(); res.Compared != 4 || len(res.Problems) > 0 || res.Unlisted != 0 {
		t.Errorf("compared = %+v; want four alike", res)
	}
	// One more whole, one rotten, one gone, one other.
	file := filepath.Join(t.TempDir(), "disc.iso")
	if err := os.WriteFile(file, image, 0o600); err != nil {
		t.Fatal(err)
	}
	mergeImage(t, dir, file, wholeOf(image))
	rot(t, dir, placeOf(t, image, "films/a.vob").First.Offset())
	sums[1].Sum[0] ^= 1
	if err := WriteSums(dir, append(sums, FileSum{Path: "gone"})); err != nil {
		t.Fatal(err)
	}
	res := compare()
	text := strings.Join(res.Problems, "\n")
	if res.Compared != 2 || res.Unlisted != 1 || len(res.Problems) != 3 {
		t.Errorf("compared = %+v; want two alike, one without a sum, three problems", res)
	}
	for _, want := range []string{`"films/a.vob" was whole when its sum was made, and is rotten in the image now`,
		`"photos/one.jpg" has other bytes`, `"gone" has a sum, and is not on the disc`} {
		if !strings.Contains(text, want) {
			t.Errorf("problems =\n%s\nwant %s", text, want)
		}
	}
	// Two files of one path are compared each with its own.
	two := []FileSum{{"x", [32]byte{1}}, {"x", [32]byte{2}}}
	var lines []byte
	for _, s := range two {
		lines = appendSum(lines, s)
	}
	if err := os.WriteFile(SumsPath(dir), append(lines, "nonsense\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadSums(dir); err == nil || !strings.Contains(err.Error(), "line 3") {
		t.Errorf("ReadSums(nonsense) = %v; want an error that names the line", err)
	}
}
