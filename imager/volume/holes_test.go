package volume

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

func wholeImage(data []byte) *tree.File { return tree.Whole(bytes.NewReader(data), int64(len(data))) }

// truth is a healthy disc: the bytes of its files by path, and by where they begin.
type truth struct {
	data   []byte
	files  map[string][]byte
	places map[int64][]byte
	all    map[string]bool // contents
	hot    []sector.LBA
	oracle *oracle
}

func newTruth(t testing.TB, data []byte) *truth {
	v, err := Open(wholeImage(data), Options{})
	if err != nil || v.Root == nil {
		t.Fatalf("Open of the healthy image: %v, root %v", err, v.Root)
	}
	w := &truth{data: data, files: map[string][]byte{}, places: map[int64][]byte{}, all: map[string]bool{}, oracle: newOracle(data)}
	for e := range v.Files() {
		b, err := io.ReadAll(v.Content(e))
		if err != nil {
			t.Fatal(err)
		}
		w.files[e.Path()] = b
		w.all[string(b)] = true
		if at, ok := key(e.Extents); ok {
			w.places[at] = b
		}
	}
	for _, s := range []sector.Set{v.Structures.Descriptors, v.Structures.Tables, v.Structures.Directories, sector.Of(sector.Span(16, 24))} {
		for r := range s.Runs() {
			for a := r.First; a < r.End; a++ {
				w.hot = append(w.hot, a)
			}
		}
	}
	return w
}

// tally is what the rounds of a disc came to, so that a test that finds nothing is
// seen to.
type tally struct{ whole, damaged, unknown, standIns, must int }

// check opens the image with holes and proves what it says.
func (w *truth) check(t testing.TB, seed uint64, sum *tally) {
	r := rand.New(rand.NewPCG(seed, 9))
	n := int64(len(w.data) / sector.Size)
	missing := holes(r, n, w.hot)
	disc := sector.Of(sector.Span(0, n))
	good := disc.Subtract(&missing)
	img := tree.Holed(bytes.NewReader(w.data), n, &good)
	v, err := Open(img, Options{})
	if err != nil {
		t.Fatalf("seed %d: %v", seed, err)
	}
	listed := map[int64][]*Entry{}
	for e := range v.Files() {
		at, placed := key(e.Extents)
		if placed {
			listed[at] = append(listed[at], e)
		}
		if e.StandsIn {
			sum.standIns++
		}
		want, named := w.files[e.Path()]
		switch e.State {
		case Whole:
			sum.whole++
			got, err := io.ReadAll(v.Content(e))
			if err != nil {
				t.Fatalf("seed %d: %q is whole; reading it: %v", seed, e.Path(), err)
			}
			if named && !bytes.Equal(got, want) || !named && !w.all[string(got)] {
				t.Fatalf("seed %d: %q is called whole, and its %d bytes are not the disc's (%d)", seed, e.Path(), len(got), len(want))
			}
		case Damaged:
			sum.damaged++
			if !named && placed {
				want, named = w.places[at]
			}
			if named {
				w.checkDamaged(t, seed, v, e, want)
			}
		case Unknown:
			sum.unknown++
			if e.Why == "" {
				t.Fatalf("seed %d: %q is unknown without a reason", seed, e.Path())
			}
		}
	}
	for at, nodes := range w.oracle.must(&good) {
		sum.must += len(nodes)
		if len(listed[at]) < len(nodes) {
			t.Fatalf("seed %d: %d files are listed at sector %d; want %d, as %q, to which a way is there; missing: %v",
				seed, len(listed[at]), at/sector.Size, len(nodes), nodes[0].Name, runs(&missing))
		}
		for _, e := range listed[at] {
			if want := w.places[at]; e.State != Unknown && want != nil && e.Size != int64(len(want)) {
				t.Fatalf("seed %d: %q has size %d; want %d", seed, e.Path(), e.Size, len(want))
			}
		}
	}
	lacks := v.Structures.Needed.Intersect(&good)
	if spare := v.Structures.Spare.Intersect(&good); !lacks.Empty() || !spare.Empty() {
		t.Fatalf("seed %d: good sectors are needed", seed)
	}
}

// checkDamaged proves that what is told of a damaged file is so: the bytes that are
// said to be there are the disc's, and the missing ones can't be read.
func (w *truth) checkDamaged(t testing.TB, seed uint64, v *Volume, e *Entry, want []byte) {
	if e.Size != int64(len(want)) {
		t.Fatalf("seed %d: %q is damaged, of size %d; want %d", seed, e.Path(), e.Size, len(want))
	}
	at, lost := int64(0), int64(0)
	content := v.Content(e)
	compare := func(from, to int64) {
		if from == to {
			return
		}
		got := make([]byte, to-from)
		if _, err := content.ReadAt(got, from); err != nil || !bytes.Equal(got, want[from:to]) {
			t.Fatalf("seed %d: %q, bytes %d-%d are said to be there: %v, or other bytes", seed, e.Path(), from, to, err)
		}
	}
	for hole := range v.Missing(e) {
		if hole.First < at || hole.End <= hole.First || hole.End > e.Size {
			t.Fatalf("seed %d: %q misses %+v behind byte %d", seed, e.Path(), hole, at)
		}
		compare(at, hole.First)
		var b [1]byte
		if _, err := content.ReadAt(b[:], hole.First); !errors.Is(err, tree.ErrMissing) {
			t.Fatalf("seed %d: %q, byte %d is missing; reading it: %v", seed, e.Path(), hole.First, err)
		}
		at, lost = hole.End, lost+hole.End-hole.First
	}
	compare(at, e.Size)
	if lost != e.MissingBytes || lost == 0 {
		t.Fatalf("seed %d: %q misses %d bytes, %d by its ranges", seed, e.Path(), e.MissingBytes, lost)
	}
}

func runs(s *sector.Set) (all []string) {
	for r := range s.Runs() {
		all = append(all, r.String())
	}
	return all
}

// punish checks so many random sets of holes in one disc.
func punish(t *testing.T, data []byte, sets int) {
	w := newTruth(t, data)
	var sum tally
	for seed := range uint64(sets) {
		w.check(t, seed, &sum)
	}
	t.Logf("%d sets: %+v", sets, sum)
	if sum.whole == 0 || sum.must == 0 || sum.damaged+sum.unknown == 0 {
		t.Errorf("%d sets came to %+v: the test tests nothing", sets, sum)
	}
}

// Discs of other people's tools, 500 random sets of holes each: nothing is called
// whole that is not, nothing is lost to which there is a way.
func TestRigHoles(t *testing.T) {
	sets := 500
	if underRace {
		sets = 8
	}
	for _, path := range images(t, "iso-*.iso", "udf-*.udf", "dvd-tiny.iso", "pkg/go-*.iso") {
		if filepath.Base(path) == "udf-vatempty-150.udf" || filepath.Base(path) == "udf-vatempty-250.udf" {
			continue // no files
		}
		t.Run(filepath.Base(path), func(t *testing.T) {
			t.Parallel()
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			data = data[:len(data)/sector.Size*sector.Size]
			punish(t, data, sets)
			lead(t, data)
		})
	}
}
