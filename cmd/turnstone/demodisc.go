package main

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// demoScenario describes the demo's disc and its two drives: its marks, what sanding
// and polishing bring, and that the second drive bears more dull surface than the
// first. All of it is invented.
//
//go:embed demo.json
var demoScenario []byte

// demoSectors is the size of the demo's disc: large enough for rounds that win
// something, small enough for any folder and patience.
const demoSectors = 32768

// makeDemoDisc makes what the disc holds: in each sector a line with its number,
// and noise that is the same every time.
func makeDemoDisc(name string) (err error) {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	w := bufio.NewWriterSize(f, 1<<20)
	noise := rand.NewChaCha8([32]byte{1})
	var p [sector.Size]byte
	for a := range demoSectors {
		noise.Read(p[copy(p[:], fmt.Sprintf("sector %d of an invented disc\n", a)):])
		if _, err := w.Write(p[:]); err != nil {
			return err
		}
	}
	return w.Flush()
}

// proveDemo proves that every sector that the map calls good holds the disc's
// bytes, and every other zeros.
func proveDemo(dir, disc string) error {
	m, err := imager.Load(dir)
	if err != nil || m.Disc().Sectors == 0 {
		return err
	}
	image, err := os.Open(filepath.Join(dir, "image.iso"))
	if err != nil {
		return err
	}
	defer image.Close()
	truth, err := os.Open(disc)
	if err != nil {
		return err
	}
	defer truth.Close()
	is, should := bufio.NewReaderSize(image, 1<<20), bufio.NewReaderSize(truth, 1<<20)
	var got, want [sector.Size]byte
	for a := range sector.LBA(m.Disc().Sectors) {
		if _, err := io.ReadFull(is, got[:]); err != nil {
			return err
		}
		if _, err := io.ReadFull(should, want[:]); err != nil {
			return err
		}
		if m.State(a) != mapfile.Good {
			clear(want[:])
		}
		if got != want {
			return fmt.Errorf("sector %d of the image has other bytes than it should", a)
		}
	}
	return nil
}

// sameFile proves that two files hold the same bytes, and gives their SHA-256.
func sameFile(a, b string) ([]byte, error) {
	var sums [2][]byte
	for i, name := range []string{a, b} {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		h := sha256.New()
		_, err = io.Copy(h, f)
		f.Close()
		if err != nil {
			return nil, err
		}
		sums[i] = h.Sum(nil)
	}
	if !bytes.Equal(sums[0], sums[1]) {
		return nil, fmt.Errorf("%s and %s differ", a, b)
	}
	return sums[0], nil
}
