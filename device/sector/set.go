package sector

import (
	"cmp"
	"iter"
	"slices"
	"sort"
)

// Set is a set of sectors, held as its maximal runs in order of address. Its
// zero value is the empty set. A Set is copied by Clone, not by assignment;
// it is not safe for use by several goroutines while one of them changes it.
//
// Union, Intersect and Subtract take time in proportion to the runs of both
// sets, Add and Remove to the runs behind the place that they touch, Count and
// Equal to all runs, CountIn and In to the runs that they pass, the other
// queries to the logarithm of the runs.
type Set struct {
	runs []Range // not empty, in order, no two touching
}

// Of is the set of the sectors of all ranges. It takes time in proportion to
// their number where they come in order of address, else it sorts them.
func Of(ranges ...Range) Set {
	byFirst := func(a, b Range) int { return cmp.Compare(a.First, b.First) }
	if !slices.IsSortedFunc(ranges, byFirst) {
		ranges = slices.Clone(ranges)
		slices.SortFunc(ranges, byFirst)
	}
	s := Set{make([]Range, 0, len(ranges))}
	for _, r := range ranges {
		s.push(r)
	}
	return s
}

// push adds a range whose First is not below that of any earlier push.
func (s *Set) push(r Range) {
	if r.Empty() {
		return
	}
	if n := len(s.runs); n > 0 && r.First <= s.runs[n-1].End {
		s.runs[n-1].End = max(s.runs[n-1].End, r.End)
		return
	}
	s.runs = append(s.runs, r)
}

// find is the index of the first run that ends above a.
func (s *Set) find(a LBA) int {
	return sort.Search(len(s.runs), func(i int) bool { return s.runs[i].End > a })
}

// Len is the number of maximal runs.
func (s *Set) Len() int { return len(s.runs) }

// Empty tells whether the set holds no sector.
func (s *Set) Empty() bool { return len(s.runs) == 0 }

// Count is the number of sectors in the set.
func (s *Set) Count() int64 {
	var n int64
	for _, r := range s.runs {
		n += r.Count()
	}
	return n
}

// CountIn is the number of sectors that the set and r share.
func (s *Set) CountIn(r Range) int64 {
	var n int64
	for part := range s.In(r) {
		n += part.Count()
	}
	return n
}

// Bounds is the smallest range that holds the whole set; the zero Range for the
// empty set.
func (s *Set) Bounds() Range {
	if s.Empty() {
		return Range{}
	}
	return Range{s.runs[0].First, s.runs[len(s.runs)-1].End}
}

// Contains tells whether a is in the set.
func (s *Set) Contains(a LBA) bool {
	i := s.find(a)
	return i < len(s.runs) && s.runs[i].First <= a
}

// Covers tells whether every sector of r is in the set.
func (s *Set) Covers(r Range) bool {
	if r.Empty() {
		return true
	}
	i := s.find(r.First)
	return i < len(s.runs) && s.runs[i].Covers(r)
}

// Overlaps tells whether the set and r share a sector.
func (s *Set) Overlaps(r Range) bool {
	if r.Empty() {
		return false
	}
	i := s.find(r.First)
	return i < len(s.runs) && s.runs[i].First < r.End
}

// Next is the first run, or the rest of one, at or above a; false where there
// is none.
func (s *Set) Next(a LBA) (Range, bool) {
	i := s.find(a)
	if i == len(s.runs) {
		return Range{}, false
	}
	return Range{max(a, s.runs[i].First), s.runs[i].End}, true
}

// Runs goes through the maximal runs in order of address. The set must not
// change meanwhile.
func (s *Set) Runs() iter.Seq[Range] { return slices.Values(s.runs) }

// In goes through what the set and r share, in order of address. The set must
// not change meanwhile.
func (s *Set) In(r Range) iter.Seq[Range] {
	return func(yield func(Range) bool) {
		if r.Empty() {
			return
		}
		for i := s.find(r.First); i < len(s.runs) && s.runs[i].First < r.End; i++ {
			if !yield(s.runs[i].Intersect(r)) {
				return
			}
		}
	}
}

// Clone is a copy that changes apart from s.
func (s *Set) Clone() Set { return Set{slices.Clone(s.runs)} }

// Equal tells whether s and o hold the same sectors.
func (s *Set) Equal(o *Set) bool { return slices.Equal(s.runs, o.runs) }

// Grow makes room for n more runs, so that adding them in order takes no more memory.
func (s *Set) Grow(n int) { s.runs = slices.Grow(s.runs, n) }

// Add puts the sectors of r into the set.
func (s *Set) Add(r Range) {
	if r.Empty() {
		return
	}
	if n := len(s.runs); n == 0 || s.runs[n-1].End < r.First { // in order, as sets mostly grow
		s.runs = append(s.runs, r)
		return
	}
	// Runs i to j-1 touch or overlap r and become one with it.
	i := sort.Search(len(s.runs), func(i int) bool { return s.runs[i].End >= r.First })
	j := i
	for j < len(s.runs) && s.runs[j].First <= r.End {
		r.First = min(r.First, s.runs[j].First)
		r.End = max(r.End, s.runs[j].End)
		j++
	}
	if j == i+1 {
		s.runs[i] = r
		return
	}
	s.runs = slices.Replace(s.runs, i, j, r)
}

// Remove takes the sectors of r out of the set.
func (s *Set) Remove(r Range) {
	if r.Empty() {
		return
	}
	// Runs i to j-1 overlap r; of the first its head may stay, of the last its tail.
	i := s.find(r.First)
	j := i
	for j < len(s.runs) && s.runs[j].First < r.End {
		j++
	}
	if i == j {
		return
	}
	head, tail := Range{s.runs[i].First, r.First}, Range{r.End, s.runs[j-1].End}
	switch {
	case head.Empty() && tail.Empty():
		s.runs = slices.Delete(s.runs, i, j)
	case tail.Empty():
		s.runs = slices.Replace(s.runs, i, j, head)
	case head.Empty():
		s.runs = slices.Replace(s.runs, i, j, tail)
	default:
		s.runs = slices.Replace(s.runs, i, j, head, tail)
	}
}

// Union is the set of the sectors that are in s or in o, or in both.
func (s *Set) Union(o *Set) Set {
	out := Set{make([]Range, 0, max(len(s.runs), len(o.runs)))}
	i, j := 0, 0
	for i < len(s.runs) || j < len(o.runs) {
		if j == len(o.runs) || i < len(s.runs) && s.runs[i].First <= o.runs[j].First {
			out.push(s.runs[i])
			i++
		} else {
			out.push(o.runs[j])
			j++
		}
	}
	return out
}

// Intersect is the set of the sectors that are in s and in o.
func (s *Set) Intersect(o *Set) Set {
	var out Set
	out.Grow(min(len(s.runs), len(o.runs)))
	i, j := 0, 0
	for i < len(s.runs) && j < len(o.runs) {
		out.push(s.runs[i].Intersect(o.runs[j]))
		if s.runs[i].End <= o.runs[j].End {
			i++
		} else {
			j++
		}
	}
	return out
}

// Subtract is the set of the sectors that are in s and not in o.
func (s *Set) Subtract(o *Set) Set {
	// Runs j to k-1 of o lie where s does; each cuts at most one run in two.
	bounds := s.Bounds()
	j := o.find(bounds.First)
	k := j + sort.Search(len(o.runs)-j, func(i int) bool { return o.runs[j+i].First >= bounds.End })
	out := Set{make([]Range, 0, len(s.runs)+k-j)}
	for _, r := range s.runs {
		for j < len(o.runs) && o.runs[j].End <= r.First {
			j++
		}
		for k := j; k < len(o.runs) && o.runs[k].First < r.End; k++ {
			out.push(Range{r.First, min(r.End, o.runs[k].First)})
			r.First = max(r.First, o.runs[k].End)
		}
		out.push(r)
	}
	return out
}
