package imager

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
	"turnstone/mapfile"
)

// formTwoSector is a sector of form 2, with an EDC or without.
func formTwoSector(t *testing.T, at sector.LBA, edc bool) []byte {
	t.Helper()
	s := make([]byte, cd.Size)
	user, err := cd.UserData(s, cd.Form2)
	if err != nil {
		t.Fatal(err)
	}
	for i := range user {
		user[i] = byte(i) ^ byte(at)
	}
	copy(s[16:20], []byte{1, 1, 0x62, 0x0F})
	if err := cd.Encode(s, cd.Form2, int64(at)); err != nil {
		t.Fatal(err)
	}
	if !edc {
		clear(s[2348:])
	}
	return s
}

func sidecar(t *testing.T, dir string) *formTwo {
	t.Helper()
	s, err := loadFormTwo(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.close)
	return s
}

// What is called good is durable first: whoever is stopped before the index is written
// has lost that, and nothing else.
func TestFormTwoIndexComesLast(t *testing.T) {
	dir := t.TempDir()
	s := sidecar(t, dir)
	s.know([]sector.Range{sector.Span(100, 10)})
	if err := s.put(100, formTwoSector(t, 100, true), formTwoCame{readings: 1, proven: true}); err != nil {
		t.Fatal(err)
	}
	if err := s.save(); err != nil {
		t.Fatal(err)
	}
	if err := s.put(101, formTwoSector(t, 101, true), formTwoCame{readings: 3, proven: true}); err != nil {
		t.Fatal(err)
	}
	// A kill here.
	again := sidecar(t, dir)
	if again.good.Count() != 1 || !again.good.Contains(100) || len(again.mended) != 0 {
		t.Errorf("after a kill %v are good; want sector 100", again.good)
	}
	if err := again.put(101, formTwoSector(t, 101, true), formTwoCame{readings: 1, proven: true}); err != nil {
		t.Fatal(err)
	}
	if err := again.save(); err != nil {
		t.Fatal(err)
	}
	want := FormTwoStatus{Sectors: 10, Good: 2}
	if got := FormTwoOf(dir, mapfile.New("x")); got == nil || *got != want || got.Missing() != 8 {
		t.Errorf("FormTwoOf() = %+v; want %+v", got, want)
	}
	if problems, rotten := checkFormTwo(dir, true); len(problems) > 0 || !rotten.Empty() {
		t.Errorf("checkFormTwo() = %q, %v; want nothing", problems, rotten)
	}
	info, err := os.Stat(filepath.Join(dir, formTwoName))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file: %v, %v; want it for its owner alone", info, err)
	}
}

// A good sector is not written again.
func TestFormTwoIsWrittenOnce(t *testing.T) {
	dir := t.TempDir()
	s := sidecar(t, dir)
	if err := s.put(5, formTwoSector(t, 5, true), formTwoCame{readings: 1, proven: true}); err != nil {
		t.Fatal(err)
	}
	if err := s.put(5, make([]byte, device.RawSize), formTwoCame{readings: 1, proven: true}); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(filepath.Join(dir, formTwoName))
	if err != nil || !bytes.Equal(b[5*device.RawSize:], formTwoSector(t, 5, true)) {
		t.Errorf("sector 5 was written over (%v); want it as it came first", err)
	}
}

func TestCheckFormTwo(t *testing.T) {
	dir := t.TempDir()
	s := sidecar(t, dir)
	for a := range sector.LBA(4) {
		if err := s.put(a, formTwoSector(t, a, a != 3), formTwoCame{readings: 1, proven: a != 3}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.save(); err != nil {
		t.Fatal(err)
	}
	s.close()
	if problems, _ := checkFormTwo(dir, true); len(problems) > 0 {
		t.Errorf("checkFormTwo() = %q; want nothing", problems)
	}
	for name, spoil := range map[string]func(b []byte){
		"a byte":                func(b []byte) { b[device.RawSize+500] ^= 1 },
		"an address":            func(b []byte) { b[device.RawSize+14] ^= 1 },
		"another sector":        func(b []byte) { copy(b[device.RawSize:], b[:device.RawSize]) },
		"zeros":                 func(b []byte) { clear(b[device.RawSize : 2*device.RawSize]) },
		"an EDC that was there": func(b []byte) { clear(b[device.RawSize+2348 : 2*device.RawSize]) },
	} {
		path := filepath.Join(dir, formTwoName)
		was, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		b := bytes.Clone(was)
		spoil(b)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		problems, rotten := checkFormTwo(dir, true)
		if len(problems) != 1 || name != "an EDC that was there" && (rotten.Count() != 1 || !rotten.Contains(1)) {
			t.Errorf("%s: checkFormTwo() = %q, %v; want a problem with sector 1", name, problems, rotten)
		}
		if err := os.WriteFile(path, was, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := takeBackFormTwo(dir, sector.Of(sector.Span(1, 1))); err != nil {
		t.Fatal(err)
	}
	if got := FormTwoOf(dir, mapfile.New("x")); got.Good != 3 {
		t.Errorf("good after one was taken back = %d; want 3", got.Good)
	}
	if err := os.Remove(filepath.Join(dir, formTwoName)); err != nil {
		t.Fatal(err)
	}
	if problems, _ := checkFormTwo(dir, true); len(problems) != 1 {
		t.Errorf("checkFormTwo() without the file = %q; want a problem", problems)
	}
}

func FuzzFormTwoIndex(f *testing.F) {
	f.Add([]byte(`{"sectors":[[600,2400]],"good":[[600,511]],"no_edc":0,"repaired":3}`))
	f.Add([]byte(`{"sectors":[[-1,5]]}`))
	f.Add([]byte(`{"sectors":[[600,2400]],"good":[[600,50]],"repaired":7,"rounds":[[600,20,0],[620,40,2]],"mended":[[610,4,9]]}`))
	f.Add([]byte(`{"sectors":[[1048575,9223372036854775807]],"mended":[[0,1,1]]}`))
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(filepath.Join(dir, formTwoIndex), b, 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := loadFormTwo(dir)
		if err != nil {
			return
		}
		missing := s.missing()
		for _, sets := range [][]sector.Set{s.rounds, s.mended} {
			for n := range sets {
				if there := sets[n].Intersect(&s.good); !there.Equal(&sets[n]) {
					t.Errorf("%s: %v came as %d and is not good", b, sets[n], n)
				}
			}
		}
		if err := s.writeIndex(); err != nil {
			t.Fatal(err)
		}
		again, err := loadFormTwo(dir)
		if err != nil || !again.good.Equal(&s.good) || !again.sectors.Equal(&s.sectors) || again.unnoted != s.unnoted || countAll(again.mended) != countAll(s.mended) {
			t.Errorf("%s: written and read again it is %+v, %v; want %+v", b, again, err, s)
		}
		if missing.Count()+s.good.Count() != s.sectors.Count() {
			t.Errorf("%s: %d missing and %d good of %d", b, missing.Count(), s.good.Count(), s.sectors.Count())
		}
	})
}

// Whoever looks on finds in status.json how much there is of form 2, also while a pass runs
// that brings nothing else.
func TestStatusFileTellsOfFormTwo(t *testing.T) {
	d := compactDisc(t, "video-cd")
	r := opened(t, d, 0)
	c := newCD(t, r)
	told := func() *FormTwoStatus {
		t.Helper()
		var st Status
		if b, err := os.ReadFile(filepath.Join(c.Dir, statusName)); err == nil {
			if err := json.Unmarshal(b, &st); err != nil {
				t.Fatal(err)
			}
		}
		return st.FormTwo
	}
	meanwhile := int64(0)
	r.fail = func(int) error {
		if st := told(); st != nil {
			meanwhile = st.Good
		}
		return nil
	}
	now := clock() // a second passes each time that it is asked
	c.now = func() time.Time { now = now.Add(time.Second); return now }
	reads(t, c, r)
	if meanwhile == 0 {
		t.Errorf("%s told of nothing of form 2 while that was read; want some", statusName)
	}
	want := FormTwoOf(c.Dir, c.m)
	if got := told(); want == nil || got == nil || *got != *want || want.Good <= meanwhile {
		t.Errorf("%s tells %+v of form 2, and %d in between; want %+v", statusName, got, meanwhile, want)
	}
}

// What a drive was asked for, and found to be of form 2, is not missing in the image.
func TestFailedHereIsOfTheWrittenArea(t *testing.T) {
	m := mapfile.New("form2")
	m.AddRound(mapfile.Round{})
	d := mapfile.Disc{Kind: "cd", Sectors: 100, BlockSectors: 1, Written: sector.Of(sector.Span(0, 100))}
	if err := m.SetDisc(d); err != nil {
		t.Fatal(err)
	}
	pass, err := m.AddPass(mapfile.Pass{Drive: m.AddDrive(mapfile.Drive{Node: "/dev/sr0"})})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Record(pass, mapfile.Run{Range: sector.Span(20, 30), Result: mapfile.Failed}, nil); err != nil {
		t.Fatal(err)
	}
	d = m.Disc()
	d.Written = sector.Of(sector.Span(0, 40))
	if err := m.SetDisc(d); err != nil {
		t.Fatal(err)
	}
	if st := StatusOf(m); st.FailedHere != 20 || st.OpenHere != 20 || st.Missing() != 40 {
		t.Errorf("StatusOf() = %d failed here, %d not asked here, of %d missing; want 20, 20, 40", st.FailedHere, st.OpenHere, st.Missing())
	}
}
