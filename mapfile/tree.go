package mapfile

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/fnv"
)

// This file reads the database pages of a file without trusting any byte of
// them. The form is that of bbolt's data file, version 2, as bbolt 1.5 writes it
// (its package internal/common: page.go, meta.go, bucket.go); numbers are in the
// machine's byte order. bbolt itself takes most of it on trust and faults,
// panics or silently gives other data where it is damaged.
const (
	dbPage    = 4096       // bytes of a page; bbolt can do others, a map never has
	dbMagic   = 0xED0CDAED // first word of a meta page
	dbVersion = 2

	pageHeader   = 16 // page number 8, kind 2, elements 2, further pages 4
	elementBytes = 16 // of an element of a branch or leaf page
	bucketBytes  = 16 // root page 8, sequence 8
	metaBytes    = 64 // magic, version, page size, flags, root bucket, free list, high-water mark, transaction, checksum

	branchPage, leafPage, metaPage, freePage = 1, 2, 4, 16 // kinds of pages

	deepest = 32 // levels of a tree: far more than a file can hold
)

var order = binary.NativeEndian

// tree is a database as far as it was proven.
type tree struct {
	data       []byte
	high       uint64 // pages in use: the high-water mark
	root, free uint64 // pages of the root bucket and of the free list
	met        []bool // pages that were met
	bad        func(format string, args ...any)
}

// openTree reads the two meta pages. ErrEmpty, ErrForeign or ErrNewer is
// returned when the file is no database of this form, ErrDamaged when it can't
// be walked at all; what else is wrong goes to bad.
func openTree(data []byte, bad func(format string, args ...any)) (*tree, error) {
	if len(data) == 0 {
		return nil, ErrEmpty
	}
	magic := func(at int) bool {
		return len(data) >= at+pageHeader+4 && order.Uint32(data[at+pageHeader:]) == dbMagic
	}
	if !magic(0) && !magic(dbPage) {
		return nil, ErrForeign
	}
	if len(data) < 2*dbPage {
		return nil, fmt.Errorf("%w: cut short, %d bytes are left", ErrDamaged, len(data))
	}
	t := &tree{data: data, bad: bad}
	newest := uint64(0)
	for n := range uint64(2) {
		page := data[n*dbPage:][:dbPage]
		meta := page[pageHeader:][:metaBytes]
		sum := fnv.New64a()
		sum.Write(meta[:metaBytes-8])
		// bbolt would go back to the commit before. But a write that was broken
		// off leaves no such page: disks write these 64 bytes at once.
		if !magic(int(n*dbPage)) || sum.Sum64() != order.Uint64(meta[metaBytes-8:]) {
			bad("starting page %d does not match its checksum", n)
			continue
		}
		if version := order.Uint32(meta[4:]); version > dbVersion {
			return nil, fmt.Errorf("%w: database form %d, known is %d", ErrNewer, version, dbVersion)
		} else if version < dbVersion || order.Uint32(meta[8:]) != dbPage {
			return nil, ErrForeign
		}
		if order.Uint64(page) != n || order.Uint16(page[8:]) != metaPage || order.Uint16(page[10:]) != 0 || order.Uint32(page[12:]) != 0 {
			bad("starting page %d has a wrong header", n)
		}
		if tx := order.Uint64(meta[48:]); tx%2 != n {
			bad("starting page %d is of transaction %d", n, tx)
		} else if t.high == 0 || tx > newest {
			newest = tx
			t.root, t.free, t.high = order.Uint64(meta[16:]), order.Uint64(meta[32:]), order.Uint64(meta[40:])
		}
	}
	if t.high < 4 {
		return nil, fmt.Errorf("%w: no starting page is whole", ErrDamaged)
	}
	if t.high > uint64(len(data)/dbPage) {
		return nil, fmt.Errorf("%w: cut short, %d bytes of at least %d are left", ErrDamaged, len(data), t.high*dbPage)
	}
	t.met = make([]bool, t.high)
	t.met[0], t.met[1] = true, true
	return t, nil
}

// page is page id with those that belong to it, which become met.
func (t *tree) page(id uint64) ([]byte, bool) {
	if id < 2 || id >= t.high {
		t.bad("page %d is referred to and not in use", id)
		return nil, false
	}
	p := t.data[id*dbPage:]
	more := uint64(order.Uint32(p[12:]))
	if order.Uint64(p) != id || more >= t.high-id {
		t.bad("page %d has a wrong header", id)
		return nil, false
	}
	for i := id; i <= id+more; i++ {
		if t.met[i] {
			t.bad("page %d is referred to twice", i)
			return nil, false
		}
		t.met[i] = true
	}
	return p[:(more+1)*dbPage], true
}

// visit gets the keys and values of a bucket, in order. The slices are the
// file's own.
type visit func(key, value []byte)

// element is one entry of a branch or leaf page.
type element struct {
	flags      uint32 // of a leaf: 1 for a bucket
	child      uint64 // of a branch
	key, value []byte
}

// elements proves the entries of a page, or of the page within an inline bucket,
// and gives its kind and their number.
func (t *tree) elements(p []byte, id uint64) (kind uint16, n int, ok bool) {
	kind, n = order.Uint16(p[8:]), int(order.Uint16(p[10:]))
	size := pageHeader + n*elementBytes
	if kind != branchPage && kind != leafPage || size > len(p) {
		t.bad("page %d has a wrong header", id)
		return 0, 0, false
	}
	for i := range n {
		from, keyLen, valueLen := place(p, kind, i)
		// bbolt writes the entries' bytes without gaps, in order.
		if from != uint64(size) || from+keyLen+valueLen > uint64(len(p)) || keyLen == 0 {
			t.bad("page %d: entry %d is not where it belongs", id, i)
			return 0, 0, false
		}
		size += int(keyLen + valueLen)
	}
	if id == 0 && size != len(p) || id != 0 && (size+dbPage-1)/dbPage != len(p)/dbPage {
		t.bad("page %d holds %d bytes in %d", id, size, len(p))
		return 0, 0, false
	}
	return kind, n, true
}

// place is where the key of entry i begins in its page, and the lengths of key
// and value.
func place(p []byte, kind uint16, i int) (from, keyLen, valueLen uint64) {
	at := pageHeader + i*elementBytes
	e := p[at:][:elementBytes]
	if kind == branchPage {
		return uint64(at) + uint64(order.Uint32(e)), uint64(order.Uint32(e[4:])), 0
	}
	return uint64(at) + uint64(order.Uint32(e[4:])), uint64(order.Uint32(e[8:])), uint64(order.Uint32(e[12:]))
}

// elementAt is entry i of a page that elements has proven.
func elementAt(p []byte, kind uint16, i int) element {
	from, keyLen, valueLen := place(p, kind, i)
	e := element{key: p[from:][:keyLen], value: p[from+keyLen:][:valueLen]}
	at := pageHeader + i*elementBytes
	if kind == branchPage {
		e.child = order.Uint64(p[at+8:])
	} else {
		e.flags = order.Uint32(p[at:])
	}
	return e
}

// walk goes through the tree below page id. It gives its first key, nil where it
// has none.
func (t *tree) walk(id uint64, depth int, last *[]byte, leaf func(element)) (first []byte) {
	p, ok := t.page(id)
	if !ok {
		return nil
	}
	if depth > deepest {
		t.bad("page %d lies too deep", id)
		return nil
	}
	return t.walkPage(p, id, depth, last, leaf)
}

func (t *tree) walkPage(p []byte, id uint64, depth int, last *[]byte, leaf func(element)) (first []byte) {
	kind, n, ok := t.elements(p, id)
	if !ok {
		return nil
	}
	for i := range n {
		e := elementAt(p, kind, i)
		if i == 0 {
			first = e.key
		}
		if kind == branchPage {
			if child := t.walk(e.child, depth+1, last, leaf); !bytes.Equal(child, e.key) {
				t.bad("page %d: entry %d does not name the first key of page %d", id, i, e.child)
			}
			continue
		}
		if *last != nil && bytes.Compare(*last, e.key) >= 0 {
			t.bad("page %d: entry %d is out of order", id, i)
		}
		*last = e.key
		leaf(e)
	}
	return first
}

// buckets proves the root bucket and gives the values of the buckets in it.
func (t *tree) buckets() map[string][]byte {
	found := map[string][]byte{}
	var last []byte
	t.walk(t.root, 0, &last, func(e element) {
		if e.flags != 1 || len(e.value) < bucketBytes || order.Uint64(e.value[8:]) != 0 {
			t.bad("%q is not a bucket as a map has it", e.key)
			return
		}
		found[string(e.key)] = e.value
	})
	return found
}

// bucket goes through the bucket of that name, whose value is given.
func (t *tree) bucket(name string, value []byte, f visit) {
	var last []byte
	leaf := func(e element) {
		if e.flags != 0 {
			t.bad("%s %x is not a plain value", name, e.key)
			return
		}
		f(e.key, e.value)
	}
	root, inline := order.Uint64(value), value[bucketBytes:]
	switch {
	case root != 0 && len(inline) == 0:
		t.walk(root, 0, &last, leaf)
	case root == 0 && len(inline) >= pageHeader && order.Uint16(inline[8:]) == leafPage &&
		order.Uint64(inline) == 0 && order.Uint32(inline[12:]) == 0:
		t.walkPage(inline, 0, 0, &last, leaf)
	default:
		t.bad("bucket %q has no tree", name)
	}
}

// finish proves the free list, after all buckets: every page is in use once or
// free once.
func (t *tree) finish() {
	p, ok := t.page(t.free)
	if !ok {
		t.bad("there is no free list")
		return
	}
	n, ids := uint64(order.Uint16(p[10:])), p[pageHeader:]
	if n == 0xFFFF { // more do not fit the header, and stand before the list
		n, ids = order.Uint64(ids), ids[8:]
	}
	if order.Uint16(p[8:]) != freePage || n > uint64(len(ids)/8) {
		t.bad("page %d is no free list", t.free)
		return
	}
	before := uint64(0)
	for i := range n {
		id := order.Uint64(ids[8*i:])
		if id < 2 || id >= t.high || id <= before {
			t.bad("free list: entry %d can't be", i)
			return
		}
		before = id
		if t.met[id] {
			t.bad("page %d is free and in use", id)
		}
		t.met[id] = true
	}
	lost := 0
	for _, met := range t.met {
		if !met {
			lost++
		}
	}
	if lost > 0 {
		t.bad("%d pages are neither free nor in use", lost)
	}
}
