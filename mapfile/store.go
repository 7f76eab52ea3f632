package mapfile

import (
	"cmp"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"go.etcd.io/bbolt"
)

// pending is what changed since the last Commit.
type pending struct {
	disc, wanted           bool
	closing, watched       bool
	rounds, drives, passes map[int]bool
	states, conflicts      map[uint32]bool
	runs                   map[runKey]bool
}

func newPending() pending {
	return pending{
		rounds: map[int]bool{}, drives: map[int]bool{}, passes: map[int]bool{},
		states: map[uint32]bool{}, conflicts: map[uint32]bool{}, runs: map[runKey]bool{},
	}
}

func (p *pending) empty() bool {
	return !p.disc && !p.wanted && !p.closing && !p.watched && len(p.rounds)+len(p.drives)+len(p.passes)+len(p.states)+len(p.conflicts)+len(p.runs) == 0
}

// everything is the pending changes that make an empty file hold all of m.
func everything(m *Map) pending {
	m.cool()
	p := newPending()
	p.disc, p.wanted, p.closing = true, len(m.wanted.Names) > 0, m.closing.State != ""
	p.watched = m.watched != nil
	for n := range m.rounds {
		p.rounds[n] = true
	}
	for n := range m.drives {
		p.drives[n] = true
	}
	for n := range m.passes {
		p.passes[n] = true
		for i, value := range m.runs[n].all() {
			if *value != nil {
				p.runs[runKey{uint16(n), i}] = true
			}
		}
	}
	for n, page := range m.states.pages.all() {
		if !page.good.or(page.bad).empty() {
			p.states[n] = true
		}
	}
	for n := range m.conflicts {
		p.conflicts[n] = true
	}
	return p
}

// Unsaved tells whether anything but events waits for the next Commit: the map says then
// what its file does not.
func (m *Map) Unsaved() bool { return !m.pending.empty() }

// fileState is what the map knows of its file.
type fileState struct {
	head   head  // of the last Commit; zero before Create or Open
	failed error // why no Commit is possible any more
}

// Create writes the map into a new file at path, readable by its owner only:
// under another name first (path with ".new", replaced where it was left over),
// synced, then renamed, its folder synced. An error that is fs.ErrExist is
// returned when path exists. Events that an earlier Commit took are in that
// Commit's file only.
func Create(path string, m *Map) error {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return cmp.Or(err, error(&fs.PathError{Op: "create", Path: path, Err: fs.ErrExist}))
	}
	part := path + ".new"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	h := head{Major: major, Minor: minor}
	_, err := m.write(part, os.O_RDWR|os.O_CREATE|os.O_EXCL, everything(m), func(tx *bbolt.Tx) error { return nil }, &h)
	if err == nil {
		err = os.Rename(part, path)
	}
	if err != nil {
		os.Remove(part)
		return err
	}
	if err := syncFolder(filepath.Dir(path)); err != nil {
		return err
	}
	m.committed(h)
	return nil
}

func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// Commit writes all changes since the last Commit to the file, in one
// transaction; they are durable when it returns. It does nothing where nothing
// has changed.
//
// After an error the changes stay pending and go with the next Commit: ErrBusy is
// returned when readers held the file for more than two seconds, ErrChanged when
// it is not as the map left it, ErrDamaged when it can't be written to without
// losing more, ErrNewer when a newer version of the program wrote it, and the
// system's error when it could not be opened or written to, for want of space
// say. Only where nobody knows what became durable, after a sync that failed, the
// map takes no further Commit: each returns that same error.
func (m *Map) Commit(path string) error {
	if m.file.failed != nil {
		return m.file.failed
	}
	if m.pending.empty() && len(m.events) == 0 {
		return nil
	}
	h := m.file.head
	if h.Minor > minor {
		return fmt.Errorf("%s: %w: form %d.%d, known is %d.%d", path, ErrNewer, h.Major, h.Minor, major, minor)
	}
	h.Minor = minor // what is written from now on may be of this form
	began, err := m.write(path, os.O_RDWR, m.pending, m.expect, &h)
	switch {
	case err == nil:
		m.committed(h)
	case began && !unwritten(err):
		m.file.failed = err
	}
	return err
}

// unwritten tells whether a commit failed other than by a sync: at writing, or at
// making the file longer. After a sync that failed the kernel takes the pages for
// written, and a later sync that succeeds proves nothing.
func unwritten(err error) bool {
	var pathError *fs.PathError
	if errors.As(err, &pathError) {
		return pathError.Op != "sync"
	}
	// This one comes as text only (bbolt 1.5, DB.grow).
	return strings.Contains(err.Error(), "file resize error")
}

// committed notes that all changes are in the file.
func (m *Map) committed(h head) {
	m.file, m.pending, m.events = fileState{head: h}, newPending(), nil
}

// expect proves that the file is as the last Commit left it.
func (m *Map) expect(tx *bbolt.Tx) error {
	b := tx.Bucket([]byte(headBucket))
	if b == nil {
		return ErrChanged
	}
	body, _, ok := unseal(bucketSum(headBucket), []byte(headKey), b.Get([]byte(headKey)))
	if !ok {
		return ErrChanged
	}
	if h, err := decodeJSON[head](body); err != nil || h != m.file.head {
		return ErrChanged
	}
	return nil
}

// write puts what is pending into the file at path, which is opened with flag,
// in one transaction that begins with prove, and brings h up to date. Began is
// that of transact.
func (m *Map) write(path string, flag int, what pending, prove func(*bbolt.Tx) error, h *head) (began bool, err error) {
	if m.bare {
		return false, fmt.Errorf("%s: %w", path, ErrBare)
	}
	m.cool()
	return transact(path, flag, m.patience, h.Length, func(tx *bbolt.Tx, length int64) error {
		if err := prove(tx); err != nil {
			return err
		}
		w := writer{tx: tx, head: h, buckets: map[string]*bbolt.Bucket{}}
		w.records(m, what)
		w.pages(m, what)
		w.events(m.events)
		h.counts(m)
		h.Commits++
		h.Length = length
		w.putJSON(headBucket, []byte(headKey), h)
		return w.err
	})
}

// writer puts values into a transaction. After an error it does nothing more.
type writer struct {
	tx      *bbolt.Tx
	head    *head
	buckets map[string]*bbolt.Bucket
	arena   []byte
	err     error
}

// bucket is the bucket of that name, made where there is none yet.
func (w *writer) bucket(name string) *bbolt.Bucket {
	b := w.buckets[name]
	if b == nil && w.err == nil {
		if b, w.err = w.tx.CreateBucketIfNotExists([]byte(name)); w.err == nil {
			w.buckets[name] = b
		}
	}
	return b
}

// put seals the body, which lies in space that put may append to, and stores it.
func (w *writer) put(bucket string, key, body []byte) {
	b := w.bucket(bucket)
	if w.err != nil {
		return
	}
	sum := seal(bucketSum(bucket), key, body)
	if bucket != headBucket {
		if old := b.Get(key); len(old) >= sealBytes {
			w.head.Seals -= uint64(binary.LittleEndian.Uint32(old[len(old)-sealBytes:]))
		} else {
			w.head.Values++
		}
		w.head.Seals += uint64(sum)
	}
	w.err = b.Put(key, binary.LittleEndian.AppendUint32(body, sum))
}

func (w *writer) putJSON(bucket string, key []byte, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		w.err = cmp.Or(w.err, fmt.Errorf("%s: %w", key, err))
		return
	}
	w.put(bucket, key, body)
}

// records puts the small records.
func (w *writer) records(m *Map, what pending) {
	if what.disc {
		w.putJSON(recordBucket, []byte(discKey), recordOf(m.Disc()))
	}
	if what.wanted {
		w.putJSON(recordBucket, []byte(wantedKey), wantedRecordOf(m.wanted))
	}
	if what.closing {
		w.putJSON(recordBucket, []byte(closingKey), m.closing)
	}
	if what.watched {
		w.putJSON(recordBucket, []byte(watchedKey), m.watched)
	}
	for _, n := range slices.Sorted(maps.Keys(what.drives)) {
		w.putJSON(recordBucket, recordKey("drive", n), m.drives[n])
	}
	for _, n := range slices.Sorted(maps.Keys(what.passes)) {
		w.putJSON(recordBucket, recordKey("pass", n), m.passes[n])
	}
	for _, n := range slices.Sorted(maps.Keys(what.rounds)) {
		w.putJSON(recordBucket, recordKey("round", n), m.rounds[n])
	}
}

// keep is a copy of a body, with space for its seal. The bodies of a transaction
// share few allocations: bbolt keeps them until its end.
func (w *writer) keep(body []byte) []byte {
	n := len(body) + sealBytes
	if cap(w.arena)-len(w.arena) < n {
		w.arena = make([]byte, 0, max(n, 64<<10))
	}
	kept := append(w.arena[len(w.arena):], body...)
	w.arena = w.arena[:len(w.arena)+n]
	return kept[:len(body):n]
}

// fill sets how full the database pages are left that must be split for the
// keys. Where most of these are neighbours a stretch was read in order, and
// little will come between them later; else values grow here and there, and need
// room.
func fill[K any](w *writer, bucket string, keys []K, neighbours func(a, b K) bool) {
	b := w.bucket(bucket)
	if w.err != nil {
		return
	}
	n := 0
	for i := 1; i < len(keys); i++ {
		if neighbours(keys[i-1], keys[i]) {
			n++
		}
	}
	b.FillPercent = bbolt.DefaultFillPercent
	if 2*n >= len(keys) {
		b.FillPercent = 1
	}
}

// pages puts the pages of states, runs and conflicts.
func (w *writer) pages(m *Map, what pending) {
	states := slices.Sorted(maps.Keys(what.states))
	fill(w, stateBucket, states, func(a, b uint32) bool { return a+1 == b })
	var body []byte
	for _, n := range states {
		body = appendPage(body[:0], m.states.pages.get(n))
		w.put(stateBucket, pageKey(n), w.keep(body))
	}
	runs := slices.SortedFunc(maps.Keys(what.runs), func(a, b runKey) int {
		return cmp.Or(cmp.Compare(a.pass, b.pass), cmp.Compare(a.page, b.page))
	})
	fill(w, runBucket, runs, func(a, b runKey) bool { return a.pass == b.pass && a.page+1 == b.page })
	for _, k := range runs {
		w.put(runBucket, k.bytes(), w.keep(*m.runs[k.pass].get(k.page)))
	}
	for _, n := range slices.Sorted(maps.Keys(what.conflicts)) {
		w.put(conflictBucket, pageKey(n), appendConflicts(nil, m.conflicts[n]))
	}
}

// events puts the events behind those that are there: into the last block
// while it has room, then into new ones.
func (w *writer) events(events []Event) {
	b := w.bucket(eventBucket)
	if w.err != nil || len(events) == 0 {
		return
	}
	block, lines := uint32(0), []byte(nil)
	if key, value := b.Cursor().Last(); len(key) == 4 && len(value) >= sealBytes {
		block = binary.BigEndian.Uint32(key)
		if lines, w.err = unpack(value[:len(value)-sealBytes]); w.err != nil {
			return
		}
	}
	for i, e := range events {
		if len(lines) >= blockText {
			block, lines = block+1, nil
		}
		if lines, w.err = appendEvent(lines, e); w.err != nil {
			return
		}
		if len(lines) >= blockText || i == len(events)-1 {
			var body []byte
			if body, w.err = pack(lines); w.err != nil {
				return
			}
			w.put(eventBucket, pageKey(block), body)
		}
	}
}
