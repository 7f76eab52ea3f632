package tree

import (
	"time"

	"turnstone/device/sector"
)

// Kind is what a node is.
type Kind uint8

const (
	Regular Kind = iota
	Folder
	Link  // symbolic link
	Other // device node, pipe, socket
)

// Place is where the bytes of an extent are.
type Place uint8

const (
	Recorded Place = iota // in the image, from byte At on
	Zeros                 // nowhere: never recorded, and read as zeros
	Unplaced              // not known: the structure that tells is missing or wrong
)

// Extent is a run of a file's bytes that lie together in the image.
type Extent struct {
	Offset int64 // in the file, bytes
	Length int64 // bytes
	At     int64 // in the image, bytes; 0 unless Recorded
	Place  Place
}

// Sectors is the sectors that a recorded extent touches.
func (e Extent) Sectors() sector.Range {
	if e.Place != Recorded || e.Length <= 0 {
		return sector.Range{}
	}
	return sector.Range{
		First: sector.LBA(e.At / sector.Size),
		End:   sector.LBA((e.At + e.Length + sector.Size - 1) / sector.Size),
	}
}

// Found is how a node became known.
type Found uint8

const (
	Listed    Found = iota // by its directory
	ShortName              // by its directory; a part of what names it is missing, and a shorter name stands in
	PathTable              // a directory by the path table, its record being lost: the name is the table's
	OwnRecord              // a directory by what it says of itself: the name is lost and made up
)

// UnknownSize is the size of a file whose record is missing.
const UnknownSize = -1

// Node is a file or directory as one file system tells it.
type Node struct {
	Name     string // in UTF-8, as on the disc: not safe as a path
	Kind     Kind
	Found    Found
	Lost     bool  // a directory's: its listing is not complete
	Size     int64 // bytes, or UnknownSize; of a directory, 0
	Modified time.Time
	Extents  []Extent // in order of Offset, without gap or overlap; none for directories
	Children []*Node
	Target   string // a link's
	// Doubt is why the node cannot be called whole though all its bytes may be
	// there; empty where there is none.
	Doubt string
	// Hearsay tells that the doubt is one that another tree with the same extents
	// takes away.
	Hearsay bool
	// Missing is the sectors of structures that would tell the rest of it.
	Missing []sector.Range
	// Record is the sector where the directory record or file identifier begins
	// that named the node; a root has the one of its descriptor.
	Record sector.LBA
	// At is the sector of a directory's first record, or of the file entry.
	At sector.LBA
}

// What a node takes, for Charge, in bytes: a part of what it and its entry in the
// merged tree take together, so that the limit holds for both.
const (
	NodeCost   = 320
	ExtentCost = 32
)

// Lack notes that the node's structure at a is missing.
func (n *Node) Lack(a sector.LBA) {
	if i := len(n.Missing); i > 0 && n.Missing[i-1].End == a {
		n.Missing[i-1].End++
		return
	}
	n.Missing = append(n.Missing, sector.Span(a, 1))
}

// Append adds an extent behind those that are there, of length bytes; it becomes
// one with the last where it goes on from it.
func (n *Node) Append(e Extent) {
	if i := len(n.Extents) - 1; i >= 0 {
		last := &n.Extents[i]
		e.Offset = last.Offset + last.Length
		if last.Place == e.Place && (e.Place != Recorded || last.At+last.Length == e.At) {
			last.Length += e.Length
			return
		}
	}
	n.Extents = append(n.Extents, e)
}

// System is one file system's tree.
type System struct {
	Kind    SystemKind
	Label   string    // the volume's name
	Created time.Time // zero where the volume does not tell
	Session sector.LBA
	End     sector.LBA // behind the last sector that its descriptor counts; 0 where it does not tell
	Version string     // of UDF, "1.02"; empty where nothing tells
	Root    *Node
	// Doubt is why none of its files can be called whole; empty where there is none.
	Doubt string
	// Spare tells that it may be an earlier state of the volume: its entries serve
	// only where the others have lost theirs.
	Spare bool
}

// SystemKind is which file system a tree came from.
type SystemKind uint8

const (
	UDF SystemKind = iota
	RockRidge
	Joliet
	ISO9660
)

func (k SystemKind) String() string {
	return [...]string{"UDF", "Rock Ridge", "Joliet", "ISO 9660"}[k]
}
