package main

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/json"
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

// demoSectors is the size of the demo's disc: large enough for rounds that win
// something, small enough for any folder and patience.
const demoSectors = 12288

// demoDrives are the demo's two drives. All of it is invented: the scratches, what
// sanding and polishing bring, and that the second drive is better where the
// first one fails and worse elsewhere.
var demoDrives = map[string]paper{
	"drive-a.json": {
		Note: "invented", Name: "drive A", Kind: "dvd", Disc: demoDiscName, FailedReadMS: 4,
		FailsInRound: [][]sector.Range{
			{span(1024, 640), span(2400, 48), span(3200, 1120), span(5600, 16), span(6144, 960), span(9008, 32), span(10240, 208)},
			{span(1024, 96), span(3216, 256), span(6400, 144), span(10304, 32)},
			{span(1088, 16), span(3296, 48), span(6416, 32)},
		},
	},
	"drive-b.json": {
		Note: "invented", Name: "drive B", Kind: "dvd", Disc: demoDiscName, FailedReadMS: 4,
		FailsInRound: [][]sector.Range{
			{span(512, 320), span(1024, 512), span(3200, 1200), span(6144, 800), span(7600, 176), span(10240, 96)},
			{span(512, 64), span(1136, 48), span(7600, 80), span(9504, 32)},
			{span(7616, 32)},
		},
	},
}

func span(first sector.LBA, n int64) sector.Range { return sector.Span(first, n) }

// writeDemoDrives writes the descriptions of the drives into the folder.
func writeDemoDrives() error {
	for name, p := range demoDrives {
		b, err := json.MarshalIndent(p, "", "  ")
		if err != nil {
			return err
		}
		if err := os.WriteFile(name, append(b, '\n'), 0o600); err != nil {
			return err
		}
	}
	return nil
}

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
