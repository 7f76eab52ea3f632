package mapfile

import (
	"bytes"
	"errors"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"go.etcd.io/bbolt"

	"turnstone/device/sector"
)

// rich is a map file that has everything a map can have, in trees of more than
// one level, after several commits.
func rich(tb testing.TB) (path string) {
	tb.Helper()
	m := newCase(tb, 1500)
	path = mustCreate(tb, m)
	two := uint8(2)
	mustPass(tb, m, Pass{Started: day, Drive: -1, Origin: &Origin{Case: "other", Pass: 3}})
	mustPass(tb, m, Pass{Started: day, Settings: []Settings{{}, {Retries: &two, SpeedKBps: 5540}}})
	m.AddRound(Round{Opened: day, Treatments: []Treatment{{Typed: "sand 2000", Word: "sand", Grade: "2000"}}, By: "N. N.", Note: "ring at 31 mm"})
	rng := rand.New(rand.NewPCG(3, 4))
	for step := range 100 {
		r := randomRun(rng, 1500, 1)
		var sums []uint32
		if r.Result.Came() {
			sums = sumsOf(r.Range, uint32(step%11/10))
		}
		if _, err := m.Record(step%3, r, sums); err != nil {
			tb.Fatal(err)
		}
		m.AddEvent(Event{Time: day, Pass: step % 3, Kind: FailedRead, Range: r.Range, Text: "3/11/05"})
		if step%20 == 0 {
			mustCommit(tb, m, path)
		}
	}
	mustCommit(tb, m, path)
	return path
}

// prove loads the bytes of a file as Open does.
func prove(data []byte) (m *Map, err error) {
	err = guarded(func() error {
		l := loader{}
		if err := l.load(data); err != nil {
			return err
		}
		if len(l.problems) > 0 {
			return l.damage()
		}
		m = l.m
		return nil
	})
	return m, err
}

// usedBytes tells, byte by byte, what of a sound file means anything: pages that
// are free, and the ends of pages that are not filled, do not.
func usedBytes(tb testing.TB, data []byte) []bool {
	tb.Helper()
	used := make([]bool, len(data))
	mark := func(from, n int) {
		for i := range n {
			used[from+i] = true
		}
	}
	free := map[uint64]bool{}
	tree, err := openTree(data, tb.Errorf)
	if err != nil {
		tb.Fatal(err)
	}
	list := data[tree.free*dbPage:]
	for i := range int(order.Uint16(list[10:])) {
		free[order.Uint64(list[pageHeader+8*i:])] = true
	}
	for id := uint64(0); id < tree.high; {
		p := data[id*dbPage:]
		n, size := int(order.Uint16(p[10:])), 0
		switch kind := order.Uint16(p[8:]); {
		case free[id]:
			id++
			continue
		case kind == metaPage:
			size = pageHeader + metaBytes
		case kind == freePage:
			size = pageHeader + 8*n
		default:
			size = pageHeader + n*elementBytes
			for i := range n {
				_, keyLen, valueLen := place(p, kind, i)
				size += int(keyLen + valueLen)
			}
		}
		mark(int(id*dbPage), size)
		id += 1 + uint64(order.Uint32(p[12:]))
	}
	return used
}

// TestFlippedBits flips a bit in every byte that means anything, each bit in
// turn, and in some of the others: the former is noticed everywhere, the latter
// changes nothing.
func TestFlippedBits(t *testing.T) {
	path := rich(t)
	data := mustRead(t, path)
	sound, err := prove(data)
	if err != nil {
		t.Fatal(err)
	}
	want, used := content(sound), usedBytes(t, data)
	noticed, harmless := 0, 0
	for i := range data {
		if !used[i] && i%1021 != 0 { // it is not looked at, whatever it holds
			continue
		}
		flip := byte(1) << (i % 8)
		data[i] ^= flip
		m, err := prove(data)
		data[i] ^= flip
		if used[i] != (err != nil) {
			t.Errorf("bit %d of byte %d, in use: %v: %v", i%8, i, used[i], err)
		}
		if err != nil {
			noticed++
			continue
		}
		harmless++
		wantSame(t, fmt.Sprintf("byte %d flipped", i), content(m), want)
	}
	t.Logf("%d bytes in use, a bit of each flipped: all noticed; %d others: none changes the map", noticed, harmless)
	if noticed < 8_000 || harmless < 500 {
		t.Errorf("%d flips noticed, %d harmless; want 8,000 and 500 at least", noticed, harmless)
	}
}

// TestStaleValue puts an older value, whole and with its checksum, in the place
// of a newer one: only the head can tell.
func TestStaleValue(t *testing.T) {
	path := rich(t)
	old := mustRead(t, path)
	m := mustOpen(t, path)
	m.Rot(firstGood(t, m))
	mustCommit(t, m, path)
	raw, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	older := filepath.Join(t.TempDir(), "old.db")
	if err := os.WriteFile(older, old, 0o600); err != nil {
		t.Fatal(err)
	}
	before, err := bbolt.Open(older, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	replaced := 0
	err = raw.Update(func(tx *bbolt.Tx) error {
		return before.View(func(was *bbolt.Tx) error {
			return was.Bucket([]byte(stateBucket)).ForEach(func(k, v []byte) error {
				b := tx.Bucket([]byte(stateBucket))
				if bytes.Equal(b.Get(k), v) {
					return nil
				}
				replaced++
				return b.Put(k, v)
			})
		})
	})
	if err := errors.Join(err, raw.Close(), before.Close()); err != nil || replaced != 1 {
		t.Fatalf("replaced %d values, %v; want 1", replaced, err)
	}
	if _, err := Open(path); !errors.Is(err, ErrDamaged) {
		t.Errorf("Open of a file with a stale value = %v; want ErrDamaged", err)
	}
	if err := os.WriteFile(path, old, 0o600); err != nil { // for the check at the end
		t.Fatal(err)
	}
}

func firstGood(tb testing.TB, m *Map) sector.LBA {
	tb.Helper()
	for r := range m.Ranges(Good, sector.Range{End: 1 << 30}) {
		return r.First
	}
	tb.Fatal("no sector is good")
	return 0
}

// badFile is bytes that are no sound map, and the error that they give.
type badFile struct {
	data []byte
	want error
}

// badFiles is bad files by name, made from a sound one.
func badFiles(tb testing.TB, sound []byte) map[string]badFile {
	tb.Helper()
	flipped := func(at int) []byte {
		d := bytes.Clone(sound)
		d[at] ^= 0x10
		return d
	}
	foreign := filepath.Join(tb.TempDir(), "foreign.db")
	db, err := bbolt.Open(foreign, 0o600, nil)
	if err != nil {
		tb.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		b, err := tx.CreateBucket([]byte("members"))
		if err != nil {
			return err
		}
		return b.Put([]byte("a"), []byte("b"))
	})
	if err := errors.Join(err, db.Close()); err != nil {
		tb.Fatal(err)
	}
	newerDatabase := bytes.Clone(sound)
	for n := range 2 {
		meta := newerDatabase[n*dbPage+pageHeader:][:metaBytes]
		order.PutUint32(meta[4:], dbVersion+1)
		sum := fnv.New64a()
		sum.Write(meta[:metaBytes-8])
		order.PutUint64(meta[metaBytes-8:], sum.Sum64())
	}
	return map[string]badFile{
		"empty":                   {nil, ErrEmpty},
		"one byte":                {[]byte{0}, ErrForeign},
		"text":                    {bytes.Repeat([]byte("What is this? "), 2000), ErrForeign},
		"zeros":                   {make([]byte, len(sound)), ErrForeign},
		"another database":        {mustRead(tb, foreign), ErrForeign},
		"newer database":          {newerDatabase, ErrNewer},
		"first page only":         {sound[:dbPage], ErrDamaged},
		"half a starting page":    {sound[:50], ErrDamaged},
		"cut in the middle":       {sound[:len(sound)/2/dbPage*dbPage], ErrDamaged},
		"first starting page":     {flipped(pageHeader + 20), ErrDamaged},
		"second starting page":    {flipped(dbPage + pageHeader + 50), ErrDamaged},
		"magic of the first page": {flipped(pageHeader), ErrDamaged},
		"end zeroed": {append(bytes.Clone(sound[:2*dbPage]), make([]byte, len(sound)-2*dbPage)...),
			ErrDamaged},
	}
}

// TestBadFiles opens what is no sound map in every way there is: each gives its
// error and leaves the file as it was.
func TestBadFiles(t *testing.T) {
	sound := rich(t)
	m := mustOpen(t, sound)
	m.AddRound(Round{Opened: day})
	for name, file := range badFiles(t, mustRead(t, sound)) {
		path := filepath.Join(t.TempDir(), "map.db")
		if err := os.WriteFile(path, file.data, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(path); !errors.Is(err, file.want) {
			t.Errorf("%s: Open = %v; want %v", name, err, file.want)
		}
		if problems, err := Check(path); !errors.Is(err, file.want) && (err != nil || file.want != ErrDamaged || len(problems) == 0) {
			t.Errorf("%s: Check = %q, %v; want %v", name, problems, err, file.want)
		}
		if err := Events(path, func(Event) bool { return true }); !errors.Is(err, file.want) {
			t.Errorf("%s: Events = %v; want %v", name, err, file.want)
		}
		if err := Create(path, m); !errors.Is(err, os.ErrExist) {
			t.Errorf("%s: Create = %v; want %v", name, err, os.ErrExist)
		}
		if got := mustRead(t, path); !bytes.Equal(got, file.data) {
			t.Errorf("%s: the file was changed", name)
		}
	}
}

// TestCommitIntoBadFile commits into files that were damaged or replaced since
// they were opened: they are left alone, unless what was damaged is written anew
// whole.
func TestCommitIntoBadFile(t *testing.T) {
	sound := rich(t)
	data := mustRead(t, sound)
	files := badFiles(t, data)
	other := newCase(t, 100)
	other.AddRound(Round{Opened: day})
	files["another map"] = badFile{mustRead(t, mustCreate(t, other)), ErrChanged}
	for name, file := range files {
		path := filepath.Join(t.TempDir(), "map.db")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		m := mustOpen(t, path)
		m.AddRound(Round{Opened: day})
		if err := os.WriteFile(path, file.data, 0o600); err != nil {
			t.Fatal(err)
		}
		err := m.Commit(path)
		if err == nil {
			// The older of the starting pages was damaged, and is new now.
			wantSame(t, name, content(mustOpen(t, path)), content(m))
			continue
		}
		if got := mustRead(t, path); !bytes.Equal(got, file.data) {
			t.Errorf("%s: Commit = %v and changed the file", name, err)
		}
		if again := m.Commit(path); again == nil || errors.Is(again, ErrBusy) {
			t.Errorf("%s: second Commit = %v; want an error like %v", name, again, err)
		}
	}
	path := filepath.Join(t.TempDir(), "none.db")
	m := mustOpen(t, sound)
	m.AddRound(Round{Opened: day})
	if err := m.Commit(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("Commit to no file = %v; want %v", err, os.ErrNotExist)
	}
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("Commit made %s: %v", path, err)
	}
}

// TestCutShort cuts files at every multiple of 512 bytes that is in use, beside
// those, and here and there behind them: it is noticed, or only bytes are gone
// that mean nothing.
func TestCutShort(t *testing.T) {
	fresh := mustCreate(t, newCase(t, 1500)) // grew in the commit that it recorded its length in
	for name, path := range map[string]string{"rich": rich(t), "fresh": fresh} {
		data := mustRead(t, path)
		sound, err := prove(data)
		if err != nil {
			t.Fatal(err)
		}
		tree, err := openTree(data, t.Errorf)
		if err != nil {
			t.Fatal(err)
		}
		inUse := int(tree.high * dbPage)
		cuts, noticed, want := 0, 0, content(sound)
		short := filepath.Join(t.TempDir(), "map.db")
		for n := 0; n < len(data); n++ {
			if beside := n % 512; n <= inUse && beside > 1 && beside < 511 || n > inUse && n%(97<<10) != 0 {
				continue
			}
			if err := os.WriteFile(short, data[:n], 0o600); err != nil {
				t.Fatal(err)
			}
			cuts++
			m, err := Open(short)
			if got := mustRead(t, short); !bytes.Equal(got, data[:n]) {
				t.Fatalf("%s cut to %d bytes: Open changed the file", name, n)
			}
			if err == nil {
				wantSame(t, fmt.Sprintf("%s cut to %d bytes", name, n), content(m), want)
				continue
			}
			noticed++
			if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrEmpty) && (n > pageHeader+4 || !errors.Is(err, ErrForeign)) {
				t.Errorf("%s cut to %d bytes: Open = %v; want ErrDamaged", name, n, err)
			}
		}
		t.Logf("%s: %d of %d cuts noticed, the others harmless", name, noticed, cuts)
		if harmless := cuts - noticed; noticed < inUse/512 || (harmless > 0) != (name == "fresh") {
			t.Errorf("%s: %d cuts noticed, %d harmless; want %d or more, and harmless ones in the fresh file only", name, noticed, harmless, inUse/512)
		}
	}
}

// FuzzFile proves that no bytes make the loader panic, and that what it takes
// for a map it can tell of.
func FuzzFile(f *testing.F) {
	data := mustRead(f, rich(f))
	f.Add(data, 0, uint64(0))
	f.Add(data[:3*dbPage], 2*dbPage, uint64(1))
	small := mustRead(f, mustCreate(f, New("")))
	f.Add(small, 2*dbPage+8, uint64(3))
	f.Fuzz(func(t *testing.T, data []byte, at int, with uint64) {
		if at >= 0 && at+8 <= len(data) {
			data = bytes.Clone(data)
			order.PutUint64(data[at:], with)
		}
		l := loader{}
		if err := l.load(data); err == nil && len(l.problems) == 0 {
			_ = content(l.m)
			l.checkAsked()
		}
	})
}
