package main

import (
	"bytes"
	"crypto/sha256"
	"io"
	"os"
	"path/filepath"
	"testing"

	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

// witness follows one case over many runs of the program. It knows what the disc
// holds and what it was asked for, from the disc's own log, and believes nothing
// that the program says without looking.
type witness struct {
	t    testing.TB
	dir  string
	disc *faultydisc.Disc // nil on a rig
	drive
	good sector.Set // what the map calls good on the disk
	seen int        // identity reads so far
}

// drive is where a disc is read, and what tells of it past the program.
type drive struct {
	node    string
	sectors int64
	content func(sector.Range) []byte
	log     func() []faultydisc.Request // since it was called last
}

// newWitness puts a disc into a drive and names a folder for its case.
func newWitness(t testing.TB, o faultydisc.Options) *witness {
	t.Helper()
	w := &witness{t: t, dir: filepath.Join(t.TempDir(), "case")}
	w.insert(faultydisc.New(t, o))
	return w
}

// insert takes another drive for the passes to come.
func (w *witness) insert(d *faultydisc.Disc) {
	w.disc = d
	w.drive = drive{d.Device, d.Sectors, d.Content, func() []faultydisc.Request {
		log := d.Requests()
		d.Reset()
		return log
	}}
	d.Reset()
}

// start starts a pass over the case.
func (w *witness) start(more ...string) *running {
	w.t.Helper()
	return start(w.t, append([]string{"read", w.dir, "--drive", w.node, "--json"}, more...)...)
}

// read runs a pass to its end and judges it.
func (w *witness) read(more ...string) result {
	w.t.Helper()
	r := w.start(more...).wait()
	w.judge(r)
	return r
}

// judge holds what the disc was asked for since the last judging against what was
// good at that time: what the map on the disk called good before, and what the
// disc has delivered since. The only exception is a read that the program
// announced as an identity read, and then only for that block.
func (w *witness) judge(r result) {
	w.t.Helper()
	identity := r.events("identity-read")
	good := w.good.Clone()
	for _, q := range w.log() {
		if q.Sectors.Count() > 256 {
			w.t.Fatalf("the request %v is longer than the program asks for", q)
		}
		if good.Overlaps(q.Sectors) {
			if len(identity) == 0 || identity[0].Range != q.Sectors {
				w.t.Errorf("the request %v covers good sectors, and no identity read was announced for it", q)
				continue
			}
			identity = identity[1:]
			w.seen++
			continue
		}
		if q.Good() {
			good.Add(q.Sectors)
		}
	}
	if len(identity) > 0 {
		w.t.Errorf("identity reads of %v were announced and never asked for", identity)
	}
	if !w.exists() {
		return // killed before there was a case
	}
	now := listed(w.t, w.dir, "good")
	if lost := w.good.Subtract(&now); !lost.Empty() {
		w.t.Errorf("sectors %v were good and are not any more", lost)
	}
	if invented := now.Subtract(&good); !invented.Empty() {
		w.t.Errorf("sectors %v are called good and never came", invented)
	}
	w.good = now
}

// exists tells whether there is a case yet.
func (w *witness) exists() bool {
	_, err := os.Stat(filepath.Join(w.dir, "map.db"))
	return err == nil
}

// truthful proves the case: check --deep agrees, and every sector of the image
// that the map calls good holds the disc's bytes, every other one zeros; that one
// may hold anything between a kill and the next writer.
func (w *witness) truthful() {
	w.t.Helper()
	turnstone(w.t, "check", "--deep", w.dir).is(exitDone)
	good, killed := listed(w.t, w.dir, "good"), false
	for _, r := range statusOf(w.t, w.dir).Rounds {
		for _, p := range r.Passes {
			killed = killed || p.Ended == ""
		}
	}
	image, err := os.Open(filepath.Join(w.dir, "image.iso"))
	if err != nil {
		w.t.Fatal(err)
	}
	defer image.Close()
	const most = 512
	got, zeros := make([]byte, most*sector.Size), make([]byte, sector.Size)
	for first := int64(0); first < w.sectors; first += most {
		part := sector.Span(sector.LBA(first), min(most, w.sectors-first))
		if _, err := io.ReadFull(image, got[:part.Bytes()]); err != nil {
			w.t.Fatalf("image: %v in %v", err, part)
		}
		want := w.content(part)
		if good.Covers(part) {
			if !bytes.Equal(got[:part.Bytes()], want) {
				w.t.Fatalf("the image differs from the disc somewhere in %v, all of it called good", part)
			}
			continue
		}
		for a := part.First; a < part.End; a++ {
			at := (a - part.First).Offset()
			have, want := got[at:at+sector.Size], want[at:at+sector.Size]
			if !good.Contains(a) {
				if killed {
					continue
				}
				want = zeros
			}
			if !bytes.Equal(have, want) {
				w.t.Fatalf("sector %d of the image is wrong (good: %v)", a, good.Contains(a))
			}
		}
	}
	if n, err := image.Read(got); err != io.EOF {
		w.t.Errorf("behind the disc's last sector the image has %d bytes more", n)
	}
}

// whole proves that the image is the disc: by its length and SHA-256.
func (w *witness) whole() {
	w.t.Helper()
	hash := sha256.New()
	for a := int64(0); a < w.sectors; a += 512 {
		hash.Write(w.content(sector.Span(sector.LBA(a), min(512, w.sectors-a))))
	}
	if got, want := sumOf(w.t, filepath.Join(w.dir, "image.iso")), [32]byte(hash.Sum(nil)); got != want {
		w.t.Errorf("sha256 of the image = %x; want the disc's, %x", got, want)
	}
}

// sumOf is the SHA-256 of a file.
func sumOf(t testing.TB, path string) [32]byte {
	t.Helper()
	sum, err := hashOf(path)
	if err != nil {
		t.Fatal(err)
	}
	return sum
}

func hashOf(path string) (sum [32]byte, err error) {
	f, err := os.Open(path)
	if err != nil {
		return sum, err
	}
	defer f.Close()
	hash := sha256.New()
	_, err = io.Copy(hash, f)
	return [32]byte(hash.Sum(nil)), err
}

// lists checks what the map lists.
func (w *witness) lists(what string, want ...sector.Range) {
	w.t.Helper()
	set := sector.Of(want...)
	if got := listed(w.t, w.dir, what); !got.Equal(&set) {
		w.t.Errorf("status --list %s = %v; want %v", what, got, set)
	}
}

// ended checks how the last pass ended, as status --json says it.
func (w *witness) ended(how string) {
	w.t.Helper()
	rounds := statusOf(w.t, w.dir).Rounds
	passes := rounds[len(rounds)-1].Passes
	if len(passes) == 0 || passes[len(passes)-1].Ended != how {
		w.t.Errorf("passes = %+v; want the last one ended %q", passes, how)
	}
}
