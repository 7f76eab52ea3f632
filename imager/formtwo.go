package imager

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
)

// Sectors of a CD of mode 2 form 2, as a Video CD's streams have them, carry 2,324 bytes
// and have no place in an image of 2,048 each. They are kept beside it:
//
//	CASE/form2.bin    whole raw sectors of 2,352 bytes, sparse, sector n at n · 2,352
//	CASE/form2.json   which sectors of the disc are of form 2, and which of them are there
//
// The second is replaced, whole, once what it calls good is durable in the first. A sector
// proves itself by its header, which must be that of its place, and by its EDC; one whose
// EDC is zero has none [memory], and came without doubt (package rawcd).
const (
	formTwoName  = "form2.bin"
	formTwoIndex = "form2.json"
)

// formTwoDoc is form2.json. Ranges are pairs of first sector and number of sectors.
type formTwoDoc struct {
	Sectors  [][2]int64 `json:"sectors"`  // of form 2
	Good     [][2]int64 `json:"good"`     // of them, those in form2.bin
	NoEDC    int64      `json:"no_edc"`   // of the good ones, those without an EDC
	Repaired int64      `json:"repaired"` // of the good ones, those put together from several readings
}

// formTwo is the sidecar of a case's image. It belongs to one goroutine.
type formTwo struct {
	dir             string
	sectors, good   sector.Set
	noEDC, repaired int64
	f               *os.File // nil until something is written
	dirty           bool
}

// loadFormTwo reads what a case has of form 2; nothing where it has none.
func loadFormTwo(dir string) (*formTwo, error) {
	s := &formTwo{dir: dir}
	b, err := os.ReadFile(filepath.Join(dir, formTwoIndex))
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return nil, err
	}
	var d formTwoDoc
	if err := json.Unmarshal(b, &d); err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Join(dir, formTwoIndex), err)
	}
	s.noEDC, s.repaired = d.NoEDC, d.Repaired
	for _, list := range []struct {
		pairs [][2]int64
		set   *sector.Set
	}{{d.Sectors, &s.sectors}, {d.Good, &s.good}} {
		for _, p := range list.pairs {
			if p[0] < 0 || p[1] < 1 || p[0]+p[1] > 1<<20 { // a CD has half of that at most
				return nil, fmt.Errorf("%s: sectors %d+%d are on no CD", filepath.Join(dir, formTwoIndex), p[0], p[1])
			}
			list.set.Add(sector.Span(sector.LBA(p[0]), p[1]))
		}
	}
	s.good = s.good.Intersect(&s.sectors)
	return s, nil
}

// missing is the sectors of form 2 that are not there.
func (s *formTwo) missing() sector.Set { return s.sectors.Subtract(&s.good) }

// know takes in which sectors are of form 2.
func (s *formTwo) know(ranges []sector.Range) {
	set := sector.Of(ranges...)
	if rest := set.Subtract(&s.sectors); !rest.Empty() {
		s.sectors = s.sectors.Union(&rest)
		s.dirty = true
	}
}

// put writes a sector that was proven.
func (s *formTwo) put(a sector.LBA, raw []byte, proven, repaired bool) error {
	if s.good.Contains(a) {
		return nil
	}
	if s.f == nil {
		f, err := os.OpenFile(filepath.Join(s.dir, formTwoName), os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			return err
		}
		s.f = f
	}
	if _, err := s.f.WriteAt(raw, int64(a)*device.RawSize); err != nil {
		return err
	}
	s.know([]sector.Range{sector.Span(a, 1)})
	s.good.Add(sector.Span(a, 1))
	if !proven {
		s.noEDC++
	}
	if repaired {
		s.repaired++
	}
	s.dirty = true
	return nil
}

// save makes what was put durable, and only then says so.
func (s *formTwo) save() error {
	if s == nil || !s.dirty {
		return nil
	}
	if s.f != nil {
		if err := syscall.Fdatasync(int(s.f.Fd())); err != nil {
			return &fs.PathError{Op: "sync", Path: s.f.Name(), Err: err}
		}
		if err := syncFolder(s.dir); err != nil {
			return err
		}
	}
	b, err := json.Marshal(formTwoDoc{Sectors: pairsOf(&s.sectors), Good: pairsOf(&s.good), NoEDC: s.noEDC, Repaired: s.repaired})
	if err == nil {
		err = replaceFile(filepath.Join(s.dir, formTwoIndex), append(b, '\n'))
	}
	if err == nil {
		s.dirty = false
	}
	return err
}

func pairsOf(s *sector.Set) [][2]int64 {
	pairs := make([][2]int64, 0, s.Len())
	for r := range s.Runs() {
		pairs = append(pairs, [2]int64{int64(r.First), r.Count()})
	}
	return pairs
}

func (s *formTwo) close() {
	if s != nil && s.f != nil {
		s.f.Close()
		s.f = nil
	}
}

// FormTwoStatus is where a case stands with its disc's sectors of form 2.
type FormTwoStatus struct {
	Sectors  int64 `json:"sectors"`
	Good     int64 `json:"good"`     // in form2.bin
	NoEDC    int64 `json:"no_edc"`   // of them, those that no EDC proves
	Repaired int64 `json:"repaired"` // of them, those put together from several readings
}

// Missing is how many are not there.
func (s *FormTwoStatus) Missing() int64 {
	if s == nil {
		return 0
	}
	return s.Sectors - s.Good
}

// FormTwoOf is where the case in dir stands with sectors of form 2; nil where its disc
// has none.
func FormTwoOf(dir string) *FormTwoStatus {
	s, err := loadFormTwo(dir)
	if err != nil || s.sectors.Empty() {
		return nil
	}
	return &FormTwoStatus{Sectors: s.sectors.Count(), Good: s.good.Count(), NoEDC: s.noEDC, Repaired: s.repaired}
}

// checkFormTwo proves the sidecar of a case: the sectors that it calls good, or a sample
// of them. It returns what is wrong, one sentence each, and the sectors that are.
func checkFormTwo(dir string, every bool) (problems []string, rotten sector.Set) {
	s, err := loadFormTwo(dir)
	if err != nil {
		return []string{err.Error()}, rotten
	}
	if s.good.Empty() {
		return nil, rotten
	}
	f, err := os.Open(filepath.Join(dir, formTwoName))
	if err != nil {
		return []string{err.Error()}, rotten
	}
	defer f.Close()
	n := int64(CheckSample)
	if every {
		n = s.good.Count()
	}
	raw := make([]byte, device.RawSize)
	unproven := int64(0)
	for a := range spread(s.good, n) {
		_, err := f.ReadAt(raw, int64(a)*device.RawSize)
		k, at, detected := cd.Detect(raw)
		v, _ := cd.Verify(raw, k)
		switch {
		case err != nil, detected != nil, at != int64(a), v != cd.Clean && v != cd.Unproven:
			rotten.Add(sector.Span(a, 1))
		case v == cd.Unproven:
			unproven++
		}
	}
	if c := rotten.Count(); c > 0 {
		first := slices.Collect(rotten.Runs())[0].First
		problems = append(problems, fmt.Sprintf("in %s %d of the good sectors are not what they should be, the first of them %d", formTwoName, c, first))
	}
	if unproven > s.noEDC {
		problems = append(problems, fmt.Sprintf("in %s %d sectors have no EDC, and %d had none when they came", formTwoName, unproven, s.noEDC))
	}
	return problems, rotten
}

// takeBackFormTwo calls sectors of the sidecar missing that are not what they should be.
func takeBackFormTwo(dir string, rotten sector.Set) error {
	s, err := loadFormTwo(dir)
	if err != nil {
		return err
	}
	s.good = s.good.Subtract(&rotten)
	s.dirty = true
	return s.save()
}
