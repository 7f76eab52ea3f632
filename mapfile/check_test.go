package mapfile

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"

	"go.etcd.io/bbolt"

	"turnstone/device/sector"
)

// TestCheckFinds has a file written, with checksums and head, from a map that
// contradicts itself: what is told of it, and whether Open refuses it too.
func TestCheckFinds(t *testing.T) {
	for name, test := range map[string]struct {
		spoil func(m *Map)
		want  string
		opens bool
	}{
		"nothing": {func(m *Map) {}, "", true},
		"good, never asked": {func(m *Map) { m.runs[0] = sparse[[]byte]{} },
			"sector 10 is good, and pass 0 that won it did not ask for it", true},
		"bad, never failed": {func(m *Map) { m.states.fail(7, maskOf(3, 4)) },
			"sector 899 is bad, and no pass asked for it in vain", true},
		"unknown winner": {func(m *Map) { m.states.pages.get(0).won = 1 },
			"states: page 0 was won by a pass that is not known", false},
		"unknown winner among others": {func(m *Map) { // sector 12 by pass 1, which is not there
			m.states.pages.get(0).wins = &[pageSectors]uint16{12: 1}
		}, "states: page 0 was won by a pass that is not known", false},
		"state beyond the disc": {func(m *Map) { m.states.pages.get(7).bad.set(127) },
			"states: page 7 reaches beyond the disc", false},
		"page beyond the disc": {func(m *Map) { m.states.pages.touch(8).bad.set(0) },
			"states: page 00000008 is not on the disc", false},
		"run beyond the disc": {func(m *Map) { m.setRun(0, sector.Span(1000, 1), fate(Failed)) },
			"runs: pass 0, page 1 reaches beyond the disc", false},
		"run page beyond the disc": {func(m *Map) { m.setRun(0, sector.Span(1024, 1), fate(Failed)) },
			"runs: pass 0, page 2 is not known", false},
		"run of no known settings": {func(m *Map) { m.setRun(0, sector.Span(0, 1), fateOf(Run{Result: Failed, Settings: 1})) },
			"runs: pass 0, page 0: settings 1 are not known", false},
		"conflict with no pass": {func(m *Map) { m.conflicts[0] = []other{{sum: 5, pass: 1, at: 3}} },
			"conflicts: page 0 names a pass or sector that is not known", false},
		"conflict beyond the disc": {func(m *Map) { m.conflicts[7] = []other{{sum: 5, pass: 0, at: 120}} },
			"conflicts: page 7 names a pass or sector that is not known", false},
		"decided for and good": {func(m *Map) { m.conflicts[0] = []other{{sum: 5, pass: 0, at: 10, word: chosen}} },
			"conflicts: sector 10 waits for data that was decided for", false},
		"decided for two": {func(m *Map) {
			m.conflicts[0] = []other{{sum: 5, pass: 0, at: 1, word: chosen}, {sum: 6, pass: 0, at: 1, word: chosen}}
		}, "conflicts: sector 1 waits for data that was decided for", false},
		"wrong count": {func(m *Map) { m.states.good++ },
			"the head counts other sectors or records than there are", false},
		"pass of no round": {func(m *Map) { m.passes[0].Round = 5 },
			"records: pass 00000: pass 0 in round 5", false},
	} {
		m := newCase(t, 1000)
		mustRecord(t, m, 0, sector.Span(10, 20), Delivered)
		mustRecord(t, m, 0, sector.Span(900, 100), Failed)
		test.spoil(m)
		path := filepath.Join(t.TempDir(), "map.db")
		if err := Create(path, m); err != nil {
			t.Fatal(err)
		}
		problems, err := Check(path)
		got := strings.Join(problems, "\n")
		if err != nil || !strings.Contains(got, test.want) || (test.want == "") != (got == "") {
			t.Errorf("%s: Check = %q, %v; want %q", name, problems, err, test.want)
		}
		if _, err := Open(path); (err == nil) != test.opens || err != nil && !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: Open = %v; want it to open: %v", name, err, test.opens)
		}
	}
}

// TestForeignValues has values that are sealed and counted, and are nothing that
// a map holds.
func TestForeignValues(t *testing.T) {
	for name, test := range map[string]struct {
		bucket string
		key    string
		body   string
		want   string
	}{
		"unknown bucket":  {"notes", "a", "b", `bucket "notes" is not known`},
		"unknown record":  {recordBucket, "drive 00005", "{}", `records: "drive 00005" is not known`},
		"no JSON":         {recordBucket, "round 00001", "{", "records: round 00001"},
		"no disc":         {recordBucket, "disc", `{"sectors":-1}`, "disc: disc of -1 sectors"},
		"no page":         {stateBucket, "abc", "", "states: page 616263 is not on the disc"},
		"no states":       {stateBucket, "\x00\x00\x00\x05", "x", "states: page 5: not a page of states"},
		"no key of runs":  {runBucket, "abc", "", "runs: key 616263 can't be"},
		"no runs":         {runBucket, "\x00\x00\x00\x00\x00\x01", "\x05", "runs: pass 0, page 1: not an encoding of pieces"},
		"no conflicts":    {conflictBucket, "\x00\x00\x00\x00", "\x01", "conflicts: page 0: not a page of conflicts"},
		"block left out":  {eventBucket, "\x00\x00\x00\x07", "", "events: block 00000007 is out of order"},
		"no events":       {eventBucket, "\x00\x00\x00\x00", "\xFF", "events: block 0: not a block of events"},
		"key of the head": {headBucket, "tail", "{}", `head "tail" does not match`},
	} {
		m := newCase(t, 1000)
		path := filepath.Join(t.TempDir(), "map.db")
		if err := Create(path, m); err != nil {
			t.Fatal(err)
		}
		db, err := bbolt.Open(path, 0o600, nil)
		if err != nil {
			t.Fatal(err)
		}
		err = db.Update(func(tx *bbolt.Tx) error {
			h := m.file.head
			w := writer{tx: tx, head: &h, buckets: map[string]*bbolt.Bucket{}}
			w.put(test.bucket, []byte(test.key), []byte(test.body))
			if w.err == nil {
				w.putJSON(headBucket, []byte(headKey), h)
			}
			return w.err
		})
		if err := errors.Join(err, db.Close()); err != nil {
			t.Fatal(err)
		}
		problems, err := Check(path)
		if got := strings.Join(problems, "\n"); !strings.Contains(got, test.want) && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%s: Check = %q, %v; want %q", name, problems, err, test.want)
		}
		// A block of events is looked into when the events are wanted.
		open := func() error { _, err := Open(path); return err }
		if name == "no events" {
			open = func() error { return Events(path, func(Event) bool { return true }) }
		}
		if err := open(); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: Open = %v; want ErrDamaged", name, err)
		}
	}
}

// TestManyProblems bounds what is told of a file that is damaged all over.
func TestManyProblems(t *testing.T) {
	m := newCase(t, 1_000_000)
	for a := sector.LBA(0); a < 1_000_000; a += 128 {
		mustRecord(t, m, 0, sector.Span(a, 1), Delivered)
	}
	path := filepath.Join(t.TempDir(), "map.db")
	if err := Create(path, m); err != nil {
		t.Fatal(err)
	}
	data := mustRead(t, path)
	tree, err := openTree(data, t.Errorf)
	if err != nil {
		t.Fatal(err)
	}
	for id := range tree.high { // the last byte of each page of plain values
		p := data[id*dbPage:]
		if n := int(order.Uint16(p[10:])); order.Uint16(p[8:]) == leafPage && n > 0 && order.Uint32(p[pageHeader:]) == 0 {
			from, keyLen, valueLen := place(p, leafPage, n-1)
			p[from+keyLen+valueLen-1]++
		}
	}
	l := loader{}
	if err := l.load(data); err != nil || len(l.problems) != mostProblems {
		t.Errorf("%d problems, %v; want %d", len(l.problems), err, mostProblems)
	}
}
