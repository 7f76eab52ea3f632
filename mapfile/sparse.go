package mapfile

import (
	"iter"
	"reflect"
)

// partLen is the number of elements in one part of a sparse array.
const partLen = 256

// sparse is an array that takes memory only where it was touched, in parts of
// partLen elements. An element that was never touched reads as absent.
type sparse[T any] struct{ parts []*[partLen]T }

// get is the place of element i; nil where no element of its part was touched.
func (s *sparse[T]) get(i uint32) *T {
	p := int(i / partLen)
	if p >= len(s.parts) || s.parts[p] == nil {
		return nil
	}
	return &s.parts[p][i%partLen]
}

// touch is the place of element i, made where it was absent. The caller has
// checked i: the array takes 8 bytes for each part below it.
func (s *sparse[T]) touch(i uint32) *T {
	p := int(i / partLen)
	for p >= len(s.parts) {
		s.parts = append(s.parts, nil)
	}
	if s.parts[p] == nil {
		s.parts[p] = new([partLen]T)
	}
	return &s.parts[p][i%partLen]
}

// cost is how many bytes touching element i takes.
func (s *sparse[T]) cost(i uint32) int64 {
	p := int(i / partLen)
	const pointer = 8
	if p >= len(s.parts) {
		return pointer*int64(p+1-len(s.parts)) + partLen*int64(reflect.TypeFor[T]().Size())
	}
	if s.parts[p] == nil {
		return partLen * int64(reflect.TypeFor[T]().Size())
	}
	return 0
}

// all goes through the elements of all touched parts, in order.
func (s *sparse[T]) all() iter.Seq2[uint32, *T] {
	return func(yield func(uint32, *T) bool) {
		for p, part := range s.parts {
			if part == nil {
				continue
			}
			for i := range part {
				if !yield(uint32(p*partLen+i), &part[i]) {
					return
				}
			}
		}
	}
}
