package imager

import (
	"errors"
	"fmt"
	"io"
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
}

// Check proves map and image of the case in dir against each other and writes
// nothing: every invariant of the map, the image's length, and CheckSample
// checksums spread over the good sectors, or all of them where every is set. An
// error is returned when the case can't be read at all.
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
	f, err := openImage(dir, m.Disc().Sectors, os.O_RDONLY)
	if errors.Is(err, ErrImage) {
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
		first, _ := res.Rotten.Next(0)
		res.Problems = append(res.Problems, fmt.Sprintf(
			"%d good sectors of the image do not match their checksums, the first of them %d", n, first.First))
	}
	return res, err
}

// TakeBackRotten makes good sectors untried again whose bytes in the image no
// longer match, and keeps an event of it. It is the one way in which a good
// sector stops being good.
func (c *Case) TakeBackRotten(rotten sector.Set) error {
	for r := range rotten.Runs() {
		for a := r.First; a < r.End; a++ {
			c.m.Rot(a)
		}
		c.m.AddEvent(mapfile.Event{Time: c.now(), Pass: -1, Kind: KindRotten, Range: r,
			Text: "the image's bytes no longer matched their checksums"})
	}
	if err := c.commit(); err != nil {
		return err
	}
	return c.clear(rotten)
}

// sampleSums compares n good sectors, spread evenly over all good ones, with
// their checksums. It returns those that differ or can't be read.
func sampleSums(m *mapfile.Map, image io.ReaderAt, n int64) []sector.LBA {
	good := m.In(mapfile.Good)
	total := good.Count()
	n = min(n, total)
	var bad []sector.LBA
	buf := make([]byte, sector.Size)
	var passed, taken int64 // good sectors passed over, and compared
	for r := range good.Runs() {
		for taken < n {
			k := taken * total / n // the index of the next one among the good
			if k >= passed+r.Count() {
				break
			}
			a := r.First + sector.LBA(k-passed)
			taken++
			if !matches(m, image, a, buf) {
				bad = append(bad, a)
			}
		}
		passed += r.Count()
	}
	return bad
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
	const largest = 512 // sectors at a time
	var bad sector.Set
	good := m.In(mapfile.Good)
	buf := make([]byte, largest*sector.Size)
	var sums []uint32
	for r := range good.Runs() {
		for r.First < r.End {
			part := sector.Span(r.First, min(largest, r.Count()))
			p := buf[:part.Bytes()]
			if _, err := image.ReadAt(p, part.First.Offset()); err != nil {
				return bad, err
			}
			sums = mapfile.AppendSums(sums[:0], p)
			for i, s := range sums {
				a := part.First + sector.LBA(i)
				if want, _, _ := m.Sum(a); s != want {
					bad.Add(sector.Span(a, 1))
				}
			}
			r.First = part.End
		}
	}
	return bad, nil
}
