package press

import (
	"cmp"
	"io"
	"slices"
)

// sheet is a disc's sectors: what is put is kept until all is there, and written in the
// order of addresses, with zeros between.
type sheet struct{ parts []part }

type part struct {
	at   int // sector
	data []byte
}

// put keeps data that begins at a sector.
func (s *sheet) put(at int, data []byte) {
	if len(data) > 0 {
		s.parts = append(s.parts, part{at, data})
	}
}

// write writes so many sectors.
func (s *sheet) write(w io.Writer, sectors int) error {
	slices.SortFunc(s.parts, func(a, b part) int { return cmp.Compare(a.at, b.at) })
	var zeros [64 * size]byte
	at := 0 // bytes
	to := func(end int) error {
		for at < end {
			n, err := w.Write(zeros[:min(len(zeros), end-at)])
			if err != nil {
				return err
			}
			at += n
		}
		return nil
	}
	for _, p := range s.parts {
		if err := to(p.at * size); err != nil {
			return err
		}
		n, err := w.Write(p.data)
		if err != nil {
			return err
		}
		at += n
	}
	return to(sectors * size)
}
