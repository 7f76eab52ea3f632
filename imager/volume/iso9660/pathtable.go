package iso9660

import (
	"encoding/binary"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Bounds of a path table: parents are counted in 16 bits, names in 8.
const (
	mostPathRecords = 1 << 16
	pathRecordHead  = 8
)

// pathRecord is one directory in the path table.
type pathRecord struct {
	name   []byte
	at     int64 // its first byte in the image
	parent int   // its index, from 0
}

// pathCopy is one recording of the path table.
type pathCopy struct {
	at    int64 // byte of the image
	order binary.ByteOrder
}

// pathTable is the path table as far as it can be read.
type pathTable struct {
	records []pathRecord
	below   map[int64]int  // by where a directory begins, the last one directly in it
	begins  map[int64]bool // where directories do
}

// pathTable reads the path table, each record from the first copy that has it.
// Records are lost from the first that none has.
func (w *walk) pathTable() *pathTable {
	if w.paths != nil {
		return w.paths
	}
	all := w.pathRecords()
	w.paths = &pathTable{all, make(map[int64]int, len(all)), make(map[int64]bool, len(all))}
	for i, r := range all {
		w.paths.begins[r.at] = true
		if i > 0 {
			w.paths.below[all[r.parent].at] = i
		}
	}
	return w.paths
}

func (w *walk) pathRecords() []pathRecord {
	var copies []pathCopy
	for _, c := range []struct {
		block uint32
		order binary.ByteOrder
	}{{w.d.pathL, binary.LittleEndian}, {w.d.pathM, binary.BigEndian}, {w.d.pathLCopy, binary.LittleEndian}, {w.d.pathMCopy, binary.BigEndian}} {
		if at := int64(c.block) * w.d.block; c.block != 0 && w.s.OnDisc(sector.LBA(at/sector.Size)) {
			copies = append(copies, pathCopy{at, c.order})
		}
	}
	var all []pathRecord
	size := min(int64(w.d.pathSize), w.s.Sectors()*sector.Size)
	for off := int64(0); off+pathRecordHead < size && len(all) < mostPathRecords; {
		r, length, missing, ok := w.pathRecord(copies, off, len(all))
		if !ok {
			if missing {
				w.s.Report(tree.Problem{What: "the path tables are missing from directory " + itoa(len(all)+1) + " on"})
			} else {
				w.s.Report(tree.Problem{What: "the path tables are wrong from directory " + itoa(len(all)+1) + " on"})
			}
			break
		}
		if !w.s.Charge(144 + len(r.name)) {
			break
		}
		all = append(all, r)
		off += int64(length)
	}
	return all
}

// pathRecord reads the record with the index at off in the table: from the first
// copy that has a sound one; else, where it spans two sectors and no copy has both,
// byte by byte from any.
func (w *walk) pathRecord(copies []pathCopy, off int64, index int) (r pathRecord, length int, missing, ok bool) {
	for i := range len(copies) + 1 {
		from := copies
		if i < len(copies) {
			from = copies[i : i+1]
		}
		head := w.pathBytes(from, off, pathHeadOrder)
		if head == nil {
			missing = true
			continue
		}
		named := int(head[0])
		name := w.pathBytes(from, off+pathRecordHead, nameOrder[:named])
		if name == nil {
			missing = true
			continue
		}
		r = pathRecord{name: name, parent: int(binary.LittleEndian.Uint16(head[6:])) - 1,
			at: (int64(binary.LittleEndian.Uint32(head[2:])) + int64(head[1])) * w.d.block}
		if named == 0 || r.parent < 0 || r.parent > index || r.parent == index && index > 0 || !w.s.OnDisc(sector.LBA(r.at/sector.Size)) {
			continue
		}
		return r, pathRecordHead + named + named%2, false, true
	}
	return r, 0, missing, false
}

// Where the bytes of a head are in the big-endian table, in the order of the
// little-endian one; names are the same in both.
var (
	pathHeadOrder = []int{0, 1, 5, 4, 3, 2, 7, 6}
	nameOrder     = func() []int {
		order := make([]int, 256)
		for i := range order {
			order[i] = i
		}
		return order
	}()
)

// pathBytes is as many bytes from off on as order has, as the little-endian table
// has them, each from the first copy that has its sector; nil where one is in none.
func (w *walk) pathBytes(copies []pathCopy, off int64, order []int) []byte {
	out := make([]byte, len(order))
	for i := range out {
		found := false
		for _, c := range copies {
			at := c.at + off + int64(i)
			if c.order == binary.BigEndian {
				at = c.at + off + int64(order[i])
			}
			if b := w.s.Read(sector.LBA(at/sector.Size), tree.Table); b != nil {
				out[i], found = b[at%sector.Size], true
				break
			}
		}
		if !found {
			return nil
		}
	}
	return out
}

// fromPathTable finds the directories whose records are missing, and reads them.
func (w *walk) fromPathTable() {
	all := w.pathTable().records
	for _, r := range all {
		if w.s.Err() != nil {
			return
		}
		if w.folders[r.at] != nil {
			continue
		}
		parent := w.folders[all[r.parent].at]
		if parent == nil || !parent.node.Lost || w.movedAt[r.at] {
			continue
		}
		n := &tree.Node{Name: w.d.name(r.name), Kind: tree.Folder, Found: tree.PathTable, Record: parent.node.At}
		if w.attach(parent, n) && w.enter(&folder{node: n, parent: parent, at: r.at, depth: parent.depth + 1}) != nil {
			w.run()
		}
	}
}

// sizeFromBelow is the size that a directory found by the path table below f
// gives of its parent; 0 where there is none.
func (w *walk) sizeFromBelow(f *folder) int64 {
	paths := w.pathTable()
	i, ok := paths.below[f.at]
	if !ok {
		return 0
	}
	at := paths.records[i].at
	if b := w.s.Read(sector.LBA(at/sector.Size), tree.Directory); b != nil {
		if _, parent, ok := ownRecords(b[at%sector.Size:]); ok && int64(parent.block)*w.d.block == f.at {
			return int64(parent.size)
		}
	}
	return 0
}
