package imager

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
	"turnstone/mapfile"
)

// Sectors of a CD of mode 2 form 2, as a Video CD's streams have them, carry 2,324 bytes
// and have no place in an image of 2,048 each. They are kept beside it:
//
//	CASE/form2.bin    whole raw sectors of 2,352 bytes, sparse, sector n at n · 2,352
//	CASE/form2.json   which sectors of the disc are of form 2, which of them are there, and
//	                  how they came (formtwoindex.go)
//
// The second is replaced, whole, once what it calls good is durable in the first. A sector
// proves itself by its header, which must be that of its place, and by its EDC; one whose
// EDC is zero has none [memory], and came without doubt (package rawcd).
const formTwoName = "form2.bin"

// formTwo is the sidecar of a case's image. It belongs to one goroutine.
type formTwo struct {
	dir           string
	sectors, good sector.Set
	rounds        []sector.Set // of the good ones, what each round brought
	mended        []sector.Set // of the good ones, those put together from so many readings
	noEDC         int64
	unnoted       int64    // put together, and it was not noted which
	f             *os.File // nil until something is written
	dirty         bool
}

// formTwoCame is how a sector of form 2 came.
type formTwoCame struct {
	round    int
	readings int  // that it was put together from
	proven   bool // by its EDC
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

// put writes a sector that is what it should be. One that is there stays as it is.
func (s *formTwo) put(a sector.LBA, raw []byte, came formTwoCame) error {
	if s.good.Contains(a) {
		return nil
	}
	if err := s.open(); err != nil {
		return err
	}
	if _, err := s.f.WriteAt(raw, int64(a)*device.RawSize); err != nil {
		return err
	}
	one := sector.Span(a, 1)
	s.know([]sector.Range{one})
	s.good.Add(one)
	addAt(&s.rounds, min(came.round, mostFormTwoRound), one)
	if came.readings > 1 {
		addAt(&s.mended, min(came.readings, mostFormTwoReadings), one)
	}
	if !came.proven {
		s.noEDC++
	}
	s.dirty = true
	return nil
}

// open opens the file of raw sectors, if it is not.
func (s *formTwo) open() error {
	if s.f != nil {
		return nil
	}
	f, err := os.OpenFile(filepath.Join(s.dir, formTwoName), os.O_RDWR|os.O_CREATE, 0o600)
	if err == nil {
		s.f = f
	}
	return err
}

// raw reads a raw sector that is there.
func (s *formTwo) raw(a sector.LBA) ([]byte, error) {
	if err := s.open(); err != nil {
		return nil, err
	}
	buf := make([]byte, device.RawSize)
	_, err := s.f.ReadAt(buf, int64(a)*device.RawSize)
	return buf, err
}

// addAt adds a range to the n-th of several sets, which are made up to it.
func addAt(sets *[]sector.Set, n int, r sector.Range) {
	for len(*sets) <= n {
		*sets = append(*sets, sector.Set{})
	}
	(*sets)[n].Add(r)
}

// readings is how many readings a good sector was put together from, as far as it was noted.
func (s *formTwo) readings(a sector.LBA) int {
	for n := range s.mended {
		if s.mended[n].Contains(a) {
			return n
		}
	}
	return 1
}

// since is the good sectors that rounds from one on brought. What was noted without its round
// counts to the first.
func (s *formTwo) since(round int) (set sector.Set) {
	if round == 0 {
		return s.good.Clone()
	}
	for n := round; n < len(s.rounds); n++ {
		set = set.Union(&s.rounds[n])
	}
	return set
}

// round is the round that brought a good sector.
func (s *formTwo) round(a sector.LBA) int {
	for n := range s.rounds {
		if s.rounds[n].Contains(a) {
			return n
		}
	}
	return 0
}

// lose calls sectors missing.
func (s *formTwo) lose(set sector.Set) {
	s.good = s.good.Subtract(&set)
	for _, sets := range [][]sector.Set{s.rounds, s.mended} {
		for n := range sets {
			sets[n] = sets[n].Subtract(&set)
		}
	}
	s.dirty = true
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
	if err := s.writeIndex(); err != nil {
		return err
	}
	s.dirty = false
	return nil
}

func (s *formTwo) close() {
	if s != nil && s.f != nil {
		s.f.Close()
		s.f = nil
	}
}

// FormTwoStatus is where a case stands with its disc's sectors of form 2.
type FormTwoStatus struct {
	Sectors        int64          `json:"sectors"`
	Good           int64          `json:"good"`            // in form2.bin
	NoEDC          int64          `json:"no_edc"`          // of them, those that no EDC proves
	Repaired       int64          `json:"repaired"`        // of them, those put together from several readings
	RepairReadings int            `json:"repair_readings"` // the most that one of them took
	Wanted         *FormTwoWanted `json:"wanted"`          // null where everything is wanted
}

// FormTwoWanted is where a case stands with sectors of form 2 that wanted files lie in.
type FormTwoWanted struct {
	Sectors int64 `json:"sectors"`
	Good    int64 `json:"good"`
}

// Wants is how many sectors are wanted, all or those of the wanted files, and how many of
// them are there.
func (s *FormTwoStatus) Wants() (good, all int64) {
	switch {
	case s == nil:
		return 0, 0
	case s.Wanted != nil:
		return s.Wanted.Good, s.Wanted.Sectors
	}
	return s.Good, s.Sectors
}

// Missing is how many of those that are wanted are not there.
func (s *FormTwoStatus) Missing() int64 {
	good, all := s.Wants()
	return all - good
}

// FormTwoOf is where the case in dir, of this map, stands with sectors of form 2; nil where
// its disc has none.
func FormTwoOf(dir string, m *mapfile.Map) *FormTwoStatus {
	s, err := loadFormTwo(dir)
	if err != nil || s.sectors.Empty() {
		return nil
	}
	st := &FormTwoStatus{Sectors: s.sectors.Count(), Good: s.good.Count(), NoEDC: s.noEDC, Repaired: s.unnoted}
	for n := range s.mended {
		if k := s.mended[n].Count(); k > 0 {
			st.Repaired += k
			st.RepairReadings = n
		}
	}
	if wanted := wantedBeside(m, s.sectors); wanted != nil {
		there := wanted.Intersect(&s.good)
		st.Wanted = &FormTwoWanted{Sectors: wanted.Count(), Good: there.Count()}
	}
	return st
}

// StatusIn is where the case in dir, of this map, stands, with what lies beside its image.
func StatusIn(dir string, m *mapfile.Map) Status { return LookAt(m).StatusIn(dir) }

// StatusIn is where the case in dir stands, whose map is looked at.
func (l Look) StatusIn(dir string) Status {
	st := l.status()
	st.FormTwo = FormTwoOf(dir, l.m)
	return st
}

// FormTwoMissing is the sectors of form 2 that the case in dir knows of and does not have.
func FormTwoMissing(dir string) sector.Set {
	s, err := loadFormTwo(dir)
	if err != nil {
		return sector.Set{}
	}
	return s.missing()
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
		v, ok := rawHolds(a, raw)
		switch {
		case err != nil, !ok:
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

// rawHolds tells whether a raw sector is that of its place, as far as it can prove that.
func rawHolds(a sector.LBA, raw []byte) (v cd.Verdict, ok bool) {
	k, at, err := cd.Detect(raw)
	if err != nil || at != int64(a) {
		return 0, false
	}
	v, err = cd.Verify(raw, k)
	return v, err == nil && (v == cd.Clean || v == cd.Unproven && k == cd.Form2)
}

// takeBackFormTwo calls sectors of the sidecar missing that are not what they should be.
func takeBackFormTwo(dir string, rotten sector.Set) error {
	s, err := loadFormTwo(dir)
	if err != nil {
		return err
	}
	s.lose(rotten)
	return s.save()
}
