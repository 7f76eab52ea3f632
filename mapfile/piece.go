package mapfile

import (
	"encoding/binary"
	"errors"
	"math/bits"
	"slices"
)

// piece is n neighbours that are alike, of whatever a value tells of sector by
// sector. What is 0 where it tells nothing.
type piece struct {
	n    int
	what uint32
}

// appendPieces appends the encoding of pieces, as the package doc draws it.
// Neighbouring pieces differ, and the last is not of 0.
func appendPieces(b []byte, pieces []piece) []byte {
	var few [16]uint32 // most values have no more kinds
	known := few[:0]
	for _, p := range pieces {
		if p.what != 0 && !slices.Contains(known, p.what) {
			known = append(known, p.what)
		}
	}
	b = binary.AppendUvarint(b, uint64(len(known)))
	for _, what := range known {
		b = binary.LittleEndian.AppendUint32(b, what)
	}
	again := len(known) + 1
	width := bits.Len(uint(again))
	for i := 0; i < len(pieces); {
		n := 0 // pairs from here on that are like the pair before
		for j := i; i >= 2 && j+1 < len(pieces) && pieces[j] == pieces[i-2] && pieces[j+1] == pieces[i-1]; j += 2 {
			n++
		}
		if n > 0 {
			b = binary.AppendUvarint(b, uint64((n-1)<<width|again))
			i += 2 * n
			continue
		}
		kind := 1 + slices.Index(known, pieces[i].what) // 0 for 0, which is not known
		b = binary.AppendUvarint(b, uint64((pieces[i].n-1)<<width|kind))
		i++
	}
	return b
}

var errPieces = errors.New("not an encoding of pieces")

// decodePieces reads the encoding of pieces of at most most sectors, each of 0
// or of what is valid. It appends to dst.
func decodePieces(dst []piece, b []byte, most int, valid func(what uint32) bool) ([]piece, error) {
	count, b, ok := cutUvarint(b, uint64(most))
	if !ok || uint64(len(b)) < 4*count {
		return nil, errPieces
	}
	var few [1 + 16]uint32
	known := few[:1]
	for range count {
		what := binary.LittleEndian.Uint32(b)
		b = b[4:]
		if what == 0 || !valid(what) || slices.Contains(known, what) {
			return nil, errPieces
		}
		known = append(known, what)
	}
	again := count + 1
	width := bits.Len64(again)
	start, at := len(dst), 0
	for len(b) > 0 {
		var v uint64
		if v, b, ok = cutUvarint(b, uint64(most)<<width); !ok {
			return nil, errPieces
		}
		n, kind := int(v>>width)+1, v&(1<<width-1)
		last := len(dst) - 1
		switch {
		case kind < again && (last < start || dst[last].what != known[kind]):
			at += n
			dst = append(dst, piece{n, known[kind]})
		case kind == again && last > start:
			x, y := dst[last-1], dst[last]
			if at += n * (x.n + y.n); at > most {
				return nil, errPieces
			}
			for range n {
				dst = append(dst, x, y)
			}
		default:
			return nil, errPieces
		}
		if at > most {
			return nil, errPieces
		}
	}
	if last := len(dst) - 1; last >= start && dst[last].what == 0 {
		return nil, errPieces
	}
	return dst, nil
}

// cutUvarint cuts a varint off b: of at most limit, and in its shortest form, so
// that a value has one encoding only.
func cutUvarint(b []byte, limit uint64) (v uint64, rest []byte, ok bool) {
	v, n := binary.Uvarint(b)
	if n <= 0 || v > limit || n > 1 && b[n-1] == 0 {
		return 0, nil, false
	}
	return v, b[n:], true
}
