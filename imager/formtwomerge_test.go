package imager

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/pack"
	"turnstone/mapfile"
)

// videoCase is a case of an invented Video CD of 600 sectors, 100 and more of form 2: those
// good that are said, by rounds, the odd ones put together from 4 readings; one in seven
// has no EDC.
func videoCase(t *testing.T, name string, rounds ...sector.Range) *Case {
	t.Helper()
	dir := filepath.Join(t.TempDir(), name)
	c, err := Create(dir, Writer{CaseID: name, Now: time.Now}, mapfile.Disc{Kind: "cd", Sectors: 600, BlockSectors: 1, Written: sector.Of(sector.Span(0, 100))})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	s := sidecar(t, dir)
	s.know([]sector.Range{sector.Span(100, 450)})
	for round, r := range rounds {
		if round > 0 {
			c.m.AddRound(mapfile.Round{})
		}
		for a := r.First; a < r.End; a++ {
			came := formTwoCame{round: round, readings: 1 + 3*int(a%2), proven: a%7 > 0}
			if err := s.put(a, formTwoSector(t, a, a%7 > 0), came); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := errors.Join(s.save(), c.saveRecords()); err != nil {
		t.Fatal(err)
	}
	return c
}

// packedCase is the pass file of a case.
func packedCase(t *testing.T, c *Case, p Packing) ([]byte, Packed) {
	t.Helper()
	var out bytes.Buffer
	res, err := Pack(t.Context(), c.Dir, &out, p)
	if err != nil {
		t.Fatal(err)
	}
	return out.Bytes(), res
}

// merged merges a source into a case.
func merged(t *testing.T, c *Case, s *Source) Brought {
	t.Helper()
	res, err := c.Merge(t.Context(), Merging{Sources: []*Source{s}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if problems, rotten := checkFormTwo(c.Dir, true); len(problems) > 0 {
		t.Errorf("checkFormTwo() = %q, %v; want nothing", problems, rotten)
	}
	return res.From[0]
}

// Sectors of form 2 travel with a pass file and from case to case, with how they came.
func TestFormTwoTravels(t *testing.T) {
	for _, way := range []string{"pass file", "case"} {
		from := videoCase(t, "from", sector.Span(100, 300), sector.Span(410, 90))
		into := videoCase(t, "into", sector.Span(120, 10))
		if err := from.Close(); err != nil {
			t.Fatal(err)
		}
		source := func(p Packing) *Source {
			if way == "pass file" {
				b, _ := packedCase(t, from, p)
				return passSource(t, b)
			}
			s, err := OpenSource(from.Dir, into.Dir)
			if err != nil {
				t.Fatal(err)
			}
			return s
		}
		if got := merged(t, into, source(Packing{})); got.FormTwo != 380 || !got.Lost.Empty() || got.Broken != nil {
			t.Errorf("%s: %+v; want 380 sectors of form 2", way, got)
		}
		got, want := sidecar(t, into.Dir), sidecar(t, from.Dir)
		if !got.good.Equal(&want.good) || !got.sectors.Equal(&want.sectors) || got.noEDC != want.noEDC {
			t.Errorf("%s: %v good, %d without an EDC; want %v, %d", way, got.good, got.noEDC, want.good, want.noEDC)
		}
		for a := range spread(got.good, got.good.Count()) {
			if got.readings(a) != want.readings(a) {
				t.Errorf("%s: sector %d was put together from %d readings; want %d", way, a, got.readings(a), want.readings(a))
			}
		}
		a, errA := os.ReadFile(filepath.Join(into.Dir, formTwoName))
		b, errB := os.ReadFile(filepath.Join(from.Dir, formTwoName))
		if errA != nil || errB != nil || !bytes.Equal(a, b) {
			t.Errorf("%s: the bytes are not those of the source (%v, %v)", way, errA, errB)
		}
		if again := merged(t, into, source(Packing{})); again.FormTwo != 0 {
			t.Errorf("%s: once more brought %d sectors; want none", way, again.FormTwo)
		}
		st := FormTwoOf(into.Dir, into.Map())
		if st == nil || st.Repaired != 195 || st.RepairReadings != 4 {
			t.Errorf("%s: status %+v; want 195 put together from up to 4 readings", way, st)
		}
	}
}

// What is packed can be chosen as for the image, and what can't be read is told.
func TestPackSomeFormTwo(t *testing.T) {
	c := videoCase(t, "case", sector.Span(100, 300), sector.Span(410, 90))
	only := sector.Of(sector.Span(390, 30))
	for _, test := range []struct {
		p    Packing
		want int64
	}{
		{Packing{}, 390}, {Packing{Since: 1}, 90}, {Packing{Only: &only}, 20}, {Packing{Since: 1, Only: &only}, 10},
	} {
		b, res := packedCase(t, c, test.p)
		s := passSource(t, b)
		sectors, there := s.formTwo()
		if res.FormTwo != test.want || there.Count() != test.want || sectors.Count() != 450 {
			t.Errorf("Pack(%+v) = %d of form 2, %d listed of %d; want %d of 450", test.p, res.FormTwo, there.Count(), sectors.Count(), test.want)
		}
	}
	none := sector.Of(sector.Span(0, 50))
	if _, err := Pack(t.Context(), c.Dir, &bytes.Buffer{}, Packing{Only: &none}); !errors.Is(err, ErrNothingToPack) {
		t.Errorf("Pack(nothing) = %v; want %v", err, ErrNothingToPack)
	}
	f, err := os.OpenFile(filepath.Join(c.Dir, formTwoName), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte("rot"), 201*device.RawSize+500); err != nil {
		t.Fatal(err)
	}
	f.Close()
	if _, res := packedCase(t, c, Packing{}); res.FormTwo != 389 || !res.Lost.Contains(201) {
		t.Errorf("Pack() of a case with a rotten sector = %d of form 2, lost %v; want 389, 201", res.FormTwo, res.Lost)
	}
	if err := os.Remove(filepath.Join(c.Dir, formTwoName)); err != nil {
		t.Fatal(err)
	}
	if _, res := packedCase(t, c, Packing{}); res.FormTwo != 0 || res.Lost.Count() != 390 {
		t.Errorf("Pack() of a case without its sidecar = %d of form 2, lost %v; want none, all", res.FormTwo, res.Lost)
	}
}

// A pass file that was cut short, or in which a bit has flipped, never brings a sector that is
// another; the whole file brings the rest.
func TestFormTwoDamagedOnItsWay(t *testing.T) {
	from := videoCase(t, "from", sector.Span(100, 450))
	file, _ := packedCase(t, from, Packing{})
	want, err := os.ReadFile(filepath.Join(from.Dir, formTwoName))
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(3, 3))
	some := 0
	for range 12 {
		bad := bytes.Clone(file)
		if rnd.IntN(2) == 0 {
			bad = bad[:rnd.IntN(len(bad))]
		} else {
			bad[len(bad)/3+rnd.IntN(len(bad)-len(bad)/3)] ^= 1 << rnd.IntN(8)
		}
		s, err := NewPassSource("x", bytes.NewReader(bad))
		if err != nil {
			continue
		}
		into := videoCase(t, "into", sector.Span(100, 3))
		got := merged(t, into, s)
		if got.Broken == nil {
			t.Errorf("unpacking a damaged file = %+v; want it called broken", got)
		}
		if got.FormTwo > 0 && got.FormTwo < 447 {
			some++
		}
		if rest := merged(t, into, passSource(t, file)); got.FormTwo+rest.FormTwo != 447 || rest.Broken != nil {
			t.Errorf("first %d, then %+v; want together 447", got.FormTwo, rest)
		}
		if b, err := os.ReadFile(filepath.Join(into.Dir, formTwoName)); err != nil || !bytes.Equal(b, want) {
			t.Errorf("what lies beside the image is not what was packed (%v)", err)
		}
		into.Close()
	}
	if some < 2 {
		t.Errorf("%d files gave a part; want some", some)
	}
}

// What a stranger's file calls of form 2, or gives for a sector that is another one's or
// proves nothing, is not taken.
func TestFormTwoOfAStranger(t *testing.T) {
	into := videoCase(t, "into", sector.Span(100, 3))
	formless := formTwoSector(t, 201, true)
	formless[20] ^= 1 // the second subheader
	spoilt := formTwoSector(t, 202, true)
	spoilt[900] ^= 1
	list := pack.List{FormTwo: sector.Of(sector.Span(100, 450)), Raw: sector.Of(sector.Span(200, 10))}
	values, err := mapfile.Values(filepath.Join(into.Dir, mapName))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w, err := pack.NewWriter(&out, pack.Head{Case: "stranger"}, values, list)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		a    sector.LBA
		data []byte
	}{
		{100, formTwoSector(t, 100, false)}, {200, formTwoSector(t, 300, true)}, {201, formless}, {202, spoilt},
		{203, make([]byte, device.RawSize)}, {204, formTwoSector(t, 204, true)},
	} {
		if err := w.RawSector(x.a, pack.Raw{Data: x.data, Round: 70_000}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if got := merged(t, into, passSource(t, out.Bytes())); got.FormTwo != 1 || !got.Lost.Equal(new(sector.Of(sector.Span(200, 4)))) || got.Broken != nil {
		t.Errorf("%+v; want sector 204, and 200 to 203 lost", got)
	}
	if s := sidecar(t, into.Dir); s.good.Count() != 4 || !s.good.Contains(204) || s.noEDC != 0 {
		t.Errorf("good are %v, %d without an EDC; want 100 to 102 and 204", s.good, s.noEDC)
	}
}

// Interrupted, a merge keeps what came, and the next one goes on.
func TestFormTwoMergeIsInterrupted(t *testing.T) {
	from, into := videoCase(t, "from", sector.Span(100, 450)), videoCase(t, "into", sector.Span(100, 3))
	if err := from.Close(); err != nil {
		t.Fatal(err)
	}
	s, err := OpenSource(from.Dir, into.Dir)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ctx, stop := context.WithCancel(t.Context())
	n := 0
	into.now = func() time.Time { // once for each sector that is taken, and more
		if n++; n == 100 {
			stop()
		}
		return time.Unix(int64(n), 0)
	}
	res, err := into.Merge(ctx, Merging{Sources: []*Source{s}})
	if err != nil || res.How != HowInterrupted || res.From[0].FormTwo == 0 || res.From[0].FormTwo > 200 {
		t.Fatalf("Merge() = %+v, %v; want it interrupted with some", res, err)
	}
	if got := sidecar(t, into.Dir); got.good.Count() != 3+res.From[0].FormTwo {
		t.Errorf("%d good after %d were taken; want 3 more", got.good.Count(), res.From[0].FormTwo)
	}
	told := false
	if err := Events(into.Dir, func(e mapfile.Event) bool { told = told || e.Kind == KindForm; return true }); err != nil || !told {
		t.Errorf("an event tells of it = %v, %v; want one", told, err)
	}
}

// Of sectors that are there on both sides what is there stays, and what differs is told with
// both checksums, by whichever way the source comes.
func TestFormTwoThatDiffers(t *testing.T) {
	from := videoCase(t, "from", sector.Span(100, 20))
	other := formTwoSector(t, 105, false)
	other[100] ^= 0x40
	s := sidecar(t, from.Dir)
	s.lose(sector.Of(sector.Span(105, 1)))
	if err := errors.Join(s.put(105, other, formTwoCame{}), s.save(), from.Close()); err != nil {
		t.Fatal(err)
	}
	file, _ := packedCase(t, from, Packing{})
	for _, way := range []string{"case", "pass file"} {
		into := videoCase(t, "into", sector.Span(100, 10))
		source, err := OpenSource(from.Dir, into.Dir)
		if way != "case" {
			source, err = passSource(t, file), nil
		}
		if err != nil {
			t.Fatal(err)
		}
		got := merged(t, into, source)
		if got.FormTwo != 10 || !got.Differ.Equal(new(sector.Of(sector.Span(105, 1)))) {
			t.Errorf("from a %s: %d taken, %v differ; want 10, and sector 105", way, got.FormTwo, got.Differ)
		}
		mine := formTwoSector(t, 105, false)
		if raw, err := sidecar(t, into.Dir).raw(105); err != nil || !bytes.Equal(raw, mine) {
			t.Errorf("from a %s: sector 105 is not what it was (%v)", way, err)
		}
		told := ""
		if err := Events(into.Dir, func(e mapfile.Event) bool {
			if e.Kind == KindForm && e.Range == sector.Span(105, 1) {
				told += e.Text
			}
			return true
		}); err != nil {
			t.Fatal(err)
		}
		for _, sum := range []uint32{sumOfFormTwo(mine), sumOfFormTwo(other)} {
			if text := fmt.Sprintf("%08x", sum); strings.Count(told, text) != 1 {
				t.Errorf("from a %s it is told %q; want it once with %s", way, told, text)
			}
		}
	}

	// A sidecar that was cut off is told by a check; it stops no merge.
	into := videoCase(t, "into", sector.Span(100, 10))
	if err := os.Truncate(filepath.Join(into.Dir, formTwoName), 0); err != nil {
		t.Fatal(err)
	}
	source := passSource(t, file)
	res, err := into.Merge(t.Context(), Merging{Sources: []*Source{source}})
	if err != nil || res.From[0].FormTwo != 10 || !res.From[0].Differ.Empty() {
		t.Errorf("into a sidecar that was cut off Merge = %+v, %v; want ten taken, and nothing that differs", res, err)
	}
	if err := source.Close(); err != nil {
		t.Fatal(err)
	}
}
