package pack

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// load is sectors of a case as a test packs them, in the order of the file.
type load struct {
	others bool
	raw    bool // of RawSize bytes each, put together from pass+1 readings
	pass   int
	r      sector.Range
	data   []byte
}

var day = time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC) // invented

// someCase is the values of an invented case: two passes that won every other stretch,
// and a third that brought other data of a few sectors.
func someCase(tb testing.TB, sectors int64, seed uint64) ([]mapfile.Value, List, []load) {
	tb.Helper()
	rnd := rand.New(rand.NewPCG(seed, 7))
	m := mapfile.New("case of a test")
	m.AddRound(mapfile.Round{Opened: day})
	m.AddDrive(mapfile.Drive{Vendor: "Any", Model: "drive", Node: "/dev/sr0"})
	if err := m.SetDisc(mapfile.Disc{Kind: "dvd", Sectors: sectors, BlockSectors: 16, Written: sector.Of(sector.Span(0, sectors))}); err != nil {
		tb.Fatal(err)
	}
	for _, drive := range []int{0, 0, -1} {
		if _, err := m.AddPass(mapfile.Pass{Drive: drive, Started: day}); err != nil {
			tb.Fatal(err)
		}
	}
	record := func(l load, result mapfile.Result) {
		if _, err := m.Record(l.pass, mapfile.Run{Range: l.r, Result: result}, mapfile.AppendSums(nil, l.data)); err != nil {
			tb.Fatal(err)
		}
	}
	var list List
	byPass := make([][]load, 2)
	for at := sector.LBA(0); int64(at) < sectors; {
		l := load{pass: rnd.IntN(3), r: sector.Span(at, 1+rnd.Int64N(900)).Intersect(sector.Span(0, sectors))}
		at = l.r.End
		if l.pass == 2 {
			continue // missing
		}
		l.data = make([]byte, l.r.Bytes())
		for i := range l.r.Count() { // some of it can be compressed
			p := l.data[i*sector.Size:][:sector.Size]
			if devicetest.Pattern(l.r.First+sector.LBA(i), p); rnd.IntN(2) == 0 {
				clear(p[100:])
			}
		}
		record(l, mapfile.Delivered)
		list.Image.Add(l.r)
		byPass[l.pass] = append(byPass[l.pass], l)
	}
	all := append(byPass[0], byPass[1]...)
	for _, l := range all[:min(3, len(byPass[0]))] { // in order of address
		o := load{others: true, pass: 2, r: sector.Span(l.r.First, 1), data: bytes.Repeat([]byte{7}, sector.Size)}
		record(o, mapfile.Merged)
		list.Others.Add(o.r)
		all = append(all, o)
	}
	list.FormTwo = sector.Of(sector.Span(10, 30), sector.Span(42, 1))
	for pass, r := range []sector.Range{sector.Span(11, 2), sector.Span(13, 9), sector.Span(42, 1)} {
		o := load{raw: true, pass: pass, r: r, data: make([]byte, r.Count()*RawSize)}
		for i := range o.data {
			o.data[i] = byte(rnd.Uint32())
		}
		list.Raw.Add(r)
		all = append(all, o)
	}
	path := filepath.Join(tb.TempDir(), "map.db")
	if err := mapfile.Create(path, m); err != nil {
		tb.Fatal(err)
	}
	values, err := mapfile.Values(path)
	if err != nil {
		tb.Fatal(err)
	}
	return values, list, all
}

// packed is the pass file of a case.
func packed(tb testing.TB, values []mapfile.Value, list List, all []load) []byte {
	tb.Helper()
	var out bytes.Buffer
	w, err := NewWriter(&out, Head{Case: "case of a test", Made: day}, values, list)
	if err != nil {
		tb.Fatal(err)
	}
	for _, l := range all {
		add := w.Sectors
		if l.others {
			add = w.Others
		}
		for i := range l.r.Count() {
			if !l.raw {
				break
			}
			if err := w.RawSector(l.r.First+sector.LBA(i), Raw{l.data[i*RawSize:][:RawSize], 3, l.pass + 1}); err != nil {
				tb.Fatal(err)
			}
		}
		if l.raw {
			continue
		}
		if err := add(l.pass, l.r, l.data); err != nil {
			tb.Fatal(err)
		}
	}
	if n, err := w.Close(); err != nil || n != int64(out.Len()) {
		tb.Fatalf("Close() = %d, %v; want %d, nil", n, err, out.Len())
	}
	return out.Bytes()
}

// came is what a reader gives: sector by sector, what stands in the file, as text and
// sum, and how it ended. Of the image, what is not as the map says counts as damaged.
func came(r *Reader) (got map[string]uint32, damaged int, end error) {
	got = map[string]uint32{}
	others := map[sector.LBA]uint32{}
	for _, c := range r.Map.Conflicts() {
		others[c.At] = c.Other
	}
	for {
		p, err := r.Next()
		if err != nil {
			return got, damaged, err
		}
		if p.Err != nil {
			damaged++
			continue
		}
		for a, x := range p.Raws() {
			if x.Data == nil {
				damaged++
				continue
			}
			got[fmt.Sprint("raw", x.Round, x.Readings, a)] = mapfile.Sum(x.Data)
		}
		if p.Raw {
			continue
		}
		data := p.Data
		for _, part := range p.Ranges {
			for a := part.First; a < part.End; a++ {
				sum := mapfile.Sum(data[:sector.Size])
				data = data[sector.Size:]
				want, _, _ := r.Map.Sum(a)
				if p.Others {
					want = others[a]
				}
				if sum != want {
					damaged++
					continue
				}
				got[fmt.Sprint(p.Others, p.Pass, a)] = sum
			}
		}
	}
}

// wanted is what came should give of all of it.
func wanted(all []load) map[string]uint32 {
	want := map[string]uint32{}
	for _, l := range all {
		for i := range l.r.Count() {
			if l.raw {
				want[fmt.Sprint("raw", 3, l.pass+1, l.r.First+sector.LBA(i))] = mapfile.Sum(l.data[i*RawSize:][:RawSize])
			}
		}
		if l.raw {
			continue
		}
		for i, sum := range mapfile.AppendSums(nil, l.data) {
			want[fmt.Sprint(l.others, l.pass, l.r.First+sector.LBA(i))] = sum
		}
	}
	return want
}

// subset tells whether all that came is wanted.
func subset(got, want map[string]uint32) bool {
	for k, sum := range got {
		if want[k] != sum {
			return false
		}
	}
	return true
}

// What was packed comes back.
func TestRoundTrip(t *testing.T) {
	for seed := range uint64(5) {
		values, list, all := someCase(t, 100+3000*int64(seed), seed)
		r, err := NewReader(bytes.NewReader(packed(t, values, list, all)))
		if err != nil {
			t.Fatal(err)
		}
		if r.Head.Case != "case of a test" || !r.Head.Made.Equal(day) || r.Map.CaseID() != "case of a test" {
			t.Errorf("head %+v, map of %q", r.Head, r.Map.CaseID())
		}
		if !r.List.Image.Equal(&list.Image) || !r.List.Others.Equal(&list.Others) ||
			!r.List.FormTwo.Equal(&list.FormTwo) || !r.List.Raw.Equal(&list.Raw) {
			t.Errorf("the list is %+v; want %+v", r.List, list)
		}
		got, _, end := came(r)
		want := wanted(all)
		if end != io.EOF || len(got) != len(want) || !subset(got, want) {
			t.Errorf("seed %d: %d sectors, %v; want %d, io.EOF", seed, len(got), end, len(want))
		}
		if _, err := r.Next(); err != io.EOF {
			t.Errorf("Next() behind the end = %v; want io.EOF", err)
		}
		r.Close()
	}
}

// Debian's zstd takes the file for what it is: frames of its format, whole ones.
func TestZstdAccepts(t *testing.T) {
	zstd, err := exec.LookPath("zstd")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip("no zstd on this machine (Debian: zstd)")
	}
	values, list, all := someCase(t, 3000, 1)
	data := packed(t, values, list, all)
	path := filepath.Join(t.TempDir(), "case.pass")
	test := func(data []byte) error {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.CommandContext(t.Context(), zstd, "-t", "-q", path).CombinedOutput()
		if err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	}
	if err := test(data); err != nil {
		t.Errorf("zstd -t = %v; want nil", err)
	}
	if err := test(data[:len(data)/2]); err == nil {
		t.Error("zstd -t of half a file = nil; want an error")
	}
	// What the bodies hold is what zstd unpacks: the map, the list, the sectors.
	if err := test(data); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), zstd, "-dc", "-q", path).Output()
	want := []byte{}
	for _, v := range values {
		want = appendValue(want, v)
	}
	want = appendSets(want, &list.Image, &list.Others, &list.FormTwo, &list.Raw)
	for _, l := range all {
		if !l.raw {
			want = append(want, l.data...)
		}
		for data := range slices.Chunk(l.data, RawSize) {
			if !l.raw {
				break
			}
			item := append([]byte{3, 0, byte(l.pass + 1), 0}, data...) // as the package doc has it
			want = append(binary.LittleEndian.AppendUint32(want, crc32.Checksum(item, crc32.MakeTable(crc32.Castagnoli))), item...)
		}
	}
	if err != nil || !bytes.Equal(out, want) {
		t.Errorf("zstd -dc gives %d bytes, %v; want %d bytes of map, list and sectors", len(out), err, len(want))
	}
}

// A file that was cut short anywhere gives what came before the cut, and says so.
func TestCutShort(t *testing.T) {
	values, list, all := someCase(t, 4000, 2)
	data, want := packed(t, values, list, all), wanted(all)
	before, cuts := -1, 0
	for n := 0; n < len(data); n += 1 + n/97 {
		r, err := NewReader(bytes.NewReader(data[:n]))
		switch {
		case err == nil:
		case errors.Is(err, ErrCut), errors.Is(err, ErrForeign) && n < labelHead+1+len(headText):
			continue
		default:
			t.Fatalf("NewReader(%d of %d bytes) = %v; want ErrCut", n, len(data), err)
		}
		got, _, end := came(r)
		r.Close()
		if !errors.Is(end, ErrCut) || !subset(got, want) || len(got) < before {
			t.Fatalf("%d of %d bytes: %d sectors, %v; want %d or more as they are, ErrCut", n, len(data), len(got), end, before)
		}
		before, cuts = len(got), cuts+1
	}
	if cuts < 20 || before < len(want)/2 {
		t.Errorf("%d cuts, of the last one %d of %d sectors; want most", cuts, before, len(want))
	}
}

// A flipped bit anywhere is found. It may cost a sector, a body, or all that follows; it
// never gives a sector that is another.
func TestFlippedBits(t *testing.T) {
	values, list, all := someCase(t, 1500, 3)
	data, want := packed(t, values, list, all), wanted(all)
	for at := 0; at < len(data); at += 1 + at/61 {
		bad := bytes.Clone(data)
		bad[at] ^= 1 << (at % 8)
		r, err := NewReader(bytes.NewReader(bad))
		if err != nil {
			continue
		}
		got, damaged, end := came(r)
		r.Close()
		if end == io.EOF {
			t.Fatalf("byte %d flipped: %d sectors, %d bodies damaged, io.EOF; want an error", at, len(got), damaged)
		}
		if !subset(got, want) {
			t.Fatalf("byte %d flipped: sectors that were not packed", at)
		}
	}
}

// The writer holds no more than a few bodies, whatever it is given, and says what its
// file could not take.
func TestFullDisk(t *testing.T) {
	values, list, all := someCase(t, 6000, 4)
	w, err := NewWriter(&failing{left: 3 << 20}, Head{}, values, list)
	for _, l := range all {
		if err == nil && !l.others && !l.raw {
			err = w.Sectors(l.pass, l.r, l.data)
		}
	}
	if err == nil {
		_, err = w.Close()
	} else if w != nil {
		err = errors.Join(err, w.Abort())
	}
	if !errors.Is(err, errFull) {
		t.Errorf("packing onto a full disk = %v; want %v", err, errFull)
	}
}

var errFull = errors.New("no space left on device")

// failing takes so many bytes.
type failing struct{ left int }

func (f *failing) Write(b []byte) (int, error) {
	if f.left -= len(b); f.left < 0 {
		return 0, errFull
	}
	return len(b), nil
}
