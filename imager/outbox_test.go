package imager

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"testing"
	"time"

	"turnstone/imager/volume"
)

// outboxIn opens an outbox in a new folder, which syncs in one way or the other.
func outboxIn(t *testing.T, atOnce bool) (o *outbox, dir string) {
	t.Helper()
	dir = t.TempDir()
	o, err := openOutbox(dir)
	if err != nil {
		t.Fatal(err)
	}
	o.atOnce = atOnce
	return o, dir
}

func folderJob(as string) job { return job{File: File{Entry: new(volume.Entry)}, as: as} }

// put writes a file into it, with its name as what it holds.
func put(t *testing.T, o *outbox, as string) {
	t.Helper()
	w, err := o.create(as)
	if err != nil {
		t.Fatal(err)
	}
	w.counts = true
	if err := errors.Join(w.write([]byte(as), 0), w.finish(int64(len(as)), time.Time{})); err != nil {
		t.Fatal(err)
	}
	if err := o.place(w); err != nil {
		t.Fatal(err)
	}
}

// Files come to where they belong in whatever order and in however many batches, and
// nothing else does.
func TestOutboxBatches(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for n := range 40 {
		o, dir := outboxIn(t, n%2 == 0)
		want := map[string]bool{}
		var folders []job
		made := map[string]bool{".": true}
		for range 1 + rnd.IntN(60) {
			as := fmt.Sprintf("f%d", rnd.IntN(1000))
			for range rnd.IntN(4) {
				as = fmt.Sprintf("d%d/%s", rnd.IntN(3), as)
			}
			if want[as] {
				continue
			}
			want[as] = true
			put(t, o, as)
			if _, err := os.Lstat(filepath.Join(dir, as)); err == nil {
				t.Fatalf("%s is in its place before it is sent", as)
			}
			if rnd.IntN(8) == 0 {
				if err := o.send(); err != nil {
					t.Fatal(err)
				}
			}
			var up func(d string)
			up = func(d string) {
				if !made[d] {
					up(path.Dir(d))
					made[d] = true
					folders = append(folders, folderJob(d))
				}
			}
			up(path.Dir(as))
		}
		folders = append(folders, folderJob("empty"))
		if err := o.close(folders, true); err != nil {
			t.Fatal(err)
		}
		got := contents(t, dir)
		for as := range want {
			if string(got[as]) != as {
				t.Errorf("%s holds %q; want its name", as, got[as])
			}
		}
		if len(got) != len(want)+len(folders) || o.files != len(want) {
			t.Errorf("%d files and folders, %d counted; want %d files and %d folders", len(got), o.files, len(want), len(folders))
		}
	}
}

// What is in the way stays: a file, a folder with something in it or nothing, a link.
func TestOutboxMovesOverNothing(t *testing.T) {
	for name, stand := range map[string]func(at string) error{
		"file":         func(at string) error { return os.WriteFile(at, []byte("mine"), 0o600) },
		"folder":       func(at string) error { return errors.Join(os.Mkdir(at, 0o700), os.WriteFile(at+"/mine", nil, 0o600)) },
		"empty folder": func(at string) error { return os.Mkdir(at, 0o700) },
		"link":         func(at string) error { return os.Symlink("/nowhere", at) },
	} {
		for _, as := range []string{"x", "x/inside"} {
			o, dir := outboxIn(t, true)
			at := filepath.Join(dir, "x")
			if err := stand(at); err != nil {
				t.Fatal(err)
			}
			before, err := os.Lstat(at)
			if err != nil {
				t.Fatal(err)
			}
			put(t, o, "before")
			put(t, o, as)
			put(t, o, "behind")
			if err := o.close([]job{folderJob("x")}, true); !errors.Is(err, fs.ErrExist) {
				t.Errorf("%s: close() with %s in it = %v; want fs.ErrExist", name, as, err)
			}
			after, err := os.Lstat(at)
			if err != nil || !os.SameFile(before, after) {
				t.Errorf("%s: what stood in the way of %s is not there any more", name, as)
			}
			entries, err := os.ReadDir(dir)
			if err != nil || len(entries) != 2 || o.files != 1 {
				t.Errorf("%s: %d entries, %d counted, %v; want what was in the way and the file before it", name, len(entries), o.files, err)
			}
		}
	}
}
