package imager

import (
	"fmt"
	"os"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// RefusedError says why a source is not merged. Nothing was written.
type RefusedError struct {
	Source string // its name
	Why    string // half a sentence that follows the name
	Err    error  // what it is a case of; may be nil
}

// Error names the source and why it is not merged.
func (e *RefusedError) Error() string { return e.Source + " " + e.Why + "; nothing was written" }

// Unwrap is what the refusal is a case of: ErrOtherDisc, ErrSameCase.
func (e *RefusedError) Unwrap() error { return e.Err }

// Two discs are taken for different ones when more than one in a hundred of the
// sectors that are good in both differ, and those are at least so many: fewer
// prove nothing, and a disc that fails gives a wrong sector now and then.
const (
	commonEnough = 64
	oneIn        = 100
)

// compareSample is how many sectors are compared where one side has no
// checksums, spread over those that are good in both.
const compareSample = 4096

// CheckSources returns a *RefusedError when sources do not belong to one disc, or
// one of them knows none. It reads only.
func CheckSources(sources []*Source) error {
	for i, s := range sources {
		if s.disc.Sectors == 0 {
			return &RefusedError{Source: s.Name, Why: "has nothing to take over: its disc was not recognised yet"}
		}
		for _, before := range sources[:i] {
			if err := refuse(before, s); err != nil {
				return err
			}
		}
	}
	return nil
}

// refuse says why one source is not merged into what another has; nil where it
// may be.
func refuse(into, from *Source) error {
	if a, b := into.disc, from.disc; a.Sectors > 0 {
		switch {
		case kindsDiffer(a.Kind, b.Kind), from.m != nil && into.m != nil && a.Sectors != b.Sectors:
			return &RefusedError{from.Name, fmt.Sprintf("holds %s, %s %s: another disc",
				discInWords(b.Kind, b.Sectors), into.Name, discInWords(a.Kind, a.Sectors)), ErrOtherDisc}
		case from.m == nil && int64(from.good.Bounds().End) > a.Sectors:
			return &RefusedError{from.Name, fmt.Sprintf("is said to be good up to sector %d, and the disc of %s has %d sectors",
				from.good.Bounds().End-1, into.Name, a.Sectors), ErrRange}
		}
	}
	if common, differ := compare(into, from); another(common, differ) {
		return &RefusedError{from.Name, fmt.Sprintf("is of another disc than %s: %d of %d compared sectors that are good in both differ",
			into.Name, differ, common), ErrOtherDisc}
	}
	return nil
}

// another tells whether so many differing sectors say that two discs are two.
func another(common, differ int64) bool { return common >= commonEnough && differ*oneIn > common }

// compare counts sectors that are good in both, and those of them that differ:
// all where both have checksums, else a sample. Sectors of an image that can't be
// read tell nothing.
func compare(a, b *Source) (common, differ int64) {
	if a.m != nil && b.m != nil {
		common = differing(a.m, b.m, func(sector.LBA, uint32) { differ++ })
		return common, differ
	}
	ours, theirs := a.all(), b.all()
	both := ours.Intersect(&theirs)
	buf := make([]byte, sector.Size)
	for at := range spread(both, compareSample) {
		x, err1 := a.sum(at, buf)
		y, err2 := b.sum(at, buf)
		if err1 != nil || err2 != nil {
			continue
		}
		if common++; x != y {
			differ++
		}
	}
	return common, differ
}

// differing counts the sectors that are good in two maps, and names those whose
// checksums differ, in order of address, with b's checksum.
func differing(a, b *mapfile.Map, found func(at sector.LBA, sum uint32)) (common int64) {
	for r, ours := range a.Sums(whole(a.Disc().Sectors)) {
		for part, theirs := range b.Sums(r) {
			common += part.Count()
			for i, sum := range theirs {
				if at := part.First + sector.LBA(i); ours[at-r.First] != sum {
					found(at, sum)
				}
			}
		}
	}
	return common
}

// mayMerge refuses what can't be merged into the case, before anything is
// written.
func (c *Case) mayMerge(sources []*Source) error {
	own := &Source{Name: c.Dir, id: c.m.CaseID(), m: c.m, disc: c.m.Disc()}
	for _, s := range sources {
		if s.m == nil && c.IsOwn(s.Name) {
			return &RefusedError{s.Name, "is a file of this very case", ErrSameCase}
		}
	}
	if err := CheckSources(sources); err != nil {
		return err
	}
	for _, s := range sources {
		if err := refuse(own, s); err != nil {
			return err
		}
	}
	return nil
}

func sameFile(a, b string) bool {
	x, err1 := os.Stat(a)
	y, err2 := os.Stat(b)
	return err1 == nil && err2 == nil && os.SameFile(x, y)
}
