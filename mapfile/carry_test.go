package mapfile

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"turnstone/device/sector"
)

const enough = 64 << 20 // bytes of memory

func mustValues(tb testing.TB, path string) []Value {
	tb.Helper()
	all, err := Values(path)
	if err != nil {
		tb.Fatalf("Values() = %v; want nil", err)
	}
	return all
}

// copied is values that share nothing with those given.
func copied(all []Value) []Value {
	all = slices.Clone(all)
	for i := range all {
		all[i].Key, all[i].Sealed = bytes.Clone(all[i].Key), bytes.Clone(all[i].Sealed)
	}
	return all
}

// The values of a file are the map that it holds, and a file made of that map has the
// same values again, but for the head, which counts commits, and the events.
func TestCarry(t *testing.T) {
	path := rich(t)
	all := mustValues(t, path)
	if all[0].Bucket != headBucket {
		t.Errorf("the first value is of %q; want %q", all[0].Bucket, headBucket)
	}
	m, err := FromValues(copied(all), enough)
	if err != nil {
		t.Fatalf("FromValues() = %v; want nil", err)
	}
	wantSame(t, "carried", content(m), content(mustOpen(t, path)))
	again := mustValues(t, mustCreate(t, m))
	same := func(v Value) bool {
		return v.Bucket == headBucket || v.Bucket == eventBucket || slices.ContainsFunc(all, func(o Value) bool {
			return o.Bucket == v.Bucket && bytes.Equal(o.Key, v.Key) && bytes.Equal(o.Sealed, v.Sealed)
		})
	}
	for _, v := range again {
		if !same(v) {
			t.Errorf("%s %x is another value after carrying", v.Bucket, v.Key)
		}
	}
}

// Values that were changed, lost, doubled or put in another order on their way are no
// map.
func TestCarryDamaged(t *testing.T) {
	all := mustValues(t, rich(t))
	for i := range all {
		for _, change := range []struct {
			name string
			do   func(v []Value) []Value
		}{
			{"a bit flipped", func(v []Value) []Value { v[i].Sealed[len(v[i].Sealed)/2] ^= 4; return v }},
			{"lost", func(v []Value) []Value { return slices.Delete(v, i, i+1) }},
			{"doubled", func(v []Value) []Value { return slices.Insert(v, i, v[i]) }},
			{"cut", func(v []Value) []Value { v[i].Sealed = v[i].Sealed[:2]; return v }},
			{"in another bucket", func(v []Value) []Value { v[i].Bucket = "elsewhere"; return v }},
		} {
			_, err := FromValues(change.do(copied(all)), enough)
			if !errors.Is(err, ErrDamaged) && !(errors.Is(err, ErrForeign) && all[i].Bucket == headBucket) {
				t.Errorf("FromValues(value %d, %s %x, %s) = %v; want ErrDamaged", i, all[i].Bucket, all[i].Key, change.name, err)
			}
		}
	}
	if _, err := FromValues(nil, enough); !errors.Is(err, ErrForeign) {
		t.Errorf("FromValues(nil) = %v; want ErrForeign", err)
	}
}

// A few bytes that stand for much memory are not turned into it.
func TestCarryBounds(t *testing.T) {
	const large = 1 << 30
	m := newCase(t, large)
	for range 200 {
		n := mustPass(t, m, Pass{Drive: -1, Started: day})
		mustRecord(t, m, n, sector.Span(large-1, 1), Failed) // 64 KiB of places before it
	}
	all := mustValues(t, mustCreate(t, m))
	if _, err := FromValues(all, 8<<20); !errors.Is(err, ErrTooLarge) {
		t.Errorf("FromValues(1 sector in each of 200 passes) = %v; want ErrTooLarge", err)
	}
	if _, err := FromValues(all, 1<<30); err != nil {
		t.Errorf("FromValues(with 1 GiB) = %v; want nil", err)
	}
	if _, err := FromValues(mustValues(t, rich(t)), 1000); !errors.Is(err, ErrTooLarge) {
		t.Errorf("FromValues(with 1000 bytes) = %v; want ErrTooLarge", err)
	}
}

// FuzzCarry proves that no values make the loader panic, and that what it takes for a
// map it can tell of. Seals are made anew, so that the bodies are looked at.
func FuzzCarry(f *testing.F) {
	all := mustValues(f, rich(f))
	for i := 0; i < len(all); i += max(1, len(all)/8) {
		f.Add(i, all[i].Key, all[i].Sealed[:len(all[i].Sealed)-sealBytes])
	}
	f.Fuzz(func(t *testing.T, i int, key, body []byte) {
		v := slices.Clone(all)
		if i < 0 || i >= len(v) {
			return
		}
		at := &v[i]
		at.Key = key
		at.Sealed = order.AppendUint32(bytes.Clone(body), seal(bucketSum(at.Bucket), key, body))
		l := loader{room: &room{left: enough}}
		c := carried{}
		for _, v := range v {
			c[v.Bucket] = append(c[v.Bucket], v)
		}
		// The head may count other values than there are: what it counts is not proven here.
		if err := l.loadFrom(c, 1<<62); err == nil && l.m != nil && l.m.states.sectors < 1<<20 {
			_ = content(l.m)
		}
	})
}
