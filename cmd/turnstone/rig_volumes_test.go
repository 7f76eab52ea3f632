package main

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// Discs that other people's tools wrote are read and extracted; the files are those that
// other people's readers unpack: bsdtar of ISO 9660, the Linux kernel of UDF.
func TestRigVolumesAreExtracted(t *testing.T) {
	dir := os.Getenv("TURNSTONE_VOLUMES")
	if dir == "" {
		t.Skip("TURNSTONE_VOLUMES names no folder with volumes")
	}
	for _, name := range []string{"iso-gen-l1.iso", "iso-gen-l3-r.iso", "iso-gen-l3-jru.iso", "iso-xor-l3-jr.iso", "iso-xor-multi.iso",
		"dvd-tiny.iso", "udf-dvdram-201.udf", "udf-dvdrw-201.udf", "udf-vat.udf", "udf-meta.udf"} {
		t.Run(name, func(t *testing.T) {
			image := filepath.Join(dir, name)
			if _, err := os.Stat(image); err != nil {
				t.Skipf("the rig made no %s here", name)
			}
			var want []string
			if truth, isUDF := strings.CutSuffix(image, ".udf"); isUDF {
				want = listedByTheKernel(t, truth+".truth")
			} else {
				out := t.TempDir()
				if b, err := exec.Command("bsdtar", "-C", out, "-xf", image).CombinedOutput(); err != nil {
					t.Fatalf("bsdtar: %v: %s", err, b)
				}
				want = sumsBelow(t, out)
			}
			if len(want) < 3 {
				t.Fatalf("%d files are expected: the test tests nothing", len(want))
			}
			t.Chdir(t.TempDir())
			var said bytes.Buffer
			for _, args := range [][]string{{"read", "case", "--drive", image}, {"extract", "case", "out"}} {
				if code := run(args, streams{strings.NewReader(""), &said, &said}); code != exitDone {
					t.Fatalf("turnstone %q = %d; it said %s", args, code, said.String())
				}
			}
			if got := sumsBelow(t, "out"); !slices.Equal(got, want) {
				t.Errorf("%d files were extracted; want the %d that other readers have, with their content", len(got), len(want))
			}
		})
	}
}

// listedByTheKernel is the SHA-256 of the files of a list that the rig made, sorted.
func listedByTheKernel(t *testing.T, list string) (sums []string) {
	t.Helper()
	b, err := os.ReadFile(list)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		if len(line) > 66 && line[64:66] == "  " && strings.Contains(line, "  ./") {
			sums = append(sums, line[:64])
		}
	}
	slices.Sort(sums)
	return sums
}

// sumsBelow is the SHA-256 of the plain files below a folder, sorted.
func sumsBelow(t *testing.T, dir string) (sums []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		b, err := os.ReadFile(path)
		sums = append(sums, fmt.Sprintf("%x", sha256.Sum256(b)))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(sums)
	return sums
}
