package imager

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager/rawcd"
)

// one is a reading that is unlike others.
func one(n int, pointers bool) *rawcd.Reading {
	r := &rawcd.Reading{Data: bytes.Repeat([]byte{byte(n), byte(n >> 8), 7}, device.RawSize/3), Mode: 1}
	if pointers {
		r.C2 = bytes.Repeat([]byte{byte(n)}, device.C2Size)
	}
	return r
}

func shelfOf(t *testing.T, dir string) *shelf {
	t.Helper()
	s, err := openShelf(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.close() })
	return s
}

func TestShelfKeeps(t *testing.T) {
	dir := t.TempDir()
	s := shelfOf(t, dir)
	for i := range 5 {
		if err := s.keep(100, one(i, i%2 == 0), 1, 2); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.keep(200, nil, 0, 3); err != nil {
		t.Fatal(err)
	}
	for _, s := range []*shelf{s, shelfOf(t, dir)} {
		got := s.readings(100)
		if len(got) != 5 {
			t.Fatalf("readings(100) = %d; want 5", len(got))
		}
		for i, r := range got {
			if want := one(i, i%2 == 0); !bytes.Equal(r.Data, want.Data) || !bytes.Equal(r.C2, want.C2) || r.Mode != 1 {
				t.Errorf("reading %d is another one", i)
			}
		}
		if len(s.readings(200)) != 0 || !s.asked(200, 0, 3) || s.asked(200, 0, 2) || s.asked(100, 1, 2) || s.asked(300, 0, 3) {
			t.Errorf("sector 200: %d readings, asked %v; want none, by drive 3 in round 0", len(s.readings(200)), s.asked(200, 0, 3))
		}
	}
	info, err := os.Stat(filepath.Join(dir, keptName, readingsName))
	if err != nil || info.Mode().Perm() != 0o600 || info.Size() != 6*slotSize {
		t.Errorf("the file: %v, %v; want 6 slots for its owner alone", info, err)
	}
}

// Of one sector no more readings are kept than eight, and notes beside them.
func TestShelfIsBounded(t *testing.T) {
	s := shelfOf(t, t.TempDir())
	if err := s.keep(5, nil, 0, 0); err != nil {
		t.Fatal(err)
	}
	for i := range 20 {
		if err := s.keep(5, one(i, true), 0, 0); err != nil {
			t.Fatal(err)
		}
	}
	got := s.readings(5)
	if len(got) != mostOfSector || s.end != mostOfSector+1 || !s.asked(5, 0, 0) {
		t.Fatalf("%d readings in %d slots, asked %v; want %d, and a note", len(got), s.end, s.asked(5, 0, 0), mostOfSector)
	}
	if last := got[len(got)-1]; last.Data[0] != 19 {
		t.Errorf("the last reading is number %d; want 19", last.Data[0])
	}
	s.end = mostSlots
	if err := s.keep(6, one(1, true), 0, 0); err != nil || len(s.readings(6)) != 0 {
		t.Errorf("a reading beyond the bound: %v, kept %d; want it dropped", err, len(s.readings(6)))
	}
}

// What a kill has torn is free, and so is what belongs to good sectors.
func TestShelfAfterAKill(t *testing.T) {
	dir := t.TempDir()
	s := shelfOf(t, dir)
	for a := range sector.LBA(6) {
		if err := s.keep(a, one(int(a), true), 0, 0); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(dir, keptName, readingsName)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[2*slotSize+900] ^= 1 // in the middle of one
	if err := os.WriteFile(path, b[:5*slotSize+700], 0o600); err != nil {
		t.Fatal(err)
	}
	s = shelfOf(t, dir)
	for a, want := range []int{1, 1, 0, 1, 1, 0} {
		if got := len(s.readings(sector.LBA(a))); got != want {
			t.Errorf("readings(%d) = %d; want %d", a, got, want)
		}
	}
	if err := s.tidy(func(a sector.LBA) bool { return a < 2 }); err != nil {
		t.Fatal(err)
	}
	if len(s.free) != 3 || len(s.readings(0)) != 0 || len(s.readings(3)) != 1 {
		t.Errorf("after tidying %d slots are free, %d readings of sector 0, %d of 3; want 3, 0, 1", len(s.free), len(s.readings(0)), len(s.readings(3)))
	}
	if s = shelfOf(t, dir); len(s.readings(0)) != 0 || len(s.readings(3)) != 1 {
		t.Error("what was tidied away is there again")
	}
	if err := s.tidy(func(sector.LBA) bool { return true }); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(path); err == nil {
		t.Error("the file is there still; want it gone with its last reading")
	}
	if err := s.keep(9, one(9, true), 0, 0); err != nil || len(s.readings(9)) != 1 {
		t.Errorf("a reading after that: %v; want it kept", err)
	}
}

func FuzzSlot(f *testing.F) {
	dir := f.TempDir()
	s, err := openShelf(dir)
	if err != nil {
		f.Fatal(err)
	}
	if err := s.keep(7, one(1, true), 3, 4); err != nil {
		f.Fatal(err)
	}
	s.close()
	b, err := os.ReadFile(filepath.Join(dir, keptName, readingsName))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(make([]byte, slotSize))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) != slotSize {
			return
		}
		parseSlot(b)
	})
}
