package mapfile

import (
	"fmt"
	"maps"
	"slices"
)

// Open proves the file at path and loads the map from it. The file is closed
// again when it returns, and is never changed by it. Errors are those of the
// operating system, ErrBusy when a writer held the file for more than ten
// seconds, and ErrEmpty, ErrForeign, ErrNewer or ErrDamaged.
func Open(path string) (*Map, error) { return open(path, loader{}) }

// OpenBare is Open for those who only look at the map: it proves as much, and does not
// keep the checksums of sectors, which are most of what a map takes. Of a bare map Sum and
// Sums tell nothing, and Record, Commit and Create return ErrBare. A map with conflicts,
// which are told by their sums, is never bare.
func OpenBare(path string) (*Map, error) { return open(path, loader{bare: true}) }

// open is Open by a loader that has loaded nothing yet.
func open(path string, l loader) (*Map, error) {
	var m *Map
	err := inspect(path, openPatience, func(data []byte) error {
		if err := l.load(data); err != nil {
			return err
		}
		if len(l.problems) > 0 {
			return l.damage()
		}
		m = l.m
		return nil
	})
	if err != nil {
		return nil, err
	}
	return m, nil
}

// Events goes through all events in the file at path, oldest first, while yield
// returns true. The file is proven before and closed again; its errors are
// Open's.
func Events(path string, yield func(Event) bool) error {
	var blocks [][]byte
	err := inspect(path, openPatience, func(data []byte) error {
		l := loader{block: func(body []byte) { blocks = append(blocks, slices.Clone(body)) }}
		if err := l.load(data); err != nil {
			return err
		}
		if len(l.problems) > 0 {
			return l.damage()
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, body := range blocks {
		events, err := decodeEvents(body)
		if err != nil {
			return fmt.Errorf("%s: %w: %w", path, ErrDamaged, err)
		}
		for _, e := range events {
			if !yield(e) {
				return nil
			}
		}
	}
	return nil
}

// loader proves a file, or what was carried out of one, and builds the map that it
// holds.
type loader struct {
	m        *Map
	bare     bool // the map is to be bare
	head     head
	block    func(body []byte) // gets the blocks of events, where it is not nil
	problems []string

	values  int64 // met, all but the head
	seals   uint64
	records map[string][]byte
	space   []byte // for what the map keeps of values
	room    *room  // nil: as much as it takes
}

// holder has the values to load.
type holder interface {
	// names are those of the buckets that it has.
	names() []string
	// each goes through the values of a bucket that it has, with their seals.
	each(bucket string, f visit)
}

// keep is a copy of part of a value. Copies come out of large lots, which spares
// the collector tens of thousands of objects.
func (l *loader) keep(b []byte) []byte {
	if len(l.space) < len(b) {
		l.space = make([]byte, max(len(b), lot))
	}
	kept := l.space[:len(b):len(b)]
	l.space = l.space[copy(kept, b):]
	return kept
}

// lot is the size of a lot, in bytes.
const lot = 256 << 10

// mostProblems bounds the problems that are told in words.
const mostProblems = 100

func (l *loader) bad(format string, args ...any) {
	if len(l.problems) < mostProblems {
		l.problems = append(l.problems, fmt.Sprintf(format, args...))
	}
}

// damage is the problems as an error.
func (l *loader) damage() error {
	more := ""
	if n := len(l.problems); n > 1 {
		more = fmt.Sprintf(", and %d more faults", n-1)
	}
	return fmt.Errorf("%w: %s%s", ErrDamaged, l.problems[0], more)
}

// load reads the whole file. Its error says why that could not be done; what
// else is wrong is in l.problems, and the map is then not whole.
func (l *loader) load(data []byte) error {
	t, err := openTree(data, l.bad)
	if err != nil {
		return err
	}
	err = l.loadFrom(database{t, t.buckets()}, int64(len(data)))
	if err == nil {
		t.finish()
	}
	return err
}

// database is a file as a holder.
type database struct {
	tree    *tree
	buckets map[string][]byte
}

func (d database) names() []string { return slices.Sorted(maps.Keys(d.buckets)) }

func (d database) each(bucket string, f visit) { d.tree.bucket(bucket, d.buckets[bucket], f) }

// loadFrom is load from what a holder has, which takes so many bytes.
func (l *loader) loadFrom(h holder, length int64) error {
	left := h.names()
	if err := l.loadHead(h, length); err != nil {
		return err
	}
	l.m = New(l.head.Case)
	l.bare = l.bare && l.head.Conflicts == 0
	l.m.bare = l.bare
	l.m.file.head = l.head
	l.records = map[string][]byte{}
	blocks := uint32(0)
	for _, b := range []struct {
		name string
		load func(key, body []byte)
		then func()
	}{
		{recordBucket, func(key, body []byte) { l.records[string(key)] = body }, l.loadRecords},
		{stateBucket, l.loadStates, nil},
		{runBucket, l.loadRuns, nil},
		{conflictBucket, l.loadConflicts, nil},
		{eventBucket, func(key, body []byte) {
			if n, ok := pageOf(key); !ok || n != blocks {
				l.bad("events: block %x is out of order", key)
			}
			blocks++
			if l.block != nil {
				l.block(body)
			}
		}, nil},
	} {
		if slices.Contains(left, b.name) {
			l.bucket(h, b.name, b.load)
		}
		if b.then != nil {
			b.then()
		}
		left = slices.DeleteFunc(left, func(name string) bool { return name == b.name })
	}
	for _, name := range left {
		if name == headBucket {
			continue
		}
		if l.head.Minor <= minor {
			l.bad("bucket %q is not known", name)
		}
		l.bucket(h, name, func(key, body []byte) {})
	}
	if err := l.room.err(); err != nil {
		return err
	}
	l.checkHead()
	l.m.pending = newPending() // what loading put there
	return nil
}

// loadHead reads the head. Its form is that of every version.
func (l *loader) loadHead(h holder, length int64) error {
	if !slices.Contains(h.names(), headBucket) {
		if len(l.problems) > 0 {
			return l.damage()
		}
		return ErrForeign
	}
	found := false
	h.each(headBucket, func(key, value []byte) {
		body, _, ok := unseal(bucketSum(headBucket), key, value)
		if string(key) != headKey || !ok {
			l.bad("head %q does not match its checksum", key)
			return
		}
		h, err := decodeJSON[head](body)
		if err != nil {
			l.bad("head: %v", err)
			return
		}
		l.head, found = h, true
	})
	switch {
	case !found && len(l.problems) > 0:
		return l.damage()
	case !found:
		return fmt.Errorf("%w: there is no head", ErrDamaged)
	case l.head.Major > major:
		return fmt.Errorf("%w: form %d.%d, known is %d.%d", ErrNewer, l.head.Major, l.head.Minor, major, minor)
	case l.head.Length > length:
		return fmt.Errorf("%w: cut short, %d bytes of at least %d are left", ErrDamaged, length, l.head.Length)
	}
	return nil
}

// bucket goes through the values of a bucket that match their checksums, as far as
// there is room for what they say.
func (l *loader) bucket(h holder, name string, f visit) {
	start := bucketSum(name)
	h.each(name, func(key, value []byte) {
		l.values++
		body, sum, ok := unseal(start, key, value)
		if !ok {
			l.bad("%s %q does not match its checksum", name, key)
			return
		}
		l.seals += uint64(sum)
		if l.room.take(int64(len(key)+len(value)) + perValue) {
			f(key, body)
		}
	})
}

// checkHead holds what was loaded against the head.
func (l *loader) checkHead() {
	h := l.head
	h.counts(l.m)
	if h != l.head {
		l.bad("the head counts other sectors or records than there are")
	}
	if h.Values != l.values || h.Seals != l.seals {
		l.bad("values are missing, or older than the head")
	}
}
