package volume

import (
	"strings"
	"time"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// State is how much of a file there is.
type State uint8

const (
	// Whole: all its bytes are in the image, and it is certain which they are. A
	// directory is whole when its listing is.
	Whole State = iota
	// Damaged: bytes are missing; Volume.Missing tells which.
	Damaged
	// Unknown: the structure that tells where the file is, or where it ends, is
	// missing or wrong; Why tells more. Extents hold what is known.
	Unknown
)

func (s State) String() string { return [...]string{"whole", "damaged", "unknown"}[s] }

// Trees is a set of file systems, by bit.
type Trees uint8

// Has tells whether k is among them.
func (t Trees) Has(k tree.SystemKind) bool { return t&(1<<k) != 0 }

func (t Trees) String() string {
	var names []string
	for k := tree.UDF; k <= tree.ISO9660; k++ {
		if t.Has(k) {
			names = append(names, k.String())
		}
	}
	return strings.Join(names, ", ")
}

// Entry is a file or directory of the merged tree.
type Entry struct {
	Parent   *Entry // nil for the root
	Children []*Entry
	Name     string // in UTF-8, as on the disc: not safe as a path; empty for the root
	Kind     tree.Kind
	Found    tree.Found // other than Listed: the name is a stand-in's
	Size     int64      // bytes, or tree.UnknownSize
	Modified time.Time  // zero where it is not recorded
	Extents  []tree.Extent
	Target   string // a symbolic link's

	State        State
	Why          string // what makes it Unknown, in words
	MissingBytes int64  // of what Extents hold
	// From is the file system that its entry was taken from, Session the one in
	// which that begins, and In all those that list it.
	From    tree.SystemKind
	Session sector.LBA
	In      Trees
	// StandsIn tells that an entry of the file system that should tell of it is
	// missing, and the one of From stands in.
	StandsIn bool

	lost    bool // a directory's: no file system lists all of it
	short   bool // a directory's: the one that lists all of it shortens names
	hearsay bool // the doubt is one that another tree can take away
	structs []sector.Range
	at      sector.LBA
}

// Path is the names from the root on, with slashes between them; empty for the
// root. A name on the disc may hold a slash itself.
func (e *Entry) Path() string {
	var names []string
	for ; e.Parent != nil; e = e.Parent {
		names = append(names, e.Name)
	}
	for i, j := 0, len(names)-1; i < j; i, j = i+1, j-1 {
		names[i], names[j] = names[j], names[i]
	}
	return strings.Join(names, "/")
}

// Folder tells whether e is a directory.
func (e *Entry) Folder() bool { return e.Kind == tree.Folder }

// key is what two trees' entries of one file have in common: where it begins.
func key(extents []tree.Extent) (int64, bool) {
	for _, x := range extents {
		if x.Place == tree.Recorded && x.Length > 0 {
			return x.At, true
		}
	}
	return 0, false
}
