package volumetest

// metadata writes the entries of the metadata file and its mirror, behind all else.
func (w *udfWriter) metadata() {
	if w.meta > metaBlocks {
		panic("volumetest: the metadata file is full")
	}
	half := metaBlocks / 2
	for i, all := range [][]pieceOf{
		{{length: half * Size, at: a{half, 0}}, {length: half * Size, at: a{0, 0}}},
		{{length: metaBlocks * Size, at: a{1024, 0}}},
	} {
		b := make([]byte, Size)
		le.PutUint16(b[20:], 4)
		b[27] = byte(250 + i)
		le.PutUint64(b[56:], metaBlocks*Size)
		var desc []byte
		for _, p := range all {
			desc = append(desc, p.bytes(Short)...)
		}
		le.PutUint32(b[172:], uint32(len(desc)))
		copy(b[176:], desc)
		copy(w.at(UDFStart+w.next+i, Size), seal(b, 0x105, w.next+i, 176+len(desc)))
	}
	w.next += 2
	if w.next > 1024 {
		panic("volumetest: too much data before the mirror")
	}
}

// vat writes the table and its entry, in the last block.
func (w *udfWriter) vat() {
	var data []byte
	if w.kind == VAT201 {
		data = make([]byte, 152)
		le.PutUint16(data, 152)
	}
	for _, n := range w.table {
		data = le.AppendUint32(data, uint32(n))
	}
	kind := byte(248)
	if w.kind == VAT150 {
		tail := make([]byte, 36)
		copy(tail[1:], "*UDF Virtual Alloc Tbl")
		le.PutUint32(tail[32:], 0xFFFFFFFF)
		data, kind = append(data, tail...), 0
	}
	at := w.extent(data)
	b := make([]byte, Size)
	le.PutUint16(b[20:], 4)
	b[27] = kind
	le.PutUint64(b[56:], uint64(len(data)))
	le.PutUint32(b[172:], 8)
	copy(b[176:], pieceOf{length: len(data), at: a{at, 0}}.bytes(Short))
	copy(w.at(UDFStart+w.next, Size), seal(b, 0x105, w.next, 184))
	w.next++
}

// recognition writes the volume recognition sequence.
func (w *udfWriter) recognition() {
	for i, id := range []string{"BEA01", "NSR03", "TEA01"} {
		copy(w.at(16+i, 7), "\x00"+id+"\x01")
	}
}

// sequences writes both volume descriptor sequences, and sparing tables.
func (w *udfWriter) sequences(fsd a) {
	pvd := make([]byte, Size)
	copy(pvd[24:], "\x08SAMPLE")
	pvd[55] = 7
	putTime(pvd[376:])
	pd := make([]byte, Size)
	le.PutUint32(pd[16:], 1)
	le.PutUint32(pd[188:], UDFStart)
	le.PutUint32(pd[192:], uint32(len(w.data)/Size-UDFStart))
	lvd := make([]byte, Size)
	le.PutUint32(lvd[16:], 2)
	copy(lvd[84:], "\x08SAMPLE")
	lvd[84+127] = 7
	le.PutUint32(lvd[212:], Size)
	revision := map[Partition]uint16{Plain: 0x102, VAT150: 0x150, VAT201: 0x201, Sparable: 0x201, Metadata: 0x250}[w.kind]
	le.PutUint16(lvd[240:], revision)
	putAddress(lvd[248:], Size, fsd)
	maps := w.maps()
	le.PutUint32(lvd[264:], uint32(len(maps)))
	le.PutUint32(lvd[268:], uint32(map[bool]int{true: 1, false: 2}[w.kind == Plain || w.kind == Sparable]))
	copy(lvd[440:], maps)
	for _, first := range []int{UDFMain, UDFReserve} {
		for i, d := range []struct {
			b            []byte
			kind, length int
		}{{pvd, 1, 512}, {lvd, 6, 440 + len(maps)}, {pd, 5, 512}, {make([]byte, Size), 8, 512}} {
			copy(w.at(first+i, Size), seal(d.b, d.kind, first+i, d.length))
		}
	}
}

func (w *udfWriter) maps() []byte {
	plain := []byte{1, 6, 1, 0, 0, 0}
	m := make([]byte, 64)
	m[0], m[1], m[36] = 2, 64, 1
	switch w.kind {
	case Plain:
		return plain
	case VAT150, VAT201:
		copy(m[5:], "*UDF Virtual Partition")
		return append(plain, m...)
	case Metadata:
		copy(m[5:], "*UDF Metadata Partition")
		le.PutUint32(m[40:], uint32(w.next-2))
		le.PutUint32(m[44:], uint32(w.next-1))
		le.PutUint32(m[48:], 0xFFFFFFFF)
		m[58] = 1
		return append(plain, m...)
	}
	copy(m[5:], "*UDF Sparable Partition")
	le.PutUint16(m[40:], UDFPacket)
	m[42] = 2
	le.PutUint32(m[44:], 2*Size)
	for i, at := range []int{UDFSparing, UDFSparing + 2} {
		le.PutUint32(m[48+4*i:], uint32(at))
		b := w.at(at, Size)
		clear(b)
		copy(b[17:], "*UDF Sparing Table")
		n := 0
		for packet, to := range w.spares {
			le.PutUint32(b[56+8*n:], uint32(packet*UDFPacket))
			le.PutUint32(b[60+8*n:], uint32(to))
			n++
		}
		for range 3 { // in reserve
			le.PutUint32(b[56+8*n:], 0xFFFFFFFF)
			n++
		}
		le.PutUint16(b[48:], uint16(n))
		le.PutUint32(b[52:], uint32(1))
		seal(b, 0, at, 56+8*n)
	}
	return m
}
