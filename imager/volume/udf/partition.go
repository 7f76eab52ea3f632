package udf

import (
	"slices"
	"sort"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// part tells where the blocks of a partition are.
type part interface {
	// place is the sector of a block, and the sector of its copy or -1; the n - 1
	// blocks behind it follow in both. False where nobody knows.
	place(block int64) (at, copy sector.LBA, n int64, ok bool)
}

// far is more blocks than any disc has.
const far = 1 << 32

// plain is a partition whose blocks are sectors in a row.
type plain struct{ start sector.LBA }

func (p plain) place(block int64) (sector.LBA, sector.LBA, int64, bool) {
	return p.start + sector.LBA(block), -1, far, true
}

// sparable is a partition of which packets were moved elsewhere (UDF 2.2.9).
type sparable struct {
	plain
	packet int64
	moved  []move // by from
}

// move is a packet's first block and the sector where it is now.
type move struct {
	from int64
	to   sector.LBA
}

func (p sparable) place(block int64) (sector.LBA, sector.LBA, int64, bool) {
	i := sort.Search(len(p.moved), func(i int) bool { return p.moved[i].from+p.packet > block })
	if i == len(p.moved) {
		return p.plain.place(block)
	}
	if m := p.moved[i]; m.from <= block {
		return m.to + sector.LBA(block-m.from), -1, m.from + p.packet - block, true
	}
	return p.start + sector.LBA(block), -1, p.moved[i].from - block, true
}

// virtual is a partition whose blocks are looked up in the VAT (UDF 2.2.10).
type virtual struct {
	under part
	table []uint32
}

// Entries of a table: one that is not in use, and one of ours for those that are
// in a missing part of it.
const (
	unusedBlock  = 0xFFFFFFFF
	unknownBlock = 0xFFFFFFFE
)

func (p virtual) place(block int64) (sector.LBA, sector.LBA, int64, bool) {
	if block >= int64(len(p.table)) {
		return 0, -1, far, false
	}
	if b := p.table[block]; b != unusedBlock && b != unknownBlock {
		at, copy, _, ok := p.under.place(int64(b))
		return at, copy, 1, ok
	}
	return 0, -1, 1, false
}

// metadata is a partition whose blocks are a file's, or those of its mirror
// (UDF 2.2.13).
type metadata struct{ main, mirror []stretch }

// stretch is blocks of a file that are sectors in a row.
type stretch struct {
	block, n int64
	at       sector.LBA
}

// in finds a block; the sector is -1 where it is in none of them.
func in(all []stretch, block int64) (at sector.LBA, n int64) {
	i := sort.Search(len(all), func(i int) bool { return all[i].block+all[i].n > block })
	if i == len(all) {
		return -1, far
	}
	if s := all[i]; s.block <= block {
		return s.at + sector.LBA(block-s.block), s.block + s.n - block
	}
	return -1, all[i].block - block
}

func (p metadata) place(block int64) (sector.LBA, sector.LBA, int64, bool) {
	at, n := in(p.main, block)
	copy, m := in(p.mirror, block)
	if at < 0 {
		at, copy = copy, -1
	}
	if at == copy {
		copy = -1
	}
	return at, copy, min(n, m), at >= 0
}

// sparingTables reads the tables of a sparable partition: of those that are there
// the one with the highest sequence number.
func (v *volume) sparingTables(m []byte) (packet int64, moved []move, ok bool) {
	packet = int64(le.Uint16(m[40:]))
	tables, size := int(m[42]), int64(le.Uint32(m[44:]))
	if packet == 0 || tables > 4 || size > 1<<20 {
		v.s.Report(problem("a sparable partition's map makes no sense"))
		return 0, nil, false
	}
	best := int64(-1)
	var missing []sector.LBA
	for i := range tables {
		at := sector.LBA(le.Uint32(m[48+4*i:]))
		b, lacks := v.sparingTable(at, size)
		missing = append(missing, lacks...)
		if b == nil || int64(le.Uint32(b[52:])) <= best {
			continue
		}
		best = int64(le.Uint32(b[52:]))
		moved = moved[:0]
		for j, n := 56, int(le.Uint16(b[48:])); n > 0 && j+8 <= len(b); j, n = j+8, n-1 {
			// From FFFFFFF0 on: in reserve, or not usable.
			if from := le.Uint32(b[j:]); from < 0xFFFFFFF0 {
				moved = append(moved, move{int64(from) - int64(from)%packet, sector.LBA(le.Uint32(b[j+4:]))})
			}
		}
	}
	by := ""
	if best >= 0 {
		by = "another sparing table serves"
	}
	for _, a := range missing {
		v.s.Lacks(a, "a sparing table", by)
	}
	slices.SortFunc(moved, func(a, b move) int { return int(a.from - b.from) })
	return packet, moved, best >= 0
}

// sparingTable is the bytes of the table at a sector; nil where it is not there, or
// not whole.
func (v *volume) sparingTable(at sector.LBA, size int64) (b []byte, lacks []sector.LBA) {
	for i := range (max(size, 1) + sector.Size - 1) / sector.Size {
		a := at + sector.LBA(i)
		s := v.s.Read(a, tree.Table)
		if s == nil {
			if v.s.OnDisc(a) {
				lacks = append(lacks, a)
			}
			continue
		}
		b = append(b, s...)
		if need := 56 + 8*int64(le.Uint16(b[48:])); int64(len(b)) >= need {
			break // the size is what there is room for
		}
	}
	if len(lacks) > 0 || len(b) < 56 {
		return nil, lacks
	}
	if need := 56 + 8*int(le.Uint16(b[48:])); len(b) < need || string(b[17:17+18]) != "*UDF Sparing Table" {
		v.s.Wrong(at, "there is no sparing table where there should be")
		return nil, nil
	}
	// Its tag has the kind 0, which tagged takes for none: only the location tells.
	if le.Uint32(b[12:]) != uint32(at) {
		v.s.Wrong(at, "the sparing table belongs elsewhere")
		return nil, nil
	}
	return b, nil
}

func problem(what string) tree.Problem { return tree.Problem{What: what} }
