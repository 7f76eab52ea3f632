package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// A drive on paper is described by a file instead of being built: what its disc
// holds, and which sectors it can't give on which surface. The demo leaves such
// files, so that the whole job can be tried without a drive. One looks like this:
//
//	{
//	  "note": "invented",
//	  "name": "drive A",
//	  "kind": "dvd",
//	  "disc": "disc.iso",
//	  "failed_read_ms": 4,
//	  "fails_in_round": [
//	    ["1024+640", "3200-3247"],
//	    ["1024+96"]
//	  ]
//	}
//
// disc is an image of whole sectors, its path seen from the file's folder. Of a
// DVD or Blu-ray a block fails as a whole. In rounds behind the last one listed,
// the last one's sectors fail.
type paper struct {
	Note         string           `json:"note,omitempty"`
	Name         string           `json:"name"`
	Kind         string           `json:"kind"` // cd, dvd or bd
	Disc         string           `json:"disc"`
	FailedReadMS int              `json:"failed_read_ms,omitempty"` // how long a read that fails takes
	FailsInRound [][]sector.Range `json:"fails_in_round"`
}

// isPaper tells whether a drive's name is that of a description.
func isPaper(node string) bool { return strings.HasSuffix(node, ".json") }

// How a drive on paper takes requests, and how long one may fail at most.
const (
	paperDepth       = 2
	paperMaxSectors  = 128
	mostFailedReadMS = 600_000
)

// openPaper opens the drive that a file describes, with its disc on the surface
// of a round. The error is a *device.OpenError where it can't be used.
func openPaper(path string, round int) (*paperDrive, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	p, err := readPaper(path)
	if err != nil {
		return nil, paperError(path, err)
	}
	block, wholeBlocks, ok := device.Block(p.Kind)
	switch {
	case !ok || p.Kind == "":
		return nil, paperError(path, fmt.Errorf("kind %q; say cd, dvd or bd", p.Kind))
	case p.Name == "" || p.Disc == "":
		return nil, paperError(path, errors.New("it needs a name and a disc"))
	case p.FailedReadMS < 0 || p.FailedReadMS > mostFailedReadMS:
		return nil, paperError(path, fmt.Errorf("failed_read_ms %d; say 0 to %d", p.FailedReadMS, mostFailedReadMS))
	}
	disc := p.Disc
	if !filepath.IsAbs(disc) {
		disc = filepath.Join(filepath.Dir(path), disc)
	}
	image, err := openRegular(disc)
	if err != nil {
		return nil, paperError(path, err)
	}
	r, err := newPaperDrive(p, image, round, device.Info{
		Node: path, Vendor: "Invented", Model: p.Name, Kind: p.Kind, BlockSectors: block,
		MaxSectors: paperMaxSectors, Depth: paperDepth, WholeBlocks: wholeBlocks,
	})
	if err != nil {
		image.Close()
		return nil, paperError(path, err)
	}
	return r, nil
}

// readPaper reads a description.
func readPaper(path string) (p paper, err error) {
	const largest = 1 << 20
	f, err := openRegular(path)
	if err != nil {
		return p, err
	}
	defer f.Close()
	d := json.NewDecoder(io.LimitReader(f, largest))
	d.DisallowUnknownFields()
	return p, d.Decode(&p)
}

// openRegular opens a file that is one: opening a pipe would wait for who writes
// into it.
func openRegular(path string) (*os.File, error) {
	if st, err := os.Stat(path); err != nil {
		return nil, err
	} else if !st.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file", path)
	}
	return os.Open(path)
}

func paperError(path string, err error) error {
	return &device.OpenError{Node: path, What: "no drive can be made of this description: " + err.Error(), Err: err}
}

// newPaperDrive puts the disc in. An error is returned when the image is none,
// or a range does not lie on it.
func newPaperDrive(p paper, image *os.File, round int, info device.Info) (*paperDrive, error) {
	st, err := image.Stat()
	if err != nil {
		return nil, err
	}
	if st.Size() == 0 || st.Size()%sector.Size != 0 {
		return nil, fmt.Errorf("%s is not an image of whole sectors of %d bytes", image.Name(), sector.Size)
	}
	info.Sectors = st.Size() / sector.Size
	r := &paperDrive{info: info, image: image, closed: make(chan struct{}),
		slow: time.Duration(p.FailedReadMS) * time.Millisecond}
	whole := sector.Span(0, info.Sectors)
	for n, fails := range p.FailsInRound {
		for _, f := range fails {
			if !whole.Covers(f) {
				return nil, fmt.Errorf("round %d fails at %v; %s has sectors 0 to %d", n, f, image.Name(), info.Sectors-1)
			}
			if n == min(round, len(p.FailsInRound)-1) {
				r.fails.Add(f.Blocks(int64(info.BlockSectors)).Intersect(whole))
			}
		}
	}
	return r, nil
}

// paperDrive is a drive on paper that was opened.
type paperDrive struct {
	info   device.Info
	image  *os.File
	fails  sector.Set
	slow   time.Duration
	closed chan struct{}
	once   sync.Once

	waiting []sector.Range
	since   time.Time // when the oldest that waits was taken up; zero: not yet
	buf     [paperMaxSectors * sector.Size]byte
}

// Info implements device.Reader.
func (r *paperDrive) Info() device.Info { return r.info }

// Ask implements device.Reader.
func (r *paperDrive) Ask(asked sector.Range) error {
	if r.isClosed() {
		return device.ErrClosed
	}
	if err := r.info.Check(asked); err != nil {
		return err
	}
	if len(r.waiting) == r.info.Depth {
		return device.ErrFull
	}
	r.waiting = append(r.waiting, asked)
	return nil
}

// Answer implements device.Reader.
func (r *paperDrive) Answer(ctx context.Context) (device.Answer, error) {
	switch {
	case r.isClosed():
		return device.Answer{}, device.ErrClosed
	case len(r.waiting) == 0:
		return device.Answer{}, device.ErrIdle
	case ctx.Err() != nil:
		return device.Answer{}, ctx.Err()
	}
	if r.since.IsZero() {
		r.since = time.Now()
	}
	asked := r.waiting[0]
	failed, fails := r.fails.Next(asked.First)
	fails = fails && failed.Overlaps(asked)
	a := device.Answer{Asked: asked}
	came := asked
	if fails {
		if err := r.wait(ctx); err != nil {
			return device.Answer{}, err
		}
		came.End = max(asked.First, failed.First)
		a.Err = &device.ReadError{Drive: r.info.Name(), Asked: asked, Class: device.Medium, At: came.End, Text: "an invented fault"}
	}
	a.Data = r.buf[:came.Bytes()]
	n, err := r.image.ReadAt(a.Data, came.First.Offset())
	switch {
	case r.isClosed():
		return device.Answer{}, device.ErrClosed
	case n < len(a.Data): // somebody cut the image short
		a.Data = nil
		a.Err = &device.ReadError{Drive: r.info.Name(), Asked: asked, Class: device.Gone, At: -1, Text: err.Error(), Err: err}
		return a, r.Close()
	}
	a.Took = time.Since(r.since)
	r.waiting, r.since = r.waiting[1:], time.Time{}
	return a, nil
}

// wait waits until the request in hand has taken as long as a failed read takes.
func (r *paperDrive) wait(ctx context.Context) error {
	t := time.NewTimer(r.slow - time.Since(r.since))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-r.closed:
		return device.ErrClosed
	}
}

func (r *paperDrive) isClosed() bool {
	select {
	case <-r.closed:
		return true
	default:
		return false
	}
}

// Close implements device.Reader.
func (r *paperDrive) Close() (err error) {
	r.once.Do(func() {
		close(r.closed)
		err = r.image.Close()
	})
	return err
}
