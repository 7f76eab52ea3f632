package pack

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"turnstone/mapfile"
)

// appendValue appends a value of a map.
func appendValue(b []byte, v mapfile.Value) []byte {
	for _, part := range [][]byte{[]byte(v.Bucket), v.Key, v.Sealed} {
		b = append(binary.AppendUvarint(b, uint64(len(part))), part...)
	}
	return b
}

// readValues reads the values of a map up to the end of r. No more memory is taken than
// what came, and no more comes than mapMost.
func readValues(r io.Reader) ([]mapfile.Value, error) {
	left := &io.LimitedReader{R: r, N: mapMost + 1}
	in := bufio.NewReader(left)
	var all []mapfile.Value
	for {
		if _, err := in.Peek(1); errors.Is(err, io.EOF) && left.N > 0 {
			return all, nil
		}
		bucket, err := readPart(in, namesMost)
		if err != nil {
			return nil, valueError(left, err)
		}
		key, err := readPart(in, namesMost)
		if err != nil {
			return nil, valueError(left, err)
		}
		sealed, err := readPart(in, valueMost)
		if err != nil {
			return nil, valueError(left, err)
		}
		if len(all) == valuesMost {
			return nil, fmt.Errorf("%w: a map of more than %d values", ErrTooLarge, valuesMost)
		}
		all = append(all, mapfile.Value{Bucket: string(bucket), Key: key, Sealed: sealed})
	}
}

var errLength = errors.New("a length that can't be")

// readPart reads a length, of at most most, and so many bytes.
func readPart(in *bufio.Reader, most uint64) ([]byte, error) {
	n, err := binary.ReadUvarint(in)
	if err != nil {
		return nil, err
	}
	if n > most {
		return nil, errLength
	}
	const atOnce = 64 << 10 // beyond it memory is taken as bytes come
	if n <= atOnce {
		b := make([]byte, n)
		_, err = io.ReadFull(in, b)
		return b, err
	}
	var b bytes.Buffer
	_, err = io.CopyN(&b, in, int64(n))
	return b.Bytes(), err
}

// valueError is why the values could not be read.
func valueError(left *io.LimitedReader, err error) error {
	switch {
	case left.N <= 0:
		return fmt.Errorf("%w: a map of more than %d bytes", ErrTooLarge, mapMost)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, errLength):
		return fmt.Errorf("%w: the values of its map can't be read", ErrDamaged)
	}
	return err
}
