package imager

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"turnstone/device/sector"
)

const formTwoIndex = "form2.json"

// Bounds of what a sidecar's index holds.
const (
	mostFormTwo         = 1 << 20 // sectors; a CD has half of that at most
	mostFormTwoRound    = 1<<16 - 1
	mostFormTwoReadings = 254
)

// formTwoDoc is form2.json. Ranges are pairs of first sector and number of sectors.
type formTwoDoc struct {
	Sectors  [][2]int64 `json:"sectors"`  // of form 2
	Good     [][2]int64 `json:"good"`     // of them, those in form2.bin
	NoEDC    int64      `json:"no_edc"`   // of the good ones, those without an EDC
	Repaired int64      `json:"repaired"` // of the good ones, those put together from several readings

	// Of the good ones, as far as it was noted: the round that brought them, and, of those
	// put together, how many readings each took. Triples of first sector, number of
	// sectors, and that.
	Rounds [][3]int64 `json:"rounds,omitempty"`
	Mended [][3]int64 `json:"mended,omitempty"`
}

// loadFormTwo reads what a case has of form 2; nothing where it has none.
func loadFormTwo(dir string) (*formTwo, error) {
	s := &formTwo{dir: dir}
	path := filepath.Join(dir, formTwoIndex)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return nil, err
	}
	if err := s.parse(b); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return s, nil
}

// parse takes an index in.
func (s *formTwo) parse(b []byte) error {
	var d formTwoDoc
	if err := json.Unmarshal(b, &d); err != nil {
		return err
	}
	add := func(set *sector.Set, first, n int64) error {
		if first < 0 || n < 1 || first > mostFormTwo || n > mostFormTwo-first {
			return fmt.Errorf("sectors %d+%d are on no CD", first, n)
		}
		set.Add(sector.Span(sector.LBA(first), n))
		return nil
	}
	for _, p := range d.Sectors {
		if err := add(&s.sectors, p[0], p[1]); err != nil {
			return err
		}
	}
	for _, p := range d.Good {
		if err := add(&s.good, p[0], p[1]); err != nil {
			return err
		}
	}
	s.good = s.good.Intersect(&s.sectors)
	for _, list := range []struct {
		triples [][3]int64
		least   int64
		most    int64
		sets    *[]sector.Set
	}{{d.Rounds, 0, mostFormTwoRound, &s.rounds}, {d.Mended, 2, mostFormTwoReadings, &s.mended}} {
		for _, t := range list.triples {
			if t[2] < list.least || t[2] > list.most {
				return fmt.Errorf("sectors %d+%d came in a way that can't be: %d", t[0], t[1], t[2])
			}
			addAt(list.sets, int(t[2]), sector.Range{})
			if err := add(&(*list.sets)[t[2]], t[0], t[1]); err != nil {
				return err
			}
		}
		for n := range *list.sets {
			(*list.sets)[n] = (*list.sets)[n].Intersect(&s.good)
		}
	}
	s.noEDC, s.unnoted = d.NoEDC, max(0, d.Repaired-countAll(s.mended))
	return nil
}

// countAll is how many sectors several sets have.
func countAll(sets []sector.Set) (n int64) {
	for i := range sets {
		n += sets[i].Count()
	}
	return n
}

// writeIndex replaces the index.
func (s *formTwo) writeIndex() error {
	d := formTwoDoc{Sectors: pairsOf(&s.sectors), Good: pairsOf(&s.good), NoEDC: s.noEDC,
		Repaired: s.unnoted + countAll(s.mended), Rounds: triplesOf(s.rounds), Mended: triplesOf(s.mended)}
	b, err := json.Marshal(d)
	if err != nil {
		return err
	}
	return replaceFile(filepath.Join(s.dir, formTwoIndex), append(b, '\n'))
}

func pairsOf(s *sector.Set) [][2]int64 {
	pairs := make([][2]int64, 0, s.Len())
	for r := range s.Runs() {
		pairs = append(pairs, [2]int64{int64(r.First), r.Count()})
	}
	return pairs
}

// triplesOf is the runs of several sets, with the set's number.
func triplesOf(sets []sector.Set) (triples [][3]int64) {
	for n := range sets {
		for r := range sets[n].Runs() {
			triples = append(triples, [3]int64{int64(r.First), r.Count(), int64(n)})
		}
	}
	return triples
}
