package imager

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// CheckSample is how many good sectors a check compares with their checksums.
const CheckSample = 4096

// CheckResult is what a check found.
type CheckResult struct {
	Problems []string   // about map and image, one sentence each; empty where they agree
	Compared int64      // good sectors compared with their checksums
	Rotten   sector.Set // good sectors whose bytes do not match
	Losses   []Loss     // the same, by pass, with the files that they are of
	Short    bool       // the image is shorter than the map says, or was
	CutOff   int64      // sectors that were good beyond its end; of Prove, which took them back
	FormTwo  sector.Set // sectors beside the image that are not what they should be
}

// Check proves map and image of the case in dir against each other and writes
// nothing: every invariant of the map, the image's length, and CheckSample
// checksums spread over the good sectors, or all of them where every is set; and
// that the other side of every conflict is kept. An error is returned when the
// case can't be read at all.
func Check(dir string, every bool) (CheckResult, error) {
	var res CheckResult
	if _, err := Load(dir); errors.Is(err, ErrNoCase) {
		return res, err
	}
	path := filepath.Join(dir, mapName)
	problems, err := mapfile.Check(path)
	if err != nil {
		return res, err
	}
	res.Problems = problems
	if len(problems) > 0 {
		return res, nil
	}
	m, err := mapfile.Open(path)
	if err != nil {
		return res, err
	}
	if err := discarded(dir, m); err != nil {
		return res, err
	}
	f, err := openImage(dir, m.Disc().Sectors, os.O_RDONLY)
	if errors.Is(err, ErrImage) {
		res.Short = errors.Is(err, ErrShort)
		res.Problems = append(res.Problems, err.Error())
		return res, nil
	} else if err != nil {
		return res, err
	}
	defer f.Close()
	if every {
		res.Rotten, err = compareAll(m, f)
		res.Compared = m.Count(mapfile.Good)
	} else {
		for _, a := range sampleSums(m, f, CheckSample) {
			res.Rotten.Add(sector.Span(a, 1))
		}
		res.Compared = min(CheckSample, m.Count(mapfile.Good))
	}
	if n := res.Rotten.Count(); n > 0 {
		files, ferr := filesOf(m, m.Disc(), readerOf(f))
		if ferr != nil { // what is rotten is told whatever else can be
			files = nil
		}
		res.Losses = losses(m, files, res.Rotten)
		first, _ := res.Rotten.Next(0)
		problem := fmt.Sprintf("%d good sectors of the image do not match their checksums, the first of them %d", n, first.First)
		if n == 1 {
			problem = fmt.Sprintf("1 good sector of the image does not match its checksum, %d", first.First)
		}
		res.Problems = append(res.Problems, problem)
	}
	if lost := lostSides(dir, m); !lost.Empty() {
		first, _ := lost.Next(0)
		res.Problems = append(res.Problems, fmt.Sprintf(
			"of %d sectors in conflict the other side is not under %s/ as it came, the first of them %d", lost.Count(), keptName, first.First))
	}
	wrong, rotten := checkFormTwo(dir, every)
	res.Problems, res.FormTwo = append(res.Problems, wrong...), rotten
	return res, err
}

// Prove reads every good sector of the case again, in the image and beside it, and holds
// it against its checksum. What does not match is taken back, so that it can be read
// anew, and an image that is too short gets its length again. The case is one that
// OpenUnproven has opened. Errors are those of Check, and of taking back.
func (c *Case) Prove() (CheckResult, error) {
	lost, short, err := c.TakeBackCutOff()
	if err != nil {
		return CheckResult{}, err
	}
	res, err := Check(c.Dir, true)
	if err != nil {
		return res, err
	}
	if !res.Rotten.Empty() {
		err = c.TakeBackRotten(res.Losses)
	}
	if !res.FormTwo.Empty() {
		err = errors.Join(err, c.TakeBackFormTwo(res.FormTwo))
	}
	res.Short = short
	for _, l := range lost {
		res.CutOff += l.Range.Count()
		res.Rotten.Add(l.Range)
	}
	res.Losses = append(res.Losses, lost...)
	return res, err
}

// TakeBackRotten makes good sectors untried again whose bytes in the image no
// longer match, and keeps an event of each loss. Beside TakeBackCutOff, and a conflict
// that is being settled, it is the one way in which a good sector stops being good.
func (c *Case) TakeBackRotten(lost []Loss) error {
	var rotten sector.Set
	for _, l := range lost {
		rotten.Add(l.Range)
	}
	// The image first: where the program is stopped in between, the next check
	// finds the same sectors again. The other way round nobody would clear them.
	if err := c.clear(rotten); err != nil {
		return err
	}
	for _, l := range lost {
		c.rot(l, "the image's bytes no longer matched their checksums")
	}
	return c.saveRecords()
}

// TakeBackFormTwo calls sectors beside the image missing that are not what they should
// be.
func (c *Case) TakeBackFormTwo(rotten sector.Set) error { return takeBackFormTwo(c.Dir, rotten) }

// rot makes the sectors of a loss untried.
func (c *Case) rot(l Loss, why string) {
	for a := l.Range.First; a < l.Range.End; a++ {
		c.m.Rot(a)
	}
	c.m.AddEvent(mapfile.Event{Time: c.now(), Pass: -1, Kind: KindRotten, Range: l.Range, Text: fmt.Sprintf("%s: %v", why, l)})
}

// TakeBackCutOff makes good sectors untried that lie beyond the end of an image
// that is too short, keeps an event of each loss, and gives the image its length again.
// Cut tells whether the image was too short.
func (c *Case) TakeBackCutOff() (lost []Loss, cut bool, err error) {
	if c.short == nil {
		return nil, false, nil
	}
	info, err := c.f.Stat()
	if err != nil {
		return nil, true, err
	}
	sectors := c.m.Disc().Sectors
	end := sector.LBA(info.Size() / sector.Size) // the rest of a sector is no sector
	var beyond sector.Set
	for r := range c.m.Ranges(mapfile.Good, sector.Range{First: end, End: sector.LBA(sectors)}) {
		beyond.Add(r)
	}
	files, err := c.files()
	if err != nil { // what is lost is lost whatever it was of
		files = nil
	}
	lost = losses(c.m, files, beyond)
	for _, l := range lost {
		c.rot(l, fmt.Sprintf("the image ended at sector %d", end))
	}
	// The map first: an image of full length is taken for what the map says of it.
	if err := c.commit(); err != nil {
		return lost, true, err
	}
	err = lengthen(c.f, int64(end))
	if err == nil {
		err = lengthen(c.f, sectors)
	}
	if err == nil {
		err = c.disk.syncImage()
	}
	if err != nil {
		return lost, true, err
	}
	c.short = nil
	return lost, true, c.disk.writeStatus(c.m)
}

// sampleSums compares n good sectors, spread evenly over all good ones, with
// their checksums. It returns those that differ or can't be read.
func sampleSums(m *mapfile.Map, image io.ReaderAt, n int64) []sector.LBA {
	var bad []sector.LBA
	buf := make([]byte, sector.Size)
	for a := range spread(m.In(mapfile.Good), n) {
		if !matches(m, image, a, buf) {
			bad = append(bad, a)
		}
	}
	return bad
}

// spread goes through n sectors of a set, or all where it has fewer, spread
// evenly over it.
func spread(set sector.Set, n int64) iter.Seq[sector.LBA] {
	return func(yield func(sector.LBA) bool) {
		total := set.Count()
		n := min(n, total)
		var passed, taken int64 // sectors passed over, and given
		for r := range set.Runs() {
			for taken < n {
				k := taken * total / n // the index of the next one in the set
				if k >= passed+r.Count() {
					break
				}
				taken++
				if !yield(r.First + sector.LBA(k-passed)) {
					return
				}
			}
			passed += r.Count()
		}
	}
}

func matches(m *mapfile.Map, image io.ReaderAt, a sector.LBA, buf []byte) bool {
	want, _, ok := m.Sum(a)
	if _, err := image.ReadAt(buf, a.Offset()); err != nil || !ok {
		return false
	}
	return mapfile.Sum(buf) == want
}

// compareAll compares every good sector with its checksum.
func compareAll(m *mapfile.Map, image io.ReaderAt) (sector.Set, error) {
	var bad sector.Set
	good := m.In(mapfile.Good)
	buf := make([]byte, largest*sector.Size)
	var sums []uint32
	var err error
	pieces(&good, func(part sector.Range) bool {
		p := buf[:part.Bytes()]
		if _, err = image.ReadAt(p, part.First.Offset()); err != nil {
			return false
		}
		sums = mapfile.AppendSums(sums[:0], p)
		for i, s := range sums {
			a := part.First + sector.LBA(i)
			if want, _, _ := m.Sum(a); s != want {
				bad.Add(sector.Span(a, 1))
			}
		}
		return true
	})
	return bad, err
}
