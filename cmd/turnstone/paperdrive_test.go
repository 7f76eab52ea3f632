package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/faultydisc"
	"turnstone/device/sector"
)

// paperFile writes a description into a folder in which disc.iso has that many
// sectors, and gives its path.
func paperFile(t testing.TB, sectors int64, text string) string {
	t.Helper()
	dir := t.TempDir()
	disc := faultydisc.Pattern(0, sector.Span(0, sectors))
	path := filepath.Join(dir, "drive.json")
	for name, data := range map[string][]byte{filepath.Join(dir, "disc.iso"): disc, path: []byte(text)} {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return path
}

func TestPaperDriveKeepsToTheContract(t *testing.T) {
	for kind, blocks := range map[string][]devicetest.Bad{
		"cd":  {{Range: sector.Span(500, 3), Class: device.Medium}, {Range: sector.Span(999, 1), Class: device.Medium}},
		"dvd": {{Range: sector.Span(496, 16), Class: device.Medium}, {Range: sector.Span(992, 8), Class: device.Medium}},
	} {
		t.Run(kind, func(t *testing.T) {
			path := paperFile(t, 1000, `{"name": "A", "kind": "`+kind+`", "disc": "disc.iso", "fails_in_round": [["500+3", "999"]]}`)
			devicetest.Run(t, func(t *testing.T) device.Reader {
				r, err := openPaper(path, 0)
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { r.Close() })
				return r
			}, devicetest.Disc{
				Content: func(a sector.LBA, p []byte) { copy(p, faultydisc.Pattern(0, sector.Span(a, 1))) },
				Bad:     blocks,
			})
		})
	}
}

// The surface is that of the case's round, and in later ones that of the last.
func TestPaperDriveKnowsTheRound(t *testing.T) {
	path := paperFile(t, 64, `{"name": "A", "kind": "dvd", "disc": "disc.iso", "fails_in_round": [["0+64"], ["16-17"], []]}`)
	for round, want := range []sector.Set{sector.Of(sector.Span(0, 64)), sector.Of(sector.Span(16, 16)), {}, {}} {
		r, err := openPaper(path, round)
		if err != nil {
			t.Fatal(err)
		}
		if !r.fails.Equal(&want) {
			t.Errorf("round %d: fails at %v; want %v", round, r.fails, want)
		}
		r.Close()
	}
}

// A read that fails takes its time, which an end of the wait does not cost.
func TestPaperDriveIsSlowWhereItFails(t *testing.T) {
	path := paperFile(t, 64, `{"name": "A", "kind": "dvd", "disc": "disc.iso", "failed_read_ms": 600000, "fails_in_round": [["16"]]}`)
	r, err := openPaper(path, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, span := range []sector.Range{sector.Span(0, 16), sector.Span(16, 16)} {
		if err := r.Ask(span); err != nil {
			t.Fatal(err)
		}
	}
	if a, err := r.Answer(t.Context()); err != nil || a.Good() != 16 {
		t.Fatalf("Answer() = %d sectors, %v; want 16 at once", a.Good(), err)
	}
	soon, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	if _, err := r.Answer(soon); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Answer() = %v; want the end of the wait", err)
	}
	closed := make(chan error)
	go func() { closed <- r.Close() }()
	if _, err := r.Answer(t.Context()); !errors.Is(err, device.ErrClosed) {
		t.Errorf("Answer() while it is closed = %v; want %v", err, device.ErrClosed)
	}
	if err := <-closed; err != nil {
		t.Error(err)
	}
}

// A disc that is cut short behind the drive's back is gone; nothing old is taken
// for its data.
func TestPaperDriveLosesItsDisc(t *testing.T) {
	path := paperFile(t, 64, `{"name": "A", "kind": "dvd", "disc": "disc.iso", "fails_in_round": []}`)
	r, err := openPaper(path, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(filepath.Join(filepath.Dir(path), "disc.iso"), 16*sector.Size); err != nil {
		t.Fatal(err)
	}
	if err := r.Ask(sector.Span(8, 16)); err != nil {
		t.Fatal(err)
	}
	a, err := r.Answer(t.Context())
	if err != nil || a.Err == nil || a.Err.Class != device.Gone || a.Good() != 0 {
		t.Errorf("Answer() = %d sectors, %v, %v; want none, and the drive gone", a.Good(), a.Err, err)
	}
	if err := r.Ask(sector.Span(0, 1)); !errors.Is(err, device.ErrClosed) {
		t.Errorf("Ask() = %v; want %v", err, device.ErrClosed)
	}
}

func TestBadPaper(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{``, "EOF"},
		{`[]`, "cannot unmarshal"},
		{`{"name": "A"`, "unexpected EOF"},
		{`{"name": "A", "kind": "dvd", "disc": "disc.iso", "colour": "blue"}`, "unknown field"},
		{`{"name": "A", "kind": "vhs", "disc": "disc.iso"}`, "say cd, dvd or bd"},
		{`{"kind": "dvd", "disc": "disc.iso"}`, "a name and a disc"},
		{`{"name": "A", "kind": "dvd"}`, "a name and a disc"},
		{`{"name": "A", "kind": "dvd", "disc": "none.iso"}`, "no such file"},
		{`{"name": "A", "kind": "dvd", "disc": "drive.json"}`, "not an image of whole sectors"},
		{`{"name": "A", "kind": "dvd", "disc": "."}`, "no regular file"},
		{`{"name": "A", "kind": "dvd", "disc": "disc.iso", "failed_read_ms": -1}`, "failed_read_ms"},
		{`{"name": "A", "kind": "dvd", "disc": "disc.iso", "failed_read_ms": 1e9}`, "failed_read_ms"},
		{`{"name": "A", "kind": "dvd", "disc": "disc.iso", "fails_in_round": [["64"]]}`, "sectors 0 to 63"},
		{`{"name": "A", "kind": "dvd", "disc": "disc.iso", "fails_in_round": [[], ["0-64"]]}`, "round 1 fails at 0+65"},
		{`{"name": "A", "kind": "dvd", "disc": "disc.iso", "fails_in_round": [["x"]]}`, "not a sector number"},
		{`{"name": "A", "kind": "dvd", "disc": "disc.iso", "fails_in_round": "all"}`, "cannot unmarshal"},
	} {
		r, err := openPaper(paperFile(t, 64, c.text), 0)
		var open *device.OpenError
		if !errors.As(err, &open) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("openPaper(%s) = %v; want an OpenError with %q", c.text, err, c.want)
		}
		if err == nil {
			r.Close()
		}
	}
}

func FuzzPaper(f *testing.F) {
	f.Add(`{"name": "A", "kind": "dvd", "disc": "disc.iso", "failed_read_ms": 4, "fails_in_round": [["1+4", "60-63"], ["7"]]}`, 0)
	f.Add(`{"name": "A", "kind": "cd", "disc": "/dev/zero", "fails_in_round": [["0+1125899906842624"]]}`, 1)
	f.Add(`{}`, 0)
	f.Fuzz(func(t *testing.T, text string, round int) {
		r, err := openPaper(paperFile(t, 64, text), max(0, round))
		if err != nil {
			return
		}
		defer r.Close()
		if b := r.fails.Bounds(); r.info.Sectors < 1 || b.First < 0 || int64(b.End) > r.info.Sectors {
			t.Errorf("openPaper(%s): a disc of %d sectors fails at %v; want it to fail on the disc", text, r.info.Sectors, b)
		}
	})
}
