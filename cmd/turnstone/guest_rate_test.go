package main

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// What the rate of the program is held against, in the same guest: bare loops of the
// same work, and of a part of it.

// raw reads from a node past the page cache, as dd iflag=direct does: node, bytes of a
// request, first byte, end. It replies with the nanoseconds, or the bytes at which it
// failed.
func (g *inside) raw(_ string, args []string) (reply, error) {
	var size, first, end int64
	if _, err := fmt.Sscan(strings.Join(args[1:], " "), &size, &first, &end); err != nil {
		return reply{}, err
	}
	buf, free, err := pages(size)
	if err != nil {
		return reply{}, err
	}
	defer free()
	began := time.Now()
	err = readRaw(args[0], size, first, end, func() []byte { return buf }, func([]byte, int64) {})
	return took(began), err
}

// copyDisc does of a clean disc what a pass can't do without, and nothing else: it reads
// past the page cache, works out each sector's checksum, and writes an image, which is
// done while more is read. Its arguments are those of raw, its reply is too.
func (g *inside) copyDisc(_ string, args []string) (reply, error) {
	var size, first, end int64
	if _, err := fmt.Sscan(strings.Join(args[1:], " "), &size, &first, &end); err != nil {
		return reply{}, err
	}
	image, err := os.CreateTemp("", "image-")
	if err != nil {
		return reply{}, err
	}
	defer os.Remove(image.Name())
	defer image.Close()
	type came struct {
		data []byte
		at   int64
	}
	const ahead = 16
	free, full, done := make(chan []byte, ahead), make(chan came, ahead), make(chan error, 1)
	for range ahead {
		buf, unmap, err := pages(size)
		if err != nil {
			return reply{}, err
		}
		defer unmap()
		free <- buf
	}
	began := time.Now()
	go func() {
		var sums []uint32
		var failed error
		for c := range full {
			sums = mapfile.AppendSums(sums[:0], c.data)
			if _, err := image.WriteAt(c.data, c.at); err != nil {
				failed = err
			}
			free <- c.data[:size]
		}
		done <- failed
	}()
	err = readRaw(args[0], size, first, end, func() []byte { return <-free }, func(b []byte, at int64) { full <- came{b, at} })
	close(full)
	if failed := <-done; err == nil {
		err = failed
	}
	return took(began), err
}

// readRaw reads a node past the page cache, into the memory that room gives for each
// request, and hands on what came.
func readRaw(node string, size, first, end int64, room func() []byte, came func(data []byte, at int64)) error {
	fd, err := unix.Open(node, unix.O_RDONLY|unix.O_DIRECT|unix.O_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(fd)
	for at := first; at < end; at += size {
		buf := room()[:min(size, end-at)]
		n, err := unix.Pread(fd, buf, at)
		if err == nil && n < len(buf) {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return fmt.Errorf("pread at %d = %d, %w", at, n, err)
		}
		came(buf, at)
	}
	return nil
}

// pages is memory that begins at a page, until it is freed.
func pages(n int64) (b []byte, free func(), err error) {
	b, err = unix.Mmap(-1, 0, int(n), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANONYMOUS)
	return b, func() { unix.Munmap(b) }, err
}

func took(began time.Time) reply {
	return reply{Text: strconv.FormatInt(int64(time.Since(began)), 10)}
}

// rates are rates in MB/s, in the order in which they were measured.
type rates []float64

func (r *rates) add(sectors int64, seconds float64) {
	*r = append(*r, float64(sectors*sector.Size)/1e6/seconds)
}

func (r rates) median() float64 { return slices.Sorted(slices.Values(r))[len(r)/2] }

// String is the median, and all.
func (r rates) String() string { return fmt.Sprintf("%.1f MB/s (%.1f)", r.median(), []float64(r)) }
