package volume

import (
	"cmp"
	"fmt"
	"slices"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// judge gives every entry its state.
func (v *Volume) judge() {
	if v.Root == nil {
		return
	}
	v.judgeFolder(v.Root)
	count := newCounter(v.good)
	for e := range v.All() {
		if e.Folder() {
			v.judgeFolder(e)
			continue
		}
		for _, x := range e.Extents {
			e.MissingBytes += count.missing(x)
		}
		if n := len(e.Extents); e.Why == "" && n > 0 && e.Extents[n-1].Offset+e.Extents[n-1].Length != e.Size || e.Why == "" && n == 0 && e.Size > 0 {
			e.Why = "where all of it is, is not known"
		}
		switch {
		case e.Why != "" || e.Size == tree.UnknownSize:
			e.State = Unknown
		case e.MissingBytes > 0:
			e.State = Damaged
		}
	}
}

// counter counts missing bytes without going through the holes: an image may have
// hundreds of thousands of them, and as many names of a file that covers all of it.
type counter struct {
	runs   []sector.Range // that are good, in order of address
	before []int64        // good sectors that lie before each
}

func newCounter(good *sector.Set) *counter {
	c, n := &counter{}, int64(0)
	for r := range good.Runs() {
		c.runs, c.before = append(c.runs, r), append(c.before, n)
		n += r.Count()
	}
	return c
}

// upTo is the good sectors before a, and whether a is good.
func (c *counter) upTo(a sector.LBA) (n int64, good bool) {
	i, _ := slices.BinarySearchFunc(c.runs, a, func(r sector.Range, a sector.LBA) int { return cmp.Compare(r.End, a+1) })
	// Run i is the first that ends behind a.
	switch {
	case i == len(c.runs) && i == 0:
		return 0, false
	case i == len(c.runs):
		return c.before[i-1] + c.runs[i-1].Count(), false
	case a < c.runs[i].First:
		return c.before[i], false
	}
	return c.before[i] + int64(a-c.runs[i].First), true
}

// missing is how many bytes of an extent the image does not hold, as tree.Holes
// tells them.
func (c *counter) missing(x tree.Extent) int64 {
	switch {
	case x.Length <= 0 || x.Place == tree.Zeros:
		return 0
	case x.Place != tree.Recorded:
		return x.Length
	}
	r := x.Sectors()
	first, good := c.upTo(r.First)
	missing := int64(0)
	if !good { // of the first sector only what the extent has of it
		missing -= x.At - r.First.Offset()
	}
	last, good := c.upTo(r.End - 1)
	all := last - first
	if good {
		all++
	} else {
		missing -= r.End.Offset() - (x.At + x.Length)
	}
	return missing + (r.Count()-all)*sector.Size
}

func (v *Volume) judgeFolder(e *Entry) {
	e.Size = 0
	switch {
	case !e.lost:
		e.State, e.Why = Whole, ""
	case len(e.Children) == 0:
		e.State = Unknown
		if e.Why == "" {
			e.Why = "its listing is missing"
		}
	default:
		e.State = Damaged
		if e.Why == "" {
			e.Why = "a part of its listing is missing"
		}
	}
}

// wants tells whether more structures would tell more of e.
func (e *Entry) wants() bool {
	return e.lost || e.short || e.State == Unknown || e.Found == tree.ShortName
}

// structures tells which sectors hold structures, and of those that are missing
// which are needed.
func (v *Volume) structures(s *tree.Scan) {
	t := &v.Structures
	t.Descriptors, t.Tables, t.Directories = s.Seen(tree.Descriptor), s.Seen(tree.Table), s.Seen(tree.Directory)
	all := t.Descriptors.Union(&t.Tables)
	all = all.Union(&t.Directories)
	missing := all.Subtract(v.good)
	var needed []sector.Range
	complete := v.Root != nil && !v.Root.wants()
	if complete {
		for e := range v.All() {
			if e.wants() {
				complete = false
				break
			}
		}
	}
	if !complete {
		// Descriptors and tables that nothing stands in for, and what the entries
		// that lack something would be told by.
		for _, p := range v.Problems {
			if p.Missing && p.By == "" && !t.Directories.Overlaps(p.Sectors) {
				needed = append(needed, p.Sectors)
			}
		}
		add := func(e *Entry) {
			if e.wants() {
				needed = append(needed, e.structs...)
			}
		}
		if v.Root != nil {
			add(v.Root)
		}
		for e := range v.All() {
			add(e)
		}
	}
	if v.Root == nil {
		// Nothing was found: whatever may hold a descriptor may be the way.
		for r := range t.Descriptors.Runs() {
			needed = append(needed, r)
		}
	}
	set := sector.Of(needed...)
	t.Needed = set.Intersect(&missing)
	t.Spare = missing.Subtract(&t.Needed)
	for i := range v.Problems {
		if p := &v.Problems[i]; p.Missing && p.By == "" && !t.Needed.Overlaps(p.Sectors) {
			p.By = "what is there serves"
		}
	}
}

// mostOverlaps bounds those that are told in words.
const mostOverlaps = 100

// overlaps reports files that share bytes of the image without being the same,
// which is how a directory looks that belongs to other data.
func (v *Volume) overlaps(s *tree.Scan) {
	type part struct {
		from, end int64
		file      *Entry
	}
	var parts []part
	for e := range v.Files() {
		if !s.Charge(24 * len(e.Extents)) {
			return // a hostile image, or near enough
		}
		for _, x := range e.Extents {
			if x.Place == tree.Recorded {
				parts = append(parts, part{x.At, x.At + x.Length, e})
			}
		}
	}
	slices.SortFunc(parts, func(a, b part) int {
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(b.end, a.end))
	})
	told := 0
	var last part // the one that reaches farthest
	for _, p := range parts {
		if p.from < last.end && (p.from != last.from || p.end != last.end) {
			if told++; told > mostOverlaps {
				return
			}
			s.Report(tree.Problem{Sectors: sector.Span(sector.LBA(p.from/sector.Size), 1),
				What: fmt.Sprintf("%q and %q lie over each other", last.file.Path(), p.file.Path())})
		}
		if p.end > last.end {
			last = p
		}
	}
}
