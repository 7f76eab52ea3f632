package volumetest

import (
	"encoding/binary"
	"unicode/utf16"
)

// Partition is how a UDF volume's partition is made.
type Partition int

const (
	Plain    Partition = iota
	VAT150             // virtual, with the table of UDF 1.50
	VAT201             // virtual, with the table of UDF 2.01
	Sparable           // every ninth packet was moved
	Metadata           // with a full mirror
)

// Where a UDF volume has its parts. The anchors are at 256, at the end and 256
// before that; a virtual one has only the first.
const (
	UDFMain    = 32
	UDFReserve = 48
	UDFSparing = 64 // and the second table at 66
	UDFStart   = 300
	UDFPacket  = 16 // blocks
)

var le = binary.LittleEndian

type udfWriter struct {
	image
	kind   Partition
	next   int          // block of the partition to be written next
	meta   int          // block of the metadata partition to be written next
	space  [2]int       // where the metadata file and its mirror lie, blocks
	table  []int        // of the VAT
	spares map[int]int  // packets by number, sector where each was moved
	spare  int          // sector of the next one
	icb    map[string]a // of file entries by path
}

// a is a block of a partition by reference.
type a struct{ block, part int }

const metaBlocks = 256

// UDF is a UDF volume.
func UDF(root File, kind Partition) []byte {
	w := &udfWriter{kind: kind, spares: map[int]int{}, icb: map[string]a{}, spare: 128}
	w.at(UDFStart, 0)
	if kind == Metadata {
		w.space = [2]int{0, 1024}
		w.next = metaBlocks
	}
	fsd := w.entryBlock()
	rootICB := w.entryBlock()
	w.file(root, rootICB, rootICB)
	b := make([]byte, Size)
	putAddress(b[400:], Size, rootICB)
	w.put(fsd, seal(b, 0x100, fsd.block, 512))
	if kind == Metadata {
		w.metadata()
	}
	end := UDFStart + w.next + 20
	if kind == Metadata {
		end = UDFStart + 1024 + metaBlocks + 20
	}
	if kind == VAT150 || kind == VAT201 {
		w.next += 8
		w.vat()
		end = UDFStart + w.next
	}
	w.at(end, 0)
	w.data = w.data[:end*Size]
	w.sequences(fsd)
	w.recognition()
	anchor := make([]byte, Size)
	le.PutUint32(anchor[16:], 16*Size)
	le.PutUint32(anchor[20:], UDFMain)
	le.PutUint32(anchor[24:], 16*Size)
	le.PutUint32(anchor[28:], UDFReserve)
	places := []int{256}
	if kind != VAT150 && kind != VAT201 {
		w.at(end+300, 0)
		places = append(places, end+300-1, end+300-1-256)
	}
	for _, p := range places {
		copy(w.at(p, Size), seal(anchor, 2, p, 512))
	}
	return w.data
}

// seal gives b the tag of a descriptor of so many bytes.
func seal(b []byte, kind, location, length int) []byte {
	le.PutUint16(b, uint16(kind))
	le.PutUint16(b[2:], 3)
	b[4], b[5] = 0, 0
	le.PutUint16(b[8:], crc(b[16:length]))
	le.PutUint16(b[10:], uint16(length-16))
	le.PutUint32(b[12:], uint32(location))
	var sum byte
	for _, c := range b[:16] {
		sum += c
	}
	b[4] = sum
	return b
}

// crc is the CRC of a descriptor, bit by bit.
func crc(b []byte) uint16 {
	var c uint16
	for _, x := range b {
		for i := 7; i >= 0; i-- {
			top := c>>15 ^ uint16(x>>i)&1
			c = c<<1 ^ top*0x1021
		}
	}
	return c
}

// Seal gives the descriptor at the front of b, which has a tag, checksum and CRC
// anew after a change.
func Seal(b []byte) {
	seal(b, int(le.Uint16(b)), int(le.Uint32(b[12:])), 16+int(le.Uint16(b[10:])))
}

func putAddress(b []byte, length int, at a) {
	le.PutUint32(b, uint32(length))
	le.PutUint32(b[4:], uint32(at.block))
	le.PutUint16(b[8:], uint16(at.part))
}

// entryBlock takes a block for a file entry or the file set descriptor.
func (w *udfWriter) entryBlock() a {
	switch w.kind {
	case VAT150, VAT201:
		w.table = append(w.table, w.next)
		w.next++
		return a{len(w.table) - 1, 1}
	case Metadata:
		w.meta++
		return a{w.meta - 1, 1}
	}
	w.next++
	return a{w.next - 1, 0}
}

// put writes a block where the partition has it.
func (w *udfWriter) put(p a, b []byte) {
	for i, at := range w.places(p) {
		if i > 0 || len(b) > 0 {
			copy(w.at(at, len(b)), b)
		}
	}
}

// places is the sectors of a block: one, or two with a mirror.
func (w *udfWriter) places(p a) []int {
	switch {
	case w.kind == Metadata && p.part == 1:
		// The main file lies in two extents, the second before the first.
		half := metaBlocks / 2
		main := (p.block + half) % metaBlocks
		return []int{UDFStart + w.space[0] + main, UDFStart + w.space[1] + p.block}
	case p.part == 1:
		return []int{UDFStart + w.table[p.block]}
	case w.kind == Sparable && p.block/UDFPacket%9 == 2:
		packet := p.block / UDFPacket
		if w.spares[packet] == 0 {
			w.spares[packet] = w.spare
			if w.spare += UDFPacket; w.spare > 256 {
				panic("volumetest: too many packets to move")
			}
		}
		return []int{w.spares[packet] + p.block%UDFPacket}
	}
	return []int{UDFStart + p.block}
}

// extent writes data into blocks of the physical partition in a row, and gives the
// first.
func (w *udfWriter) extent(data []byte) int {
	first := w.next
	for i := 0; i < len(data); i += Size {
		w.put(a{w.next, 0}, data[i:min(i+Size, len(data))])
		w.next++
	}
	return first
}

// name is characters compressed: a byte each where they fit.
func name(s string) []byte {
	b := []byte{8}
	for _, r := range s {
		if r > 255 {
			b = []byte{16}
			for _, u := range utf16.Encode([]rune(s)) {
				b = binary.BigEndian.AppendUint16(b, u)
			}
			return b
		}
		b = append(b, byte(r))
	}
	return b
}

// identifier is a file identifier descriptor.
func identifier(s string, flags byte, icb a, location int) []byte {
	var n []byte
	if s != "" {
		n = name(s)
	}
	b := make([]byte, (38+len(n)+3)/4*4)
	b[16], b[18], b[19] = 1, flags, byte(len(n))
	putAddress(b[20:], Size, icb)
	copy(b[38:], n)
	return seal(b, 0x101, location, len(b))
}

// file writes the file or directory and all below it; its entry goes to icb.
func (w *udfWriter) file(f File, icb, parent a) {
	data, kind := f.Data, byte(5)
	switch {
	case f.Dir:
		kind = 4
		data = identifier("", 2|8, parent, 0)
		for i, c := range f.Children {
			at := w.entryBlock()
			w.file(c, at, icb)
			flags := byte(0)
			if c.Dir {
				flags = 2
			}
			data = append(data, identifier(c.Name, flags, at, 0)...)
			if i%7 == 3 { // one that was deleted
				data = append(data, identifier(c.Name+" (old)", 4, at, 0)...)
			}
		}
	case f.Link != "":
		kind, data = 12, nil
		for _, part := range splitPath(f.Link) {
			n := name(part)
			data = append(append(data, 5, byte(len(n)), 0, 0), n...)
		}
	}
	w.entry(f, icb, kind, data)
}

func splitPath(s string) (parts []string) {
	for s != "" {
		i := 0
		for i < len(s) && s[i] != '/' {
			i++
		}
		parts = append(parts, s[:i])
		s = s[min(len(s), i+1):]
	}
	return parts
}

// entry writes a file entry, with its data.
func (w *udfWriter) entry(f File, icb a, kind byte, data []byte) {
	form := f.Form
	size := len(data)
	if f.Hollow {
		size += HollowSize
	}
	b := make([]byte, Size)
	le.PutUint16(b[20:], 4)
	le.PutUint16(b[24:], 1)
	b[27] = kind
	le.PutUint16(b[48:], 1)
	le.PutUint64(b[56:], uint64(size))
	putTime(b[84:])
	if f.Form == Strategy {
		// An older entry first, of a file that was empty, then where the next one is.
		old := append([]byte{}, b...)
		le.PutUint16(old[20:], 4096)
		le.PutUint64(old[56:], 0)
		next := a{w.next + 1, 0}
		if w.kind != Plain && w.kind != Sparable {
			panic("volumetest: strategy 4096 needs a plain partition")
		}
		indirect := make([]byte, Size)
		putAddress(indirect[36:], Size, next)
		if icb.block+1 != w.next {
			panic("volumetest: the block behind an entry is taken")
		}
		w.put(a{w.next, 0}, seal(indirect, 0x103, w.next, 52))
		w.next += 3 // the one of the last entry, and one behind it that holds nothing
		w.put(icb, seal(old, 0x105, icb.block, 176))
		le.PutUint16(b[20:], 4096)
		icb, form = next, Short
	}
	if form == Within {
		le.PutUint16(b[34:], 3)
		le.PutUint32(b[172:], uint32(len(data)))
		copy(b[176:], data)
		w.put(icb, seal(b, 0x105, icb.block, 176+len(data)))
		return
	}
	pieces := w.pieces(f, icb, data)
	var desc []byte
	for _, p := range pieces {
		desc = append(desc, p.bytes(form)...)
	}
	if form == Chained {
		desc = w.chain(pieces)
	}
	le.PutUint16(b[34:], map[Form]uint16{Short: 0, Long: 1, Extended: 2, Chained: 0}[form])
	le.PutUint32(b[172:], uint32(len(desc)))
	copy(b[176:], desc)
	w.put(icb, seal(b, 0x105, icb.block, 176+len(desc)))
}

// pieceOf is an extent of a file.
type pieceOf struct {
	length, kind int
	at           a
}

func (p pieceOf) bytes(form Form) []byte {
	length := uint32(p.length) | uint32(p.kind)<<30
	b := le.AppendUint32(nil, length)
	switch form {
	case Extended:
		b = le.AppendUint32(b, uint32(p.length))
		b = le.AppendUint32(b, uint32(p.length))
		b = le.AppendUint32(b, uint32(p.at.block))
		return append(le.AppendUint16(b, uint16(p.at.part)), 0, 0)
	case Long:
		b = le.AppendUint32(b, uint32(p.at.block))
		return append(le.AppendUint16(b, uint16(p.at.part)), make([]byte, 6)...)
	}
	return le.AppendUint32(b, uint32(p.at.block))
}

// pieces writes a file's data, in as many extents as it asks for.
func (w *udfWriter) pieces(f File, icb a, data []byte) (all []pieceOf) {
	parts := max(1, f.Parts)
	step := max(1, sectors(len(data))/parts) * Size
	for i := 0; i < len(data); {
		end := min(len(data), i+step)
		if len(all) == parts-1 {
			end = len(data)
		}
		if w.kind == Metadata && f.Dir {
			// A directory's data is in the metadata partition.
			p := pieceOf{length: end - i, at: a{w.meta, 1}}
			for j := i; j < end; j += Size {
				w.put(a{w.meta, 1}, data[j:min(j+Size, end)])
				w.meta++
			}
			all = append(all, p)
		} else {
			part := 0
			if f.Form != Long && f.Form != Extended {
				part = icb.part // short ones mean the entry's own
			}
			if part == 1 && (w.kind == Metadata || w.kind == VAT150 || w.kind == VAT201) {
				panic("volumetest: short descriptors are for plain and sparable partitions")
			}
			all = append(all, pieceOf{length: end - i, at: a{w.extent(data[i:end]), 0}})
			w.next++ // so that extents do not become one
		}
		i = end
	}
	if f.Hollow {
		all = append(all, pieceOf{length: HollowSize, kind: 2})
	}
	return all
}

// chain puts two descriptors into the entry, and two into each continuation.
func (w *udfWriter) chain(all []pieceOf) []byte {
	var desc []byte
	for i := 0; i < min(2, len(all)); i++ {
		desc = append(desc, all[i].bytes(Short)...)
	}
	if len(all) <= 2 {
		return desc
	}
	block := w.next
	w.next++
	rest := w.chain(all[2:])
	b := make([]byte, Size)
	le.PutUint32(b[20:], uint32(len(rest)))
	copy(b[24:], rest)
	w.put(a{block, 0}, seal(b, 0x102, block, 24+len(rest)))
	return append(desc, pieceOf{length: Size, kind: 3, at: a{block, 0}}.bytes(Short)...)
}

func putTime(b []byte) {
	le.PutUint16(b, 1<<12)
	le.PutUint16(b[2:], uint16(When.Year()))
	copy(b[4:], []byte{byte(When.Month()), byte(When.Day()), byte(When.Hour()), byte(When.Minute()), byte(When.Second())})
}
