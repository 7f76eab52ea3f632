package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

// tool finds a program that others wrote.
func tool(t testing.TB, name, howToGet string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		home, _ := os.UserHomeDir()
		path = filepath.Join(home, "go", "bin", name) // go install puts it there
	}
	if _, err := os.Stat(path); err != nil {
		lacking(t, "no %s (%s)", name, howToGet)
	}
	return path
}

func output(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", filepath.Base(name), args, err, out)
	}
	return string(out)
}

// A disc that genisoimage made, read with faults, healed and read on: sha256sum says
// that the image is that file, isoinfo finds the same files in it, also while
// some sectors are missing, and bbolt's own program finds the map in order.
func TestOthersAgree(t *testing.T) {
	t.Parallel()
	genisoimage := tool(t, "genisoimage", "Debian: genisoimage")
	isoinfo := tool(t, "isoinfo", "Debian: genisoimage")
	sha256sum := tool(t, "sha256sum", "Debian: coreutils")
	dir := t.TempDir()
	files := filepath.Join(dir, "files")
	for name, r := range map[string]sector.Range{ // invented content
		"VIDEO_TS/VTS_01_1.VOB": sector.Span(0, 1000), "VIDEO_TS/VIDEO_TS.IFO": sector.Span(5000, 3),
		"HOLIDAY.TXT": sector.Span(7000, 1),
	} {
		path := filepath.Join(files, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, faultydisc.Pattern(40, r), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	disc := filepath.Join(dir, "disc.iso")
	output(t, genisoimage, "-quiet", "-J", "-r", "-V", "INVENTED", "-o", disc, files)
	listing := output(t, isoinfo, "-l", "-R", "-i", disc)
	if !strings.Contains(listing, "VTS_01_1.VOB") {
		t.Fatalf("isoinfo lists in the disc:\n%s", listing)
	}

	w := newWitness(t, faultydisc.Options{Backing: disc})
	image := filepath.Join(w.dir, "image.iso")
	film := sector.Span(sector.LBA(w.disc.Sectors/2), 5)
	w.disc.Fail(film, syscall.ENODATA, faultydisc.Always)
	w.read().is(exitMissing)
	w.lists("missing", film)
	w.truthful()
	if got := output(t, isoinfo, "-l", "-R", "-i", image); got != listing {
		t.Errorf("with %v missing isoinfo lists:\n%s\nwant as in the disc:\n%s", film, got, listing)
	}
	w.disc.Heal()
	w.read("--again").is(exitDone)
	w.whole()
	sums := strings.Fields(output(t, sha256sum, "--binary", image, disc))
	if len(sums) != 4 || sums[0] != sums[2] {
		t.Errorf("sha256sum of image and disc = %q; want the same sum twice", sums)
	}
	if got := output(t, isoinfo, "-l", "-R", "-i", image); got != listing {
		t.Errorf("isoinfo lists in the image:\n%s\nwant as in the disc:\n%s", got, listing)
	}
}

// bbolt's own program finds nothing wrong with a map, neither after a pass that
// ended nor after one that was killed.
func TestBboltAgrees(t *testing.T) {
	t.Parallel()
	bbolt := tool(t, "bbolt", "go install go.etcd.io/bbolt/cmd/bbolt@v1.5.0")
	w := newWitness(t, faultydisc.Options{Sectors: 48 << 10, Seed: 41})
	for a := sector.LBA(100); a < 8000; a += 100 {
		w.disc.Fail(sector.Span(a, 3), syscall.ENODATA, faultydisc.Always)
	}
	ok := func() {
		t.Helper()
		if got := output(t, bbolt, "check", filepath.Join(w.dir, "map.db")); strings.TrimSpace(got) != "OK" {
			t.Errorf("bbolt check = %q; want OK", got)
		}
	}
	w.read("--only", "0-20000").is(exitMissing)
	ok()
	w.disc.Hang(sector.Span(46_000, 1))
	r := w.start()
	w.disc.Await(1)
	w.disc.Release()
	r.kill()
	w.judge(r.wait())
	ok()
	w.disc.Heal()
	w.read("--again").is(exitDone)
	ok()
	w.whole()
}
