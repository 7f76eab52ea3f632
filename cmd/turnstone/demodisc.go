package main

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"turnstone/device/sector"
	"turnstone/device/sim/press"
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

// demoMade is when the demo's disc was made.
var demoMade = time.Date(2009, 8, 7, 18, 5, 4, 0, time.UTC)

// demoDisc is what the demo's disc holds: a DVD-Video with a menu and five films, and
// folders with photos and letters, as someone makes them for their family. All of it is
// invented.
func demoDisc() press.Disc {
	photos := press.Folder{Name: "PHOTOS"}
	for i := range 8 {
		photos.Files = append(photos.Files, press.File{
			Name: fmt.Sprintf("IMG_%04d.JPG", 1+i), Made: demoMade.Add(time.Duration(i-30) * time.Hour), Data: press.Photo(1+i, 280, 210)})
	}
	letters := press.Folder{Name: "LETTERS", Files: []press.File{
		{Name: "READ_ME.TXT", Made: demoMade, Data: []byte("The films are of the summer: 1 the garden, 2 the choir, 3 the dog, 4 the lake, 5 the fair.\r\n")},
		{Name: "TO_KIM.TXT", Made: demoMade, Data: []byte("Dear Kim, this is an invented disc, and nobody was ever on it.\r\n")},
	}}
	disc := press.Disc{
		Label: "SUMMER_2009", Made: demoMade, Menu: 12 * time.Second, Sectors: demoSectors,
		Folders: []press.Folder{photos, letters},
	}
	// So long that the scratches of the scenario lie in four of them, and that with each
	// step of the work another is whole.
	for i, seconds := range []time.Duration{300, 230, 58, 185, 165} {
		disc.Films = append(disc.Films, press.Film{Length: seconds * time.Second, Made: demoMade.AddDate(0, 0, 9*i-41)})
	}
	return disc
}

// makeDemoDisc records the demo's disc into a file.
func makeDemoDisc(name string) (err error) {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	w := bufio.NewWriterSize(f, 1<<20)
	disc := demoDisc()
	if err := disc.Write(w); err != nil {
		return err
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
