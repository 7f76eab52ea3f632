package mapfile

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
)

// Value is one value of a map's file, as the package doc has it: the body, and behind it
// the four bytes of its checksum. All of them together are the map, with its events,
// wherever they are carried.
type Value struct {
	Bucket string
	Key    []byte
	Sealed []byte
}

// Values is all that the file at path holds, by bucket and key, the head first. The file
// is proven before and closed again; its errors are Open's.
func Values(path string) ([]Value, error) {
	var all []Value
	err := inspect(path, openPatience, func(data []byte) error {
		l := loader{}
		if err := l.load(data); err != nil {
			return err
		}
		if len(l.problems) > 0 {
			return l.damage()
		}
		t, err := openTree(data, l.bad)
		if err != nil {
			return err
		}
		d := database{t, t.buckets()}
		names := slices.DeleteFunc(d.names(), func(name string) bool { return name == headBucket })
		for _, name := range append([]string{headBucket}, names...) {
			d.each(name, func(key, value []byte) {
				all = append(all, Value{name, bytes.Clone(key), l.keep(value)})
			})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

// FromValues is the map that values hold, in memory: as Open proves a file, so it proves
// them, whoever they come from. A map that would take more than some memory, in bytes,
// is not made: ErrTooLarge is returned. Other errors are ErrForeign where there is no
// head, ErrNewer and ErrDamaged.
//
// The map has no file: Create may make one, which then lacks the events.
func FromValues(values []Value, memory int64) (*Map, error) {
	l := loader{room: &room{left: memory}}
	c := carried{}
	for _, v := range values {
		if of := c[v.Bucket]; len(of) > 0 && bytes.Compare(of[len(of)-1].Key, v.Key) >= 0 {
			return nil, fmt.Errorf("%w: %s %x is out of order", ErrDamaged, v.Bucket, v.Key)
		}
		c[v.Bucket] = append(c[v.Bucket], v)
	}
	const whole = 1<<63 - 1 // the length of a file says nothing of values
	if err := l.loadFrom(c, whole); err != nil {
		return nil, err
	}
	if len(l.problems) > 0 {
		return nil, l.damage()
	}
	l.m.file = fileState{} // it has none here
	return l.m, nil
}

// carried is values as a holder, by bucket.
type carried map[string][]Value

func (c carried) names() []string { return slices.Sorted(maps.Keys(c)) }

func (c carried) each(bucket string, f visit) {
	for _, v := range c[bucket] {
		f(v.Key, v.Sealed)
	}
}

// room is memory that what was carried may take. Nobody knows who made it: a few bytes
// may stand for large numbers.
type room struct {
	left int64
	full bool
}

// perValue is what a value takes beside its bytes, at most, in the records and pages that
// are made of it, in bytes.
const perValue = 512

// take takes so many bytes; false where there are not so many left, and from then on.
func (r *room) take(n int64) bool {
	if r == nil {
		return true
	}
	if r.left < n {
		r.full = true
	}
	r.left -= n
	return !r.full
}

func (r *room) err() error {
	if r != nil && r.full {
		return ErrTooLarge
	}
	return nil
}
