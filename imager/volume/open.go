package volume

import (
	"errors"
	"io"
	"iter"
	"slices"

	"turnstone/device/sector"
	"turnstone/imager/volume/iso9660"
	"turnstone/imager/volume/tree"
	"turnstone/imager/volume/udf"
)

// Options is what the disc's drive tells, and how far to look.
type Options struct {
	// Sessions is where they begin, oldest first. None stands for one at 0.
	Sessions []sector.LBA
	// Search is how many sectors, from where a session begins, are gone through for
	// directories that nothing else tells of; 0 stands for 16,384 (32 MiB).
	Search int64
}

const searched = 16 << 10

// Volume is what an image's file systems tell. It does not change with the image:
// when more of that is good, open it again.
type Volume struct {
	// Systems is the file systems that were found, in the order in which they are
	// believed. Their trees are not kept.
	Systems []tree.System
	// Root is the merged tree; a directory without name. Nil where there is no file
	// system, or nothing of it can be read.
	Root *Entry
	// Problems is what is wrong or missing, in words; MoreProblems how many more
	// there were than are kept.
	Problems     []tree.Problem
	MoreProblems int
	Structures   Structures
	// Cut tells that the volume holds more than is read of any disc: entries are
	// missing from the tree.
	Cut bool

	img  tree.Image
	good *sector.Set
}

// Structures is the sectors that hold what the file systems are made of, whether
// they are good or not, as far as they are known.
type Structures struct {
	Descriptors sector.Set // of volumes, anchors included
	Tables      sector.Set // path tables, sparing tables, VAT, metadata file entries
	Directories sector.Set // with file entries and allocation descriptors
	// Needed is those that are missing and for which nothing stands in: reading them
	// will tell of more files. Spare is those that are missing and not needed.
	Needed, Spare sector.Set
}

// Open reads the file systems in img. An error is returned only when the image
// itself can't be read: what the disc lacks is no error, but a problem.
func Open(img tree.Image, o Options) (*Volume, error) {
	if len(o.Sessions) == 0 {
		o.Sessions = []sector.LBA{0}
	}
	if o.Search <= 0 {
		o.Search = searched
	}
	s := tree.NewScan(img)
	v := &Volume{img: img, good: img.Good()}
	var found []*tree.System
	sessions := slices.Sorted(slices.Values(o.Sessions))
	outdated := false // a later session has, or may have, a file system
	for i := len(sessions) - 1; i >= 0; i-- {
		trees := openSession(s, sessions[i], o.Search)
		for _, t := range trees {
			if outdated {
				t.Spare = true
				if t.Doubt == "" {
					t.Doubt = "it is of an earlier session, and may have been changed since"
				}
			}
			found = append(found, t)
		}
		outdated = outdated || len(trees) > 0 || !v.good.Covers(descriptorsOf(sessions[i], s.Sectors()))
	}
	if err := s.Err(); errors.Is(err, tree.ErrLimit) {
		v.Cut = true
		s.Report(tree.Problem{What: err.Error() + ": entries are missing from the tree"})
	} else if err != nil {
		return nil, err
	}
	// In a session the order of kinds is that of belief; spare ones come last.
	slices.SortStableFunc(found, func(a, b *tree.System) int {
		if a.Spare != b.Spare {
			if b.Spare {
				return -1
			}
			return 1
		}
		return 0
	})
	v.Root = merge(found)
	v.wrapped(found)
	for _, t := range found {
		t.Root = nil
		v.Systems = append(v.Systems, *t)
	}
	v.judge()
	v.overlaps(s)
	v.Problems, v.MoreProblems = s.Problems()
	v.structures(s)
	return v, nil
}

// descriptorsOf is the sectors at the beginning of a session that tell whether there
// is a file system.
func descriptorsOf(session sector.LBA, sectors int64) sector.Range {
	return sector.Span(session+16, 8).Intersect(sector.Span(0, sectors))
}

// openSession reads the trees of one session, those believed most first.
func openSession(s *tree.Scan, session sector.LBA, search int64) []*tree.System {
	var found []*tree.System
	if t := udf.Open(s, session, search); t != nil {
		found = append(found, t)
	}
	window := sector.Range{First: session + 16, End: min(session+sector.LBA(search), sector.LBA(s.Sectors()))}
	found = append(found, iso9660.Open(s, session, window)...)
	slices.SortStableFunc(found, func(a, b *tree.System) int { return int(a.Kind) - int(b.Kind) })
	return found
}

// All goes through all entries but the root, each directory before what is in it.
func (v *Volume) All() iter.Seq[*Entry] {
	return func(yield func(*Entry) bool) {
		if v.Root == nil {
			return
		}
		stack := slices.Clone(v.Root.Children)
		slices.Reverse(stack)
		for len(stack) > 0 {
			e := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			if !yield(e) {
				return
			}
			for i := len(e.Children) - 1; i >= 0; i-- {
				stack = append(stack, e.Children[i])
			}
		}
	}
}

// Files goes through the regular files in the order of All.
func (v *Volume) Files() iter.Seq[*Entry] {
	return func(yield func(*Entry) bool) {
		for e := range v.All() {
			if e.Kind == tree.Regular && !yield(e) {
				return
			}
		}
	}
}

// Missing goes through the bytes of a file that the image does not hold, in order.
// Of a file whose size is unknown it tells those of the extents that are known.
func (v *Volume) Missing(e *Entry) iter.Seq[tree.Span] { return tree.Holes(v.good, e.Extents) }

// Content reads a file's bytes. A *tree.MissingError is returned when a byte is in
// a sector that is missing, an error that matches tree.ErrMissing when nobody knows
// where it is; see tree.Content.
func (v *Volume) Content(e *Entry) *io.SectionReader {
	c := tree.NewContent(v.img, e.Extents)
	return io.NewSectionReader(c, 0, c.Size())
}

// Sectors is the sectors with bytes of a file.
func (e *Entry) Sectors() sector.Set {
	ranges := make([]sector.Range, 0, len(e.Extents))
	for _, x := range e.Extents {
		ranges = append(ranges, x.Sectors())
	}
	return sector.Of(ranges...)
}
