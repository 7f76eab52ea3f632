package tree

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"turnstone/device/sector"
)

func TestScanNotes(t *testing.T) {
	data := make([]byte, 100*sector.Size)
	data[5*sector.Size] = 5
	good := sector.Of(sector.Span(0, 10), sector.Span(50, 50))
	s := NewScan(Holed(bytes.NewReader(data), 100, &good))
	if b := s.Read(5, Directory); b == nil || b[0] != 5 {
		t.Errorf("Read(5) = %v; want the sector", b != nil)
	}
	for _, a := range []sector.LBA{10, -1, 100, 1 << 40} {
		if b := s.Read(a, Directory); b != nil {
			t.Errorf("Read(%d) gives data; it is missing or not on the disc", a)
		}
	}
	s.Peek(60)
	if got, want := s.Seen(Directory), sector.Of(sector.Span(5, 1), sector.Span(10, 1)); !got.Equal(&want) {
		t.Errorf("Seen(Directory) = %v; want %v", got, want)
	}
	if got := s.Seen(Table); !got.Empty() {
		t.Errorf("Seen(Table) = %v; want none", got)
	}
	if s.Err() != nil {
		t.Errorf("Err() = %v; want none", s.Err())
	}
}

// An image that can't be read, other than that a sector is missing, ends it all.
func TestScanFailingImage(t *testing.T) {
	s := NewScan(Whole(bytes.NewReader(make([]byte, 10)), 20*sector.Size))
	if b := s.Read(3, Table); b != nil || s.Err() == nil || errors.Is(s.Err(), ErrLimit) {
		t.Errorf("Read of a truncated image file: data %v, Err() = %v; want an error of the image", b != nil, s.Err())
	}
	if s.Charge(1) {
		t.Error("Charge after an error gives true")
	}
}

func TestScanLimits(t *testing.T) {
	s := NewScan(Whole(bytes.NewReader(nil), 0))
	if !s.Charge(maxMemory) || s.Charge(1) || !errors.Is(s.Err(), ErrLimit) {
		t.Errorf("Charge beyond the limit: Err() = %v; want ErrLimit", s.Err())
	}
	s = NewScan(Whole(bytes.NewReader(nil), 0))
	if !s.Work(maxWork) || s.Work(1) || !errors.Is(s.Err(), ErrLimit) {
		t.Errorf("Work beyond the limit: Err() = %v; want ErrLimit", s.Err())
	}
	s = NewScan(Whole(bytes.NewReader(nil), 0))
	for range maxProblems + 7 {
		s.Wrong(3, "bad")
	}
	if all, more := s.Problems(); len(all) != maxProblems || more != 7 {
		t.Errorf("Problems() = %d and %d more; want %d and 7", len(all), more, maxProblems)
	}
}

func TestProblemWords(t *testing.T) {
	s := NewScan(Whole(bytes.NewReader(nil), 100*sector.Size))
	s.Lacks(5, "an anchor", "another serves")
	s.Wrong(6, "no %s", "tag")
	s.Report(Problem{What: "all is lost"})
	all, _ := s.Problems()
	var lines []string
	for _, p := range all {
		lines = append(lines, p.String())
	}
	got, want := strings.Join(lines, "|"), "sector 5: an anchor is missing; another serves|sector 6: no tag|all is lost"
	if got != want {
		t.Errorf("problems: %s; want %s", got, want)
	}
	if r := (Problem{Sectors: sector.Span(3, 4), What: "x"}); r.String() != "sectors 3-6: x" {
		t.Errorf("String() = %q", r)
	}
}
