package udf

import (
	"fmt"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Of the VAT (UDF 2.2.11, 2.2.10 of 1.50).
const (
	vatKind      = 248 // kind of file from 2.00 on; 0 before
	vatTail      = 36  // bytes behind the entries, before 2.00
	vatLongest   = 8 << 20
	vatNear      = 64 // sectors at the end in which the newest one must be
	vatSignature = "*UDF Virtual Alloc Tbl"
)

// virtual finds the VAT: its entry is in the last block that was written. Where a
// sector behind the one that is found is missing, that one may have been it.
func (v *volume) virtual(under part) part {
	end := sector.LBA(v.s.Sectors())
	start, _, _, _ := under.place(0)
	var lacks []sector.LBA
	behind := false // a sector behind a is missing
	for a := end - 1; a > start && a >= end-sector.LBA(v.window) && v.s.Err() == nil; a-- {
		b := v.s.Peek(a)
		if b == nil {
			behind = true
			if a >= end-vatNear {
				v.s.Read(a, tree.Table)
				lacks = append(lacks, a)
			}
			continue
		}
		e, wrong := v.parseEntry(b, a, int64(a-start))
		if wrong != "" || e.kind != vatKind && e.kind != 0 {
			continue
		}
		v.s.Read(a, tree.Table)
		table, missing, ok := v.vat(e, under)
		if !ok {
			continue
		}
		for _, l := range lacks {
			v.s.Lacks(l, "what may be the newest VAT", fmt.Sprintf("the one at sector %d serves, which may be older", a))
		}
		if behind {
			v.doubt("the newest VAT may be missing: it may have been changed since the one that serves")
		}
		for _, l := range missing {
			v.s.Lacks(l, "a part of the VAT", "")
		}
		return virtual{under, table}
	}
	for _, l := range lacks {
		v.s.Lacks(l, "what may be the VAT", "")
	}
	if !behind {
		v.s.Report(problem("there is no VAT in the last sectors that were written"))
	}
	return nil
}

// vat reads the table from its file; false where the file is none.
func (v *volume) vat(e *entry, under part) (table []uint32, missing []sector.LBA, ok bool) {
	if e.size < vatTail || e.size > vatLongest || e.size%4 != 0 {
		return nil, nil, false
	}
	if !v.s.Charge(2 * int(e.size)) {
		return nil, nil, false
	}
	data := make([]byte, 0, e.size)
	holes := map[int]bool{} // by entry of 4 bytes
	v.contents(e, under, tree.Table, func(b []byte, n int, at sector.LBA) bool {
		if b == nil {
			for i := range (n + 3) / 4 {
				holes[len(data)/4+i] = true
			}
			if v.s.OnDisc(at) {
				missing = append(missing, at)
			}
			b = make([]byte, n)
		}
		data = append(data, b...)
		return len(data) < int(e.size)
	})
	data = data[:min(len(data), int(e.size))]
	if len(data) < vatTail {
		return nil, nil, false
	}
	from, to := 0, len(data)
	if e.kind == vatKind {
		from = int(le.Uint16(data))
		if holes[0] {
			from = 152 // as long as it is without implementation use
		}
		if from < 152 || from > to || from%4 != 0 {
			return nil, nil, false
		}
	} else {
		to -= vatTail
		if id := data[to+1:]; !holes[to/4] && string(id[:len(vatSignature)]) != vatSignature {
			return nil, nil, false
		}
		if holes[to/4] && to == 0 {
			return nil, nil, false
		}
	}
	for i := from; i < to; i += 4 {
		n := le.Uint32(data[i:])
		if holes[i/4] {
			n = unknownBlock
		}
		table = append(table, n)
	}
	return table, missing, true
}
