package press

import "time"

// Where the parts of the UDF volume lie (ECMA-167 3; OSTA UDF 1.02 2.2). An anchor is at
// 256 and in the last sector.
const (
	udfSeen      = 18 // volume recognition, behind the descriptors of ISO 9660
	udfMain      = 32
	udfReserve   = 48
	udfSequence  = 16 // sectors of either
	udfIntegrity = 64
	udfAnchor    = 256
	udfPartition = 257
)

// Descriptors, by tag (ECMA-167 3/7.2.1, 4/7.2.1).
const (
	tagVolume, tagAnchor, tagImplementation, tagPartition, tagLogical = 1, 2, 4, 5, 6
	tagUnallocated, tagTerminator, tagIntegrity                       = 7, 8, 9
	tagFileSet, tagIdentifier, tagFile                                = 0x100, 0x101, 0x105
)

// udfPlace is where an entry lies in the partition.
type udfPlace struct {
	block int // of its file entry
	list  int // of a directory's list
	id    int // unique; 0 for the root, and then from 16 on
}

// placeUDF gives entries and directories their blocks, and returns the sector behind.
func placeUDF(all, files []*entry) (end int) {
	next, id := 2, 16 // behind the file set and its terminator
	for i, e := range all {
		e.udf = udfPlace{block: next, list: next + 1, id: id}
		if i == 0 {
			e.udf.id = 0
		} else {
			id++
		}
		next += 1 + sectorsOf(len(identifiers(e)))
	}
	for _, e := range files {
		e.udf = udfPlace{block: next, id: id}
		next, id = next+1, id+1
	}
	return udfPartition + next
}

// seal gives a descriptor its tag (ECMA-167 3/7.2): CRC over all behind the tag, and the
// checksum of the tag.
func seal(kind, location int, b table) table {
	le.PutUint16(b, uint16(kind))
	le.PutUint16(b[2:], 2) // the edition that UDF 1.02 stands on
	le.PutUint16(b[8:], crc(b[16:]))
	le.PutUint16(b[10:], uint16(len(b)-16))
	le.PutUint32(b[12:], uint32(location))
	sum := byte(0)
	for _, x := range b[:16] {
		sum += x
	}
	b[4] = sum
	return b
}

// crc is the CRC-16 of a descriptor (ECMA-167 3/7.2.6): polynomial 1021h, from 0 on.
func crc(b []byte) (c uint16) {
	for _, x := range b {
		c ^= uint16(x) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ 0x1021
			} else {
				c <<= 1
			}
		}
	}
	return c
}

// Numbers of UDF in a table.
func (t table) l16(at, v int) { le.PutUint16(t[at:], uint16(v)) }
func (t table) l32(at, v int) { le.PutUint32(t[at:], uint32(v)) }
func (t table) l64(at, v int) { le.PutUint64(t[at:], uint64(v)) }

// extent puts bytes from a sector or block on: extent_ad, short_ad, the front of long_ad.
func (t table) extent(at, length, first int) {
	t.l32(at, length)
	t.l32(at+4, first)
}

// name puts a name into a field of so many bytes (OSTA UDF 2.1.1, 2.1.3).
func (t table) name(at, n int, name string) {
	t.put(at, 8)
	t.text(at+1, name)
	t[at+n-1] = byte(1 + len(name))
}

// moment puts a time (ECMA-167 1/7.3), in UTC.
func (t table) moment(at int, when time.Time) {
	when = when.UTC()
	t.l16(at, 1<<12)
	t.l16(at+2, when.Year())
	t.put(at+4, byte(when.Month()), byte(when.Day()), byte(when.Hour()), byte(when.Minute()), byte(when.Second()))
}

// charset puts the characters that names are in (OSTA UDF 2.1.2).
func (t table) charset(at int) { t.text(at+1, "OSTA Compressed Unicode") }

// entity puts an identifier (ECMA-167 1/7.4); those of UDF tell its revision.
func (t table) entity(at int, name string) {
	t.text(at+1, name)
	if name[0] == '*' && name != maker {
		t.l16(at+24, revision)
	}
}

const (
	maker    = "*Turnstone"
	revision = 0x0102
	domain   = "*OSTA UDF Compliant"
)

// describeUDF puts down the UDF volume.
func (d *Disc) describeUDF(out *sheet, all, files []*entry) {
	for i, id := range []string{"BEA01", "NSR02", "TEA01"} {
		out.put(udfSeen+i, []byte("\x00"+id+"\x01"))
	}
	for _, first := range []int{udfMain, udfReserve} {
		for i, v := range d.sequence() {
			out.put(first+i, seal(v.tag, first+i, v.table))
		}
	}
	out.put(udfIntegrity, seal(tagIntegrity, udfIntegrity, d.integrity(len(all), len(files))))
	out.put(udfIntegrity+1, seal(tagTerminator, udfIntegrity+1, make(table, 512)))
	for _, at := range []int{udfAnchor, d.Sectors - 1} {
		a := make(table, 512)
		a.extent(16, udfSequence*size, udfMain)
		a.extent(24, udfSequence*size, udfReserve)
		out.put(at, seal(tagAnchor, at, a))
	}
	block := func(n, tag int, b table) { out.put(udfPartition+n, seal(tag, n, b)) }
	block(0, tagFileSet, d.fileSet(all[0]))
	block(1, tagTerminator, make(table, 512))
	for _, e := range all {
		list := identifiers(e)
		block(e.udf.block, tagFile, fileEntry(e, e.udf.list, len(list)))
		out.put(udfPartition+e.udf.list, list)
	}
	for _, e := range files {
		block(e.udf.block, tagFile, fileEntry(e, e.first-udfPartition, len(e.data)))
	}
}

type tagged struct {
	tag int
	table
}

// sequence is the volume descriptors (ECMA-167 3/10).
func (d *Disc) sequence() []tagged {
	volume := make(table, 512)
	volume.name(24, 32, d.Label)
	volume.l16(56, 1)
	volume.l16(58, 1)
	volume.l16(60, 2)
	volume.l16(62, 2)
	volume.l32(64, 1)
	volume.l32(68, 1)
	volume.name(72, 128, "0123456789ABCDEF"+d.Label)
	volume.charset(200)
	volume.charset(264)
	volume.moment(376, d.Made)
	volume.entity(388, maker)

	use := make(table, 512)
	use.entity(20, "*UDF LV Info")
	use.charset(52)
	use.name(116, 128, d.Label)
	use.entity(352, maker)

	partition := make(table, 512)
	partition.l16(20, 1)
	partition.entity(24, "+NSR02")
	partition.l32(184, 1) // read only
	partition.extent(188, udfPartition, d.Sectors-1-udfPartition)
	partition.entity(196, maker)

	logical := make(table, 446)
	logical.charset(20)
	logical.name(84, 128, d.Label)
	logical.l32(212, size)
	logical.entity(216, domain)
	logical.extent(248, 2*size, 0) // the file set, and what ends it
	logical.l32(264, 6)
	logical.l32(268, 1)
	logical.entity(272, maker)
	logical.extent(432, 2*size, udfIntegrity)
	logical.put(440, 1, 6, 1)

	all := []tagged{{tagVolume, volume}, {tagImplementation, use}, {tagPartition, partition}, {tagLogical, logical},
		{tagUnallocated, make(table, 24)}, {tagTerminator, make(table, 512)}}
	for i, v := range all[:5] {
		v.l32(16, i)
	}
	return all
}

// integrity is the logical volume integrity descriptor (ECMA-167 3/10.10): closed.
func (d *Disc) integrity(folders, files int) table {
	const use = 46
	t := make(table, 88+use)
	t.moment(16, d.Made)
	t.l32(28, 1)
	t.l64(40, 16+folders+files)
	t.l32(72, 1)
	t.l32(76, use)
	t.l32(84, d.Sectors-1-udfPartition)
	t.entity(88, maker)
	t.l32(120, files)
	t.l32(124, folders)
	for i := range 3 {
		t.l16(128+2*i, revision)
	}
	return t
}

// fileSet is the file set descriptor (ECMA-167 4/14.1).
func (d *Disc) fileSet(root *entry) table {
	t := make(table, 512)
	t.moment(16, d.Made)
	t.l16(28, 3)
	t.l16(30, 3)
	t.l32(32, 1)
	t.l32(36, 1)
	t.charset(48)
	t.name(112, 128, d.Label)
	t.charset(240)
	t.name(304, 32, d.Label)
	t.extent(400, size, root.udf.block)
	t.entity(416, domain)
	return t
}

// identifiers is a directory's list (ECMA-167 4/14.4): the one above, and what is in it.
func identifiers(e *entry) (b []byte) {
	add := func(x *entry, name string, kind byte) {
		n := 0
		if name != "" {
			n = 1 + len(name)
		}
		t := make(table, align(38+n, 4))
		t.l16(16, 1)
		t.put(18, kind, byte(n))
		t.extent(20, size, x.udf.block)
		t.l32(32, x.udf.id)
		if n > 0 {
			t.put(38, 8)
			t.text(39, name)
		}
		// The tag tells the block that the identifier begins in.
		b = append(b, seal(tagIdentifier, e.udf.list+len(b)/size, t)...)
	}
	add(e.parent, "", 1<<3|1<<1)
	for _, c := range e.children {
		kind := byte(0)
		if c.folder {
			kind = 1 << 1
		}
		add(c, c.name, kind)
	}
	return b
}

// fileEntry is the entry of a file or directory that lies in blocks in a row (ECMA-167
// 4/14.9, with strategy 4 and short descriptors).
func fileEntry(e *entry, first, length int) table {
	t := make(table, 184)
	t.l16(20, 4)
	t.l16(24, 1)
	kind, links, rights := byte(5), 1, 0b00100_00100_00100
	if e.folder {
		kind, links, rights = 4, 1, 0b00101_00101_00101
		for _, c := range e.children {
			if c.folder {
				links++
			}
		}
	}
	t.put(27, kind)
	t.l32(36, -1) // no owner, no group
	t.l32(40, -1)
	t.l32(44, rights)
	t.l16(48, links)
	t.l64(56, length)
	t.l64(64, sectorsOf(length))
	for i := range 3 {
		t.moment(72+12*i, e.made)
	}
	t.l32(108, 1)
	t.entity(128, maker)
	t.l64(160, e.udf.id)
	t.l32(172, 8)
	t.extent(176, length, first)
	return t
}
