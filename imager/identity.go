package imager

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// recognise compares what the drive tells without reading sectors with what the
// case knows, and tells whether one good block has to be read to be sure. An
// *OtherDiscError is returned where the two contradict each other.
func (c *Case) recognise(info device.Info) (mustRead bool, err error) { return recognise(c.m, info) }

// recognise is Case.recognise by a map alone.
func recognise(m *mapfile.Map, info device.Info) (mustRead bool, err error) {
	d := m.Disc()
	if d.Sectors-info.Sectors > mayLack(info.Node) || kindsDiffer(d.Kind, info.Kind) {
		return false, &OtherDiscError{Case: discInWords(d.Kind, d.Sectors), Drive: discInWords(info.Kind, info.Sectors)}
	}
	for _, name := range slices.Sorted(maps.Keys(info.Identity)) {
		if known, told := d.Identity[name], info.Identity[name]; known != "" && known != told {
			return false, &OtherDiscError{
				Case:  fmt.Sprintf("%s with the %s %s", discInWords(d.Kind, d.Sectors), name, known),
				Drive: fmt.Sprintf("%s with the %s %s", discInWords(info.Kind, info.Sectors), name, told),
			}
		}
	}
	if m.Count(mapfile.Good) == 0 {
		return false, nil // nothing in the image that sectors of another disc could mix with
	}
	if id := info.Identity[device.Unique]; id != "" && id == d.Identity[device.Unique] {
		return false, nil
	}
	if info.Sectors == d.Sectors && info.Medium != "" {
		for _, p := range m.Passes() {
			if p.Medium == info.Medium {
				return false, nil
			}
		}
	}
	return true, nil
}

// Likeness is how much the disc in a drive is like a case's, as far as a drive tells
// without reading sectors.
type Likeness uint8

const (
	OtherDisc Likeness = iota // it is another one, or nothing of the case's is known
	LikeIt                    // it may be the case's; a good block has to show it
	SameDisc                  // it is the case's
)

// LikenessOf is how much the disc in a drive is like that of a map.
func LikenessOf(m *mapfile.Map, info device.Info) Likeness {
	mustRead, err := recognise(m, info)
	switch {
	case err != nil || m.Count(mapfile.Good) == 0:
		return OtherDisc
	case mustRead:
		return LikeIt
	}
	return SameDisc
}

// mayLack is how many sectors less than the case knows a drive may show of the
// same disc: the kernel's sr driver takes up to 75 off the end of one at which
// reads fail (drivers/scsi/sr.c, sr_done [memory]).
func mayLack(node string) int64 {
	if device.OpticalNode(node) {
		return 75
	}
	return 0
}

func kindsDiffer(a, b string) bool {
	return a != b && !kindUnknown(a) && !kindUnknown(b)
}

func kindUnknown(kind string) bool { return kind == "" || kind == device.Unknown }

func discInWords(kind string, sectors int64) string {
	what := "a disc"
	if kind == "cd" || kind == "dvd" || kind == "bd" {
		what = "a " + map[string]string{"cd": "CD", "dvd": "DVD", "bd": "Blu-ray"}[kind]
	}
	return fmt.Sprintf("%s of %d sectors", what, sectors)
}

// grown is what is known of a disc once a drive has told of it: its kind where
// that was not known, a size above the one known, as a disc shows that was
// read in part before, what is written, and what else it is known by.
func grown(d mapfile.Disc, info device.Info) mapfile.Disc {
	if kindUnknown(d.Kind) {
		d.Kind, d.BlockSectors = info.Kind, int64(info.BlockSectors)
	}
	written := WrittenArea(info)
	d.Written = d.Written.Union(&written)
	d.Sectors = max(d.Sectors, info.Sectors)
	if len(info.Sessions) >= len(d.Sessions) {
		d.Sessions = SessionsOf(info)
	}
	if len(d.Layers) == 0 {
		d.Layers, d.Parallel = info.Layers, info.Parallel
	}
	if len(info.Identity) > 0 {
		known := maps.Clone(d.Identity)
		d.Identity = maps.Clone(info.Identity)
		maps.Copy(d.Identity, known)
	}
	return d
}

// WrittenArea is what a drive says is recorded: all of the disc where it says
// nothing.
func WrittenArea(info device.Info) sector.Set {
	whole := sector.Span(0, info.Sectors)
	if len(info.Written) == 0 {
		return sector.Of(whole)
	}
	told := sector.Of(info.Written...)
	shown := sector.Of(whole)
	return told.Intersect(&shown)
}

// SessionsOf is where a drive says that sessions begin, within the disc.
func SessionsOf(info device.Info) (starts []int64) {
	for _, a := range info.Sessions {
		if 0 <= a && int64(a) < info.Sectors {
			starts = append(starts, int64(a))
		}
	}
	slices.Sort(starts)
	return slices.Compact(starts)
}

// learn takes over what grown says, for the next commit. The image grows first:
// a map that knows more than the image holds is damage. Where the commit does not
// happen, the next opening trims the image.
func (c *Case) learn(d mapfile.Disc) error {
	if c.f != nil && d.Sectors > c.m.Disc().Sectors {
		if err := lengthen(c.f, d.Sectors); err != nil {
			return err
		}
		if err := c.disk.syncImage(); err != nil {
			return err
		}
	}
	return c.m.SetDisc(d)
}

// readIdentity reads one good block and compares it with its checksums. Nothing
// of it is stored. It returns nil when the block is the one that the image
// holds, an *OtherDiscError when it is another, and an error that wraps
// ErrUnproven when it did not come. Nothing else may wait in the reader.
func readIdentity(ctx context.Context, m *mapfile.Map, r device.Reader, block sector.Range) error {
	if err := r.Ask(block); err != nil {
		return fmt.Errorf("%w: %w", ErrUnproven, err)
	}
	a, err := r.Answer(ctx)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrUnproven, err)
	}
	if a.Err != nil {
		return fmt.Errorf("%w: the sectors %v, good in the image, did not come: %w", ErrUnproven, block, a.Err)
	}
	if a.Good() != block.Count() {
		return fmt.Errorf("%w: %d of the sectors %v, good in the image, came", ErrUnproven, a.Good(), block)
	}
	got := mapfile.AppendSums(nil, a.Data)
	i := 0
	for _, sums := range m.Sums(block) {
		for _, want := range sums {
			if i >= len(got) || got[i] != want {
				d, info := m.Disc(), r.Info()
				return &OtherDiscError{Block: block,
					Case: discInWords(d.Kind, d.Sectors), Drive: discInWords(info.Kind, info.Sectors)}
			}
			i++
		}
	}
	return nil
}

// identityBlock chooses the good block that tells this disc from others best:
// its sectors differ from each other, and its content comes nowhere else on the
// disc. Blocks in the middle of what is good come first: discs of one make
// often begin alike. What this drive, by its number, has read itself comes before
// what another one has: it may not be able to read that. What was tried lately and did
// not come is left out, and what lies about it; and of what the drive has read, or else of
// all, what was hard to get, as long as there is anything else. It returns the empty range
// when nothing is good.
func identityBlock(m *mapfile.Map, drive int, tried ...sector.Range) sector.Range {
	good := m.In(mapfile.Good)
	good = without(good, *about(tried, m.Disc().Sectors))
	// A sector that some drive gave otherwise would make its disc another one.
	good = without(good, m.Disputed())
	var own sector.Set
	for n, p := range m.Passes() {
		if p.Drive == drive {
			won := m.WonSet(n)
			own = own.Union(&won)
		}
	}
	own = own.Intersect(&good)
	hard := hardWon(m)
	own, good = without(own, hard), without(good, hard)
	block, peculiar := mostPeculiar(m, own, good)
	if !peculiar {
		if other, ok := mostPeculiar(m, good, good); ok || block.Empty() {
			return other
		}
	}
	return block
}

// without is a set less another one, or the set itself where nothing would be left of it.
func without(set, other sector.Set) sector.Set {
	if rest := set.Subtract(&other); !rest.Empty() {
		return rest
	}
	return set
}

// hardWon is the sectors that came only with more work than usual, or were put together from
// raw readings, here or where they were merged from: a READ may not bring them again.
func hardWon(m *mapfile.Map) sector.Set {
	var all []sector.Range
	for n := range m.Passes() {
		for run := range m.Runs(n) {
			if _, mended := mapfile.ReadingsOf(run); mended || run.Weak && run.Result.Came() {
				all = append(all, run.Range)
			}
		}
	}
	return sector.Of(all...)
}

// about is ranges with a hundredth of the disc on either side of each: what stopped one
// block of a disc is likely to stop those beside it.
func about(tried []sector.Range, sectors int64) *sector.Set {
	var all sector.Set
	for _, r := range tried {
		margin := sector.LBA(sectors / 100)
		all.Add(sector.Range{First: max(0, r.First-margin), End: min(sector.LBA(sectors), r.End+margin)})
	}
	return &all
}

// mostPeculiar is identityBlock within a part of what is good. Where no whole
// block of it can tell anything, it is not peculiar: the longest that is left of
// one then.
func mostPeculiar(m *mapfile.Map, part, good sector.Set) (_ sector.Range, peculiar bool) {
	const candidates = 64
	block := max(1, m.Disc().BlockSectors)
	total := part.Count()
	if total == 0 {
		return sector.Range{}, false
	}
	type candidate struct {
		block sector.Range
		first uint32 // checksum of its first sector
		found int    // how often that checksum comes on the disc
	}
	var found []candidate
	seen := map[uint32]int{}
	var longest sector.Range
	for i := range int64(candidates) {
		// 1/2, 1/2 ± 1/64, 1/2 ± 2/64 ... of the good sectors
		step := (i + 1) / 2
		if i%2 == 1 {
			step = -step
		}
		at := total/2 + step*total/candidates
		a, ok := nth(&part, min(max(at, 0), total-1))
		if !ok {
			continue
		}
		whole := sector.Span(a, 1).Blocks(block)
		if !part.Covers(whole) {
			for piece := range part.In(whole) {
				if piece.Count() > longest.Count() {
					longest = piece
				}
			}
			continue
		}
		if first, ok := distinctSums(m, whole); ok {
			if _, again := seen[first]; !again {
				seen[first] = 0
				found = append(found, candidate{block: whole, first: first})
			}
		} else if longest.Count() < block {
			longest = whole
		}
	}
	for r := range good.Runs() {
		for _, sums := range m.Sums(r) {
			for _, s := range sums {
				if n, ok := seen[s]; ok {
					seen[s] = n + 1
				}
			}
		}
	}
	best := candidate{found: 1 << 62}
	for _, f := range found {
		if f.found = seen[f.first]; f.found < best.found {
			best = f
		}
	}
	if len(found) == 0 {
		return longest, false
	}
	return best.block, true
}

// distinctSums tells whether the sectors of a good block all differ and none is
// all zeros; it returns the checksum of the first.
func distinctSums(m *mapfile.Map, block sector.Range) (first uint32, ok bool) {
	var all []uint32
	for _, sums := range m.Sums(block) {
		all = append(all, sums...)
	}
	if len(all) == 0 {
		return 0, false
	}
	seen := map[uint32]bool{zeroSum: true}
	for _, s := range all {
		if seen[s] {
			return 0, false
		}
		seen[s] = true
	}
	return all[0], true
}

var zeroSum = mapfile.Sum(bytes.Repeat([]byte{0}, sector.Size))

// nth is the sector of index n in a set, counted from 0.
func nth(s *sector.Set, n int64) (sector.LBA, bool) {
	for r := range s.Runs() {
		if n < r.Count() {
			return r.First + sector.LBA(n), true
		}
		n -= r.Count()
	}
	return 0, false
}

// IsOwn tells whether a node is a file of the case itself, by whatever name, or a
// loop device of one: they must not be read into it.
func (c *Case) IsOwn(node string) bool {
	if path, err := filepath.EvalSymlinks(node); err == nil {
		node = path
	}
	if file := loopFile("/sys", node); file != "" {
		node = file
	}
	return sameFile(node, filepath.Join(c.Dir, imageName)) || sameFile(filepath.Dir(node), c.Dir)
}

// loopFile is the file of a loop device, or of a partition of one; "" for what is
// none. The kernel tells it under sys (Documentation/ABI/testing/sysfs-block-loop).
func loopFile(sys, node string) string {
	dir, err := filepath.EvalSymlinks(filepath.Join(sys, "class/block", filepath.Base(node)))
	if err != nil || filepath.Dir(node) != "/dev" {
		return ""
	}
	for _, d := range []string{dir, filepath.Dir(dir)} { // a partition lies in its disk
		if b, err := os.ReadFile(filepath.Join(d, "loop/backing_file")); err == nil {
			return strings.TrimSuffix(string(b), "\n")
		}
	}
	return ""
}

// otherDisc tells whether an error says that the drive holds another disc.
func otherDisc(err error) bool { return errors.Is(err, ErrOtherDisc) }
